"""Causes of wrong antenna heights, satellite heights and separations: each has the size its own mistake makes."""

import math

import pytest

from heightnet.judge.causes import evidence_about, rank_causes
from heightnet.kinds import gnss, height, separation
from heightnet.kinds.cause import Evidence
from heightnet.kinds.records import Records
from heightnet.kinds.slips import USUAL_PHASE
from heightnet.network import build_network
from heightnet.reduce.reading import MeasuringPoint, Reading
from tests.evidence import common, written
from tests.simulate.jobs import simulate

RIM, UNDERSIDE, PHASE = 0.142, 0.012, 0.064
POINTS = (
    MeasuringPoint("rim", RIM, 0.031, True),
    MeasuringPoint("underside of the mount", 0.0, UNDERSIDE),
    MeasuringPoint("phase centre", 0.0, -PHASE),
)
TRUE = 1.514


def slant(read, point=POINTS[0]):
    return Reading(f"{read:.3f}", read, "m", "slant", point.radius, point.offset, point.name)


def vertical(read, point=POINTS[1]):
    return Reading(f"{read:.3f}", read, "m", "vertical", point.radius, point.offset, point.name)


def fits(reading, points=POINTS, true=TRUE, antenna=True, **more):
    error = reading.height - true + 0.0004
    return rank_causes(
        Evidence("setup", reading.height, error, 0.002, (reading,), points=points, antenna=antenna, **more), keep=0.0
    )


def rim_slant(height=TRUE):
    return math.hypot(height - 0.031, RIM)


# what was written for a true height of 1.514 m: a reading, the cause, and how much too high it is
CASES = [
    ("slant_not_reduced", Reading(f"{rim_slant():.3f}", rim_slant(), "m", "vertical", RIM, 0.031, "rim")),
    ("controller", slant(TRUE)),  # the controller's height of the reference point, entered as the slant
    ("phase_left_out", Reading.booked(TRUE - PHASE)),
    ("phase_twice", Reading.booked(TRUE + PHASE)),
    ("other_point", vertical(TRUE - 0.031 - 0.0)),  # held upright at the rim, booked as the underside
]  # fmt: skip


@pytest.mark.parametrize(("cause", "reading"), CASES)
def test_the_cause_is_first_and_has_its_size(cause, reading):
    found = fits(reading)
    assert found[0].cause == cause, [(f.cause, round(f.probability, 3)) for f in found[:4]]
    assert found[0].expected == pytest.approx(reading.height - TRUE, abs=0.001)
    assert found[0].probability > 0.4


def test_a_controller_that_stopped_at_the_point_itself():
    found = fits(slant(TRUE - 0.031))
    assert {f.cause for f in found[:2]} >= {"controller"}


def test_only_antennas_have_these_causes():
    keys = {cause.key for cause in height.CAUSES if cause.only == "antenna"}
    assert keys == {"controller", "phase_left_out", "phase_twice"}
    assert not keys & {f.cause for f in fits(Reading.booked(TRUE - PHASE), antenna=False)}
    assert keys <= {f.cause for f in fits(Reading.booked(TRUE - PHASE))}
    listed = {f.cause for f in fits(Reading.booked(TRUE - PHASE), points=POINTS[:2])}
    assert not {"phase_left_out", "phase_twice"} & listed  # the antenna is listed, and without a phase centre


def test_where_nothing_is_listed_practice_says_how_high_a_phase_centre_is():
    found = fits(Reading.booked(TRUE + USUAL_PHASE[0]), points=())
    assert "phase_twice" in [f.cause for f in found[:4]]


def test_the_trunnion_axis_is_not_spoken_of():
    found = fits(Reading.booked(TRUE - 0.24), points=())
    assert not any("trunnion" in f.text for f in found)


@pytest.mark.parametrize(
    ("kind", "recorded", "error", "cause"),
    [("gnss", 3.124, PHASE, "phase_left_out"), ("gnss", 3.124, -PHASE, "phase_twice"), ("gnss", 3.124, 6.248, "sign"),
     ("gnss", 3.124, 0.14, "solution"), ("separation", -31.2, -62.4, "sign"),
     ("separation", 31.27, -0.45, "transposed"),
     ("separation", 31.2, 0.083, "other_model")],
)  # fmt: skip
def test_satellite_rows_and_separations(kind, recorded, error, cause):
    phases = ((PHASE, 0.0), (-0.031, 0.0)) if kind == "gnss" else ()
    found = rank_causes(written(kind, recorded, error + 0.0004, 0.003, phases=phases))
    assert found[0].cause == cause
    assert {f.cause for f in found} <= {c.key for c in (*gnss.CAUSES, *separation.CAUSES)} | {"none"}


def test_groups():
    def first(kind, error, **more):
        return rank_causes(common(kind, error, 0.0015, **more))[0].cause

    antenna = {"points": POINTS, "antenna": True}
    assert first("instrument", -PHASE, **antenna) == "phase_left_out"
    assert first("instrument", PHASE, **antenna) == "phase_twice"
    assert first("instrument", UNDERSIDE - 0.031, **antenna) == "other_point"
    assert first("antenna_observer", 0.031 - UNDERSIDE, **antenna) == "other_point"
    assert first("gnss_session", 0.02) == "session"
    assert first("separations", 2 * 41.3, pattern=41.3) == "separation_sign"
    assert first("separations", 0.21, pattern=41.3) == "datum"


def test_evidence_is_gathered_from_the_job():
    job = simulate("G1", 2)[0]
    records = Records(job, build_network(job).readings)
    e = evidence_about(records, "setup:G10")
    assert e.antenna and any(p.name == "phase centre" for p in e.points)
    assert not evidence_about(records, "setup:S0").antenna
    rise, height = (job.gnss[(job.gnss["from_setup"] == "") == alone].iloc[0] for alone in (False, True))
    assert evidence_about(records, f"gnss:gnss.csv:{rise['row']}").phases == ((PHASE, 0.0), (-PHASE, 0.0))
    one = evidence_about(records, f"gnss:gnss.csv:{height['row']}")
    assert one.phases == ((PHASE, 0.0),) and one.recorded == height["height"]
    marks = job.marks.set_index("mark")
    assert evidence_about(records, "separation:M3").recorded == marks["separation"]["M3"]
    assert evidence_about(records, "group:instrument:antenna 1").antenna
    assert not evidence_about(records, "group:instrument:instrument 1").antenna
    assert evidence_about(records, "group:separations:the whole job").pattern == pytest.approx(41.3, abs=0.2)
    assert evidence_about(records, "group:antenna_observer:observer 1").points == ()  # two models: no point is theirs
    one_model = job.with_tables(setups=job.setups.assign(instrument="antenna 1"))
    same = Records(one_model, build_network(job).readings)
    assert len(evidence_about(same, "group:antenna_observer:observer 1").points) == 3
