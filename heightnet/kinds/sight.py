"""A sight: the slope distance and zenith angle from an instrument to a target."""

from __future__ import annotations

from collections.abc import Iterator
from math import cos, pi, sin
from typing import TYPE_CHECKING

import numpy as np

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Alternative, Cause, Evidence, Slip
from heightnet.kinds.kind import Columns, Edges, Group, Kind, Shared, Words, by_name
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.judge.places import Places
    from heightnet.kinds.sequence import Sequence
    from heightnet.network.build import Ties
    from heightnet.network.model import Network

MINUTE = pi / 180 / 60


def _zenith(step: float) -> Slip:
    """The zenith angle misread by a step (radians)."""

    def alternatives(e: Evidence) -> Iterator[Alternative]:
        for side in (step, -step):
            yield Alternative(e.slope_distance * (cos(e.zenith) - cos(e.zenith + side)), 0.5)

    return alternatives


def _distance(e: Evidence) -> Iterator[Alternative]:
    """The slope distance misread by 1 m or 10 m: felt only in a steep sight."""
    for step in (1.0, 10.0):
        if e.slope_distance > 2 * step and abs(cos(e.zenith)) > 1e-3:
            yield from slips.up_or_down(step * abs(cos(e.zenith)), 0.5)


def _target_moved(e: Evidence) -> Iterator[Alternative]:
    if sin(e.zenith):
        yield from slips.up_or_down(0.1, 0.6)
        yield Alternative(0.0, 0.4, spread=0.05)


CAUSES = (
    written.SIGN,
    Cause("section", "a section of the staff or pole not drawn out, or not locked", 0.04, slips.constant("sections")),
    Cause("zenith_1min", "the zenith angle one minute off", 0.08, _zenith(MINUTE)),
    Cause("zenith_10min", "the zenith angle ten minutes off", 0.08, _zenith(10 * MINUTE)),
    Cause("zenith_1deg", "the zenith angle one degree off", 0.06, _zenith(60 * MINUTE)),
    Cause("distance", "the distance of a steep sight misread", 0.04, _distance),
    Cause("target_moved", "the target at another height for this sight", 0.12, _target_moved),
)


def evidence(records: Records, thing: Thing) -> Evidence:
    """About the rise of a sight."""
    row = records.row("shots", thing.row)
    far, zenith = float(row["slope_distance"]), float(row["zenith_angle"])
    rise = far * cos(zenith)
    return Evidence(
        "shot", rise, readings=records.written(rise), sections=records.sections, slope_distance=far, zenith=zenith
    )


def edges(ties: Ties) -> Edges:
    """Z_target - Z_setup = s cos z + (1 - k)(s sin z)^2 / 2R, z freed of the index error."""
    setup, target, sights = ties.shot_setup, ties.shot_target, ties.sights
    axes = ties.target_axis[target] - ties.setup_axis[setup] if len(target) else np.zeros(0)
    ends = ties.setup_node[setup], ties.target_node[target]
    return Edges(*ends, sights.rise - axes, sights.sd, np.arange(len(setup)))


def common(net: Network) -> Iterator[Group]:
    """The index error of an instrument."""
    instrument, arm = net.job.setups["instrument"].to_numpy(object)[net.shot_setup], net.sights.index_arm
    for name, at in by_name(instrument, arm != 0):
        yield "index", name, net.rows("shot").start + at, arm[at], np.nan


def sequences(net: Network) -> Iterator[Sequence]:
    """The index error of an instrument, set-up by set-up: a knock changes it."""
    from heightnet.kinds.sequence import Sequence, dense, uses_of

    uses, setups = uses_of(net), net.job.setups["setup"].to_numpy(object)
    for kind, name, rows, arm, _ in common(net):
        setup = net.shot_setup[rows - net.rows("shot").start]
        when = uses.when["setups"][setup]
        yield Sequence(kind, name, rows, arm, dense(uses.setups[setup]), setups[setup], when, uses.by)


def lies(places: Places, h: int) -> Iterator[tuple[str, int]]:
    net = places.net
    shot = int(places.family.observation[h]) - net.rows("shot").start
    yield "setup", int(net.shot_setup[shot])
    yield "target", int(net.shot_target[shot])
    mark = int(net.nodes.mark[net.target_node[net.shot_target[shot]]])
    if mark >= 0:
        yield "mark", mark


def told(net: Network) -> Columns:
    from heightnet.kinds.repeats import faces, forward_back

    place = net.nodes.name[net.nodes.mark]
    place[net.nodes.mark < 0] = None
    rows = net.rows("shot")
    apart, index = faces(net)
    return {
        "from_mark": place[net.tail[rows]],
        "to_mark": place[net.head[rows]],
        "zenith_deg": np.degrees(net.job.shots["zenith_angle"].to_numpy(float)),
        "horizontal_m": net.sights.horizontal,
        "rise_m": net.sights.rise,
        "faces_mm": apart * 1000,
        "index_sec": np.degrees(index) * 3600,
        "forward_back_mm": forward_back(net) * 1000,
    }


KIND = Kind(
    "shot", ("shot",), CAUSES, evidence, table="shots", edges=edges, rate="shot",
    length=lambda net: net.sights.horizontal, common=common, sequences=sequences,
    lies=lies, told=told,
    words={"shot": Words("sight", cell="sight")},
    shared={
        "index": Shared(
            "the vertical index error of {name}", "the same target observed in both faces",
            "the vertical index error of the instrument",
        ),
    },
)  # fmt: skip
