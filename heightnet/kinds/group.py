"""What several heights or sights share and have wrong together: a tape, a prism or pole, all slants of one party."""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, hypot, inf
from typing import TYPE_CHECKING

import numpy as np

from heightnet.kinds import slips
from heightnet.kinds.cause import Alternative, Cause, Evidence, listed
from heightnet.kinds.height import USUAL_HOOK
from heightnet.kinds.kind import Group, Kind, Shared, Words, by_name
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing
from heightnet.reduce.reading import FOOT

if TYPE_CHECKING:
    from heightnet.network.model import Network

USUAL_SESSION, USUAL_DATUM = 0.03, 0.3  # m, how large such errors usually are
WORN = 0.010  # m: a worn point, a shoe, a centre height wrong in the table

LARGEST = {
    "collimation": 2e-3,  # radians, 20 mm at 10 m: a twentieth of it is what a level is adjusted for
    "index": 5e-3,  # radians, some 17 minutes: both faces of one sight would differ by twice that
    "refraction": 5.0,  # of the coefficient, usually .13; over hot or icy ground it has been seen from about -4 to 4
    "tape_scale": 0.03,  # of the length: tapes are replaced at a tenth of that
    "tape": 1.0,  # m: read from its first metre mark at most
    "staff_zero": 0.1,  # m: the foot of a staff, with a shoe
    "staff_joint": 0.1,  # m: a part of a staff that slid in further would not be read
}
"""The greatest size that a common error can have, in its own unit, by common practice; others may have any."""

THINGS = ("instrument", "equipment", "antenna_observer")
SLANTS = ("slant_instrument", "slant_observer")


def likely(e: Evidence) -> float:
    """1 for a size that the group's own error can have, and less the further the estimate lies beyond: how much
    better the estimate itself would explain the job than the greatest size does."""
    beyond = abs(e.error) - (LARGEST.get(e.of, inf) * e.pattern or inf)
    return exp(-0.5 * (beyond / e.error_sd) ** 2) if beyond > 0 else 1.0


def itself(e: Evidence) -> list[Alternative]:
    return [Alternative(0.0, likely(e), sized=False)]


def _cut(e: Evidence) -> Iterator[Alternative]:
    for step in (0.1, 0.01, 0.1 * FOOT, FOOT):
        yield Alternative(step, 0.25)


ITSELF = (
    Cause("index", "a vertical index error larger than assumed", 1.0, itself, of=("index",)),
    Cause("air", "air that bends sights otherwise than assumed", 1.0, itself, of=("refraction",)),
    Cause("level", "a level out of adjustment", 1.0, itself, of=("collimation",)),
)
SAID_ITSELF = frozenset(cause.key for cause in ITSELF)  # these only say again what the common error is

