"""A reading of a levelling staff, and a backsight and a foresight in each other's place."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import Edges, Group, Kind, Shared, Words, by_name
from heightnet.kinds.records import Records
from heightnet.ledger.recorded import ONE_SIGHT
from heightnet.ledger.thing import POINTING, Thing
from heightnet.reduce.sight import curvature_and_refraction

if TYPE_CHECKING:
    from heightnet.judge.family import Builder
    from heightnet.kinds.sequence import Sequence
    from heightnet.network.build import Ties
    from heightnet.network.model import Network

WIRES = "wires"
THE_LEVEL = "the level"
EXCHANGE_SHARE = 0.06  # of the wrong readings of a level, those of a backsight and a foresight in each other's place
EXCHANGE_LEAST_M = 0.002  # an exchange of readings closer than this does nothing worth finding
SPAN = (0.0, 5.0)  # between which a staff is read, m
EXCHANGE_SD_M = 0.002  # of its size, at least: one of a metre too sharp would win over the misreading of a metre
LOWEST_JOINT_M = 0.8  # below which no staff has a joint
MOVED = 0.015  # how far a turning point moves between its two sights, m

CAUSES = (
    *written.CAUSES,
    Cause("outer_wire", "one of the outer wires a metre, a decimetre or a centimetre off, which is half of it", 0.30,
          slips.outer_wire),
    Cause("exchanged", written.EXCHANGED, 0.06, slips.exchanged),
    *written.STAFF, written.MINUS,
    Cause("turning_point", "the turning point moved between its two sights", 0.06,
          lambda e: slips.usually(MOVED)(e) if e.turning else ()),
)  # fmt: skip


def evidence(records: Records, thing: Thing) -> Evidence:
    if thing.kind == POINTING:
        level, run, sight, mark = thing.names
        staff = records.job.staff
        of_sight = (staff["level_setup"] == level) & (staff["run"] == run) & (staff["sight"] == sight)
        row = staff[of_sight & (staff["mark"] == mark)].iloc[0]
    else:
        row = records.row("staff", thing.row, thing.name)
    beside = records.beside[row["level_setup"], row["run"]]
    recorded = float(row["reading"])
    return Evidence(
        "staff",
        recorded,
        readings=records.written(recorded),
        sections=records.sections,
        feet=records.feet,
        partners=tuple((mark, reading) for sight, mark, reading in beside if sight != row["sight"]),
        span=SPAN,
        turning=row["mark"] not in records.marks,
        inverted=records.inverted,
        figures=records.figures("staff", "reading"),
        of_wires=row["cell"] == WIRES,
    )


def edges(ties: Ties) -> Edges:
    """Z_level - H_mark = reading - (1 - k) d^2 / 2R."""
    staff, settings = ties.job.staff, ties.job.settings
    distance = staff["distance"].fillna(0.0).to_numpy(float)
    bent = curvature_and_refraction(distance, settings.air.refraction, settings.earth.radius_m)
    return Edges(
        ties.mark_node(staff["mark"]),
        ties.level_node(staff["level_setup"]),
        staff["reading"].to_numpy(float) - bent,
        staff["sd"].fillna(settings.precision.staff_mm / 1000).to_numpy(float),
        np.arange(len(staff)),
    )


def together(family: Builder, net: Network, among: set[int] | None) -> None:
    """What several readings of a level set-up have wrong together, for the whole job or what touches some nodes."""
    exchanged(family, net, among)
    pointings(family, net, among)


def pointings(family: Builder, net: Network, among: set[int] | None) -> None:
    """All readings of one sight to a staff, where it has several: the staff itself, its point, or the one who read."""
    staff, rows = net.job.staff, net.rows("staff")
    again = staff.duplicated(ONE_SIGHT, keep=False)
    if not again.any():
        return
    sights = staff[again].assign(at=np.flatnonzero(again)).groupby(ONE_SIGHT, sort=False)["at"]
    for (level, run, sight, mark), of in sights:
        at = rows.start + of.to_numpy()
        if among is None or int(net.head[at[0]]) in among:
            thing = Thing.several(POINTING, str(level), str(run), str(sight), str(mark))
            family.pattern(thing, at, np.ones(len(at)), -1, net.job.settings.rates.level)


def exchanged(family: Builder, net: Network, among: set[int] | None) -> None:
    """Backsight b and foresight f of a level set-up in each other's place: one b - f too high, the other too low."""
    staff, rows = net.job.staff, net.rows("staff")
    rate = net.job.settings.rates.level * EXCHANGE_SHARE
    reading, run = staff["reading"].to_numpy(float), staff["run"].to_numpy(object)
    sight, level = staff["sight"].to_numpy(object), staff["level_setup"].to_numpy(object)
    pairs: dict[tuple[str, str], dict[str, list[int]]] = {}
    for i, place in enumerate(zip(run.tolist(), level.tolist(), strict=True)):
        if among is None or int(net.head[rows.start + i]) in among:
            pairs.setdefault(place, {}).setdefault(sight[i], []).append(i)
    for (of_run, of_level), sights in pairs.items():
        back, fore = sights.get("BS", []), sights.get("FS", [])
        if len(back) != 1 or len(fore) != 1:
            continue
        size = float(reading[back[0]] - reading[fore[0]])
        if abs(size) >= EXCHANGE_LEAST_M:
            at = rows.start + np.array([back[0], fore[0]])
            sd = max(EXCHANGE_SD_M, float(np.hypot(*net.sd[at])))
            family.pattern(Thing.both("exchange", of_level, of_run), at, np.array([1.0, -1.0]), -1, rate, size, sd)


def common(net: Network) -> Iterator[Group]:
    """The line of sight of a level out of the horizontal, the further the more; and where a staff had a pair, its zero,
    which its readings all have wrong alike: of one staff alone the lines of sight take it up."""
    of = net.job.staff["staff"].to_numpy(object)
    zeros = list(by_name(of, of != ""))
    for name, at in zeros if len(zeros) > 1 else ():
        yield "staff_zero", name, net.rows("staff").start + at, np.ones(len(at)), np.nan
    distance = np.nan_to_num(net.job.staff["distance"].to_numpy(float))
    far = np.flatnonzero(distance > 0)
    if len(far):
        yield "collimation", THE_LEVEL, net.rows("staff").start + far, distance[far], np.nan


def sequences(net: Network) -> Iterator[Sequence]:
    """The readings of a staff, one above the other: a joint that is not seated shifts all that is above it.  Where no
    staff is named, one is taken to have been read throughout."""
    from heightnet.kinds.sequence import READINGS, Sequence

    staff = net.job.staff
    of, reading = staff["staff"].to_numpy(object), staff["reading"].to_numpy(float)
    row = staff["row"].astype(str)
    named = row.where(staff["cell"] == "", row + " " + staff["cell"]).to_numpy(object)
    for name, some in by_name(of, (of != "") | (of == "").all()):
        at = some[np.argsort(reading[some], kind="stable")]
        rank = np.unique(np.maximum(reading[at], LOWEST_JOINT_M), return_inverse=True)[1].ravel().astype(np.int64)
        rows, called = net.rows("staff").start + at, named[at]
        read = np.array([f"{metres:.3f} m" for metres in reading[at]], dtype=object)
        yield Sequence("staff_joint", name, rows, np.ones(len(at)), rank, called, read, READINGS, ends=False)


KIND = Kind(
    "staff", ("staff", POINTING), CAUSES, evidence, table="staff", marks=("mark",), edges=edges, rate="level",
    length=lambda net: np.nan_to_num(net.job.staff["distance"].to_numpy(float)), pair="exchange", exchanged=together,
    common=common, sequences=sequences, at_marks=("tail",), value="reading_m", nominal=written.NOMINAL,
    words={
        "staff": Words("staff reading", cell="staff"),
        POINTING: Words("sight to a staff with all its readings", "sights to a staff with all their readings"),
        "exchange": Words(several="pairs of readings in each other's place"),
    },
    shared={
        "collimation": Shared(
            "the collimation error of {name}", "the level tested by two pegs, or a stretch levelled with equal sights",
            more=" (its line of sight is not level)",
        ),
        "staff_zero": Shared(
            "the zero of staff {name}", "both staves of the pair read on one peg, or this one alone on the stretch",
        ),
        "staff_joint": Shared(
            "every reading of {name}", "the two parts of the staff measured across the joint with a steel tape",
            "every reading of the staff",
        ),
    },
)  # fmt: skip