CAUSES = (
    Cause("other_point", "the tape held to {detail}, every time", 0.30, slips.other_point_always, of=THINGS),
    Cause("tripod_head", "the tape held to the tripod head, every time", 0.10, slips.tripod_head_always, of=THINGS),
    Cause("centre", "the height of the target's centre: its pole worn or shod, or its constant wrong", 0.20,
          slips.usually(WORN), of=("equipment",)),
    Cause("axis", "the height of the instrument's axis: its constant wrong", 0.10, slips.usually(WORN),
          of=("instrument",)),
    Cause("section", "a pole section drawn out too far or not far enough, every time", 0.10,
          slips.constant("sections"), of=THINGS),
    Cause("hook", "the tape's hook counted in, or left out, every time", 0.20,
          slips.constant("hooks", USUAL_HOOK, 0.7), of=("tape",)),
    Cause("cut", "the tape read from its first mark, not from its end", 0.15, _cut, of=("tape",)),
    Cause("end", "the tape's end worn, bent or mended", 0.20,
          lambda e: [Alternative(0.0, likely(e), spread=0.005)], of=("tape",)),
    Cause("scale", "the tape too long or too short", 0.20,
          lambda e: [Alternative(0.0, likely(e), spread=0.003 * e.pattern)], of=("tape_scale",)),
    Cause("scale_feet", "the tape's feet and metres taken for each other", 0.20,
          lambda e: [Alternative((1 - FOOT) * e.pattern), Alternative((1 - 1 / FOOT) * e.pattern)],
          of=("tape_scale",)),
    Cause("slants", "slant readings used as if they were vertical", 0.60,
          lambda e: [Alternative(e.pattern)], of=SLANTS),
    Cause("slants_twice", "vertical readings reduced as if they were slant", 0.10,
          lambda e: [Alternative(-e.pattern)], of=SLANTS),
    Cause("phase_left_out", "the phase-centre offset left out, every time", 0.10, slips.phase_centre(1),
          only="antenna"),
    Cause("phase_twice", "the phase-centre offset applied twice, every time", 0.10, slips.phase_centre(-1),
          only="antenna"),
    Cause("controller", "slants that the field controller had reduced already, reduced again", 0.10,
          slips.controller_always, only="antenna"),
    Cause("session", "the session's own error: its reference station, or the air", 0.40,
          slips.usually(USUAL_SESSION), of=("gnss_session",)),
    Cause("datum", "separations of another height datum than the known marks", 0.40,
          slips.usually(USUAL_DATUM), of=("separations",)),
    Cause("separation_sign", "the sign of the separations: the geoid lies on the other side", 0.20,
          lambda e: [Alternative(2 * e.pattern)], of=("separations",)),
    Cause("staff_foot", "the foot of the staff worn, shod or not its zero, every time", 0.40,
          slips.usually(WORN), of=("staff_zero",)),
    *ITSELF,
)  # fmt: skip


def possible(e: Evidence) -> float:
    """From 0 to 1: whether a common error can have the size found, be it by its own nature or by a usual slip.

    >>> possible(Evidence("group", 0.0, 0.03, 0.002, of="collimation", pattern=40.0))
    1.0
    >>> possible(Evidence("group", 0.0, 0.48, 0.002, of="collimation", pattern=40.0)) < 1e-9
    True
    """
    found = likely(e)
    for cause in listed(CAUSES, e):
        for one in cause.alternatives(e):
            if one.sized and one.error:
                sd = hypot(e.error_sd, one.spread)
                found = max(found, exp(-0.5 * min(((e.error - one.error) / sd) ** 2, 1400.0)))
    return found


def evidence(records: Records, thing: Thing) -> Evidence:
    """About a common error; its ``pattern`` is the estimate's, but for separations."""
    kind, name = thing.pair
    things = {name}
    if kind == "antenna_observer":
        of = zip(*(records.column[column] for column in ("stand_kind", "stand", "by")), strict=True)
        things = {
            records.equipment_of(k, s) for k, s, by in of if by == name and k == "setup" and s in records.antennas
        }
    return Evidence(
        "group",
        0.0,
        of=kind,
        points=records.points(next(iter(things))) if len(things) == 1 else (),
        hooks=records.sizes("hook", {name}),
        sections=records.sizes("section", things),
        pattern=records.mean_separation() if kind == "separations" else 0.0,
        antenna=kind == "antenna_observer" or (kind == "instrument" and name in records.antenna_models),
    )


def common(net: Network) -> Iterator[Group]:
    """The air, which belongs to no kind: it bends all sights of a session."""
    session = net.job.shots["session"].to_numpy(object)
    whole = len(set(session)) == 1
    for name, at in by_name(session, net.sights.bow > 0):
        named = "the whole job" if whole else name
        yield "refraction", named, net.rows("shot").start + at, -net.sights.bow[at], np.nan


KIND = Kind(
    "group", ("group",), CAUSES, evidence, common=common, words={"group": Words("common error")},
    shared={
        "refraction": Shared(
            "the refraction of {name}", "a reciprocal sight, or a levelled difference between two of the marks"
        ),
    },
)  # fmt: skip
