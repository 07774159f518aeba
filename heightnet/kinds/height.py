"""The height of an instrument or a target above its mark, or of the stand that both share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from heightnet.arrays import Floats, Ints
from heightnet.job.tapes import INCH
from heightnet.kinds import slips
from heightnet.kinds.cause import SAME_AS_BEFORE, SWAP, ZERO, Cause, Evidence
from heightnet.kinds.kind import TAPE, Edges, Group, Kind, Shared, Words, by_name
from heightnet.kinds.records import Records
from heightnet.kinds.stands import recorded_heights
from heightnet.ledger.thing import NOT_NAMED, STANDS, TAPED, Thing, ids_of
from heightnet.reduce.moments import is_later
from heightnet.reduce.reading import DECIMAL_FEET, FEET, FOOT, METRIC

if TYPE_CHECKING:
    import pandas as pd

    from heightnet.job.model import Job
    from heightnet.judge.family import Builder
    from heightnet.judge.places import Places
    from heightnet.kinds.sequence import Sequence
    from heightnet.network.build import Ties
    from heightnet.network.model import Network

SWAP_SHARE = 0.05  # of the set-ups with a wrong height, those whose HI and HT were booked in each other's place
SWAP_LEAST_M = 0.002  # a swap of heights closer than this does nothing worth finding

USUAL_HOOK = (0.03, 0.01)  # size and sd, m, where the equipment table is silent
SETTLED = (0.006, 0.004)  # how far a tripod usually sinks, where it does

CAUSES = (
    Cause("slant_not_reduced", "a slant reading used as if it were vertical", 0.10, slips.slant_not_reduced),
    Cause("slant_reduced_twice", "a vertical reading reduced as if it were slant", 0.02, slips.slant_reduced_twice),
    Cause("feet_as_metres", "a reading in feet taken as metres", 0.02, slips.feet_as_metres),
    Cause("metres_as_feet", "a reading in metres taken as feet", 0.02, slips.metres_as_feet),
    Cause("inches_as_decimal", "feet and inches booked as decimal feet", 0.06, slips.inches_as_decimal),
    Cause("inches_converted", "feet and inches taken for decimal feet, and converted to metres", 0.02,
          slips.inches_converted),
    Cause("decimal_as_inches", "decimal feet read as feet and inches (tenths as inches)", 0.06,
          slips.decimal_as_inches),
    Cause("transposed", "two neighbouring digits changed places", 0.08, slips.transposed),
    Cause("misread_1cm", "a reading one centimetre off", 0.09, slips.misread(0.01, METRIC)),
    Cause("misread_1dm", "a reading one decimetre off", 0.09, slips.misread(0.1, METRIC)),
    Cause("misread_1m", "a reading one metre off", 0.03, slips.misread(1.0, METRIC)),
    Cause("misread_1in", "a reading one inch off", 0.09, slips.misread(INCH, ("ftin",))),
    Cause("misread_tenth_ft", "a reading a tenth of a foot off", 0.09, slips.misread(0.1 * FOOT, DECIMAL_FEET)),
    Cause("misread_1ft", "a reading one foot off", 0.06, slips.misread(FOOT, FEET)),
    Cause("hook", "the tape's end or hook counted in, or left out", 0.05, slips.constant("hooks", USUAL_HOOK, 0.7)),
    Cause(SWAP, "instrument and target height of the sight to {detail} in each other's place", 0.05, slips.swapped),
    Cause("swap_all", "instrument height and target height of all its sights in each other's place", 0.02,
          slips.swapped_with_all),
    Cause(SAME_AS_BEFORE, "the height of the set-up before carried over", 0.05, slips.same_as_before),
    Cause("other_point", "the tape held to {detail}", 0.10, slips.other_point),
    Cause("earlier", "the height of an earlier occupation of the same mark left in", 0.03, slips.same_as_earlier),
    Cause("default", "a default, or the height most usual in this job, left in", 0.02, slips.same_as_default),
    Cause(ZERO, "no height entered: it was left at zero", 0.02, slips.left_at_zero),
    Cause("tripod_head", "the tape held to the tripod head, not to the {detail}", 0.06, slips.tripod_head),
    Cause("tribrach", "the axis height of {detail} used, which stood on the same tripod", 0.05, slips.other_axis),
    Cause("software", "a slant that software had reduced to the axis already, reduced again", 0.01,
          slips.reduced_by_software),
    Cause("sign", "the height with the wrong sign", 0.01, slips.wrong_sign),
    Cause("offset_twice", "the offset of the measuring point applied twice", 0.03, slips.offset_twice),
    Cause("offset_left_out", "the offset of the measuring point left out", 0.03, slips.offset_left_out),
    Cause("offset_sign", "the offset of the measuring point with the wrong sign", 0.01, slips.offset_sign),
    Cause("part_left_out", "a part of the measurement left out", 0.03, slips.part_left_out),
    Cause("part_twice", "a part of the measurement counted twice", 0.03, slips.part_twice),
    Cause("section", "a pole section drawn out too far or not far enough", 0.05, slips.constant("sections")),
    Cause("controller", "a slant that the controller had made vertical already, reduced again", 0.06,
          slips.reduced_by_controller, only="antenna"),
    Cause("phase_left_out", "the phase-centre offset of the antenna left out: the solution is of its phase centre",
          0.04, slips.phase_centre(1), only="antenna"),
    Cause("phase_twice", "the phase-centre offset of the antenna applied twice, in the height and in the solution",
          0.04, slips.phase_centre(-1), only="antenna"),
    Cause("settled", "the stand settled since the reading before", 0.15, slips.usually(SETTLED[1], -SETTLED[0]),
          only="later"),
)  # fmt: skip


def evidence(records: Records, thing: Thing) -> Evidence:
    """About the height of a stand, or one reading of it."""
    column = records.column
    kind, stand = thing.kind, thing.name
    if thing.kind == "reading":
        found = records.position(thing.file, thing.row)
        kind, stand = (column["stand_kind"][found[0]], column["stand"][found[0]]) if found else ("", "")
    else:
        found = records.positions(kind, stand)
    if not found:
        raise KeyError(f"no reading behind {thing}")
    recorded = of_readings(records, kind, stand, found)
    others = (str(column["when"][i]) for i in records.at.get((kind, stand), ()))
    later = thing.kind == "reading" and any(is_later(str(column["when"][found[0]]), when) for when in others)
    return replace(recorded, later=later)


def of_readings(records: Records, kind: str, stand: str, found: list[int]) -> Evidence:
    """About some readings of a stand, by their positions."""
    from heightnet.reduce.tape import mean_height

    column = records.column
    equipment = records.equipment_of(kind, stand)
    return Evidence(
        kind,
        mean_height(*([column[of][i] for i in found] for of in ("height", "sd")))[0],
        readings=tuple(records.reading(i) for i in found),
        points=records.points(equipment),
        hooks=records.sizes("hook", {column["tape"][i] for i in found}),
        sections=records.sizes("section", {equipment}),
        usual_parts=records.usual_parts(kind, stand),
        earlier=records.earlier(kind, stand),
        defaults=records.defaults(kind, stand),
        axes=records.axes(str(column["stand_kind"][found[0]]), str(column["stand"][found[0]])),
        previous=records.previous(stand, equipment) if kind == "setup" else None,
        partners=records.partners(kind, stand),
        population=records.population(kind, equipment),
        antenna=kind == "setup" and stand in records.antennas,
    )


def edges(ties: Ties) -> Edges:
    """Z - H = reduced height."""
    readings = ties.readings
    node = readings["node"].to_numpy(np.int64) if len(readings) else np.zeros(0, dtype=np.int64)
    seat = (readings["height"] - readings["axis"]).to_numpy(float)
    return Edges(ties.mark[node], node, seat, readings["sd"].to_numpy(float), np.arange(len(readings)))


def alone(family: Builder, net: Network) -> None:
    """Each stand's height with all its readings, and each reading of a stand that has several."""
    from heightnet.reduce.tape import reading_ids

    rows = net.rows("height")
    node = net.head[rows]
    rates, names = net.job.settings.rates, reading_ids(net.readings)
    rate_of = {"setup": rates.setup, "target": rates.target, "tripod": rates.setup}
    order = np.argsort(node, kind="stable")
    stands, first, count = np.unique(node[order], return_index=True, return_counts=True)
    kinds, labels = stand_labels(net, stands)
    obs = rows.start + order[first]
    for kind in STANDS:
        at = np.flatnonzero((kinds == kind) & (count == 1))
        family.singles(kind, ids_of(kind, labels[at].tolist()), obs[at], stands[at], rate_of[kind])
    for i in np.flatnonzero(count > 1).tolist():
        kind, stand, size = str(kinds[i]), int(stands[i]), int(count[i])
        these = order[first[i] : first[i] + size]
        family.pattern(Thing(kind, str(labels[i])), rows.start + these, np.ones(size), stand, rate_of[kind])
        read = [names[i] for i in these]
        family.singles("reading", read, rows.start + these, np.full(size, stand), rates.reading)


def stand_labels(net: Network, nodes: Ints) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
    """Kind and name under which stands are judged: a tripod that only one thing stood on is that thing's."""
    kind, name = net.nodes.kind[nodes], net.nodes.name[nodes]
    tripod = np.flatnonzero(kind == "tripod")
    if not len(tripod):
        return kind, name
    size = len(net.nodes)
    users = np.bincount(net.setup_node, minlength=size) + np.bincount(net.target_node, minlength=size)
    for thing, node, frame in (("target", net.target_node, net.job.targets), ("setup", net.setup_node, net.job.setups)):
        own = np.full(size, -1, dtype=np.int64)
        own[node] = np.arange(len(node))
        at = tripod[(users[nodes[tripod]] == 1) & (own[nodes[tripod]] >= 0)]
        kind[at], name[at] = thing, frame[thing].to_numpy(object)[own[nodes[at]]]
    return kind, name


def swapped(family: Builder, net: Network, among: set[int] | None) -> None:
    """HI and HT of one sight booked in each other's place: the records fix the size."""
    rows = net.rows("height")
    node = net.head[rows]
    positions: dict[int, list[int]] = {}
    for i, n in enumerate(node.tolist()):
        positions.setdefault(n, []).append(rows.start + i)
    rate = net.job.settings.rates.setup * SWAP_SHARE
    (of_setup, sd_setup), (of_target, sd_target) = (recorded_heights(net, kind) for kind in ("setup", "target"))
    setups, targets = net.job.setups["setup"].to_numpy(object), net.job.targets["target"].to_numpy(object)
    pairs = dict.fromkeys(zip(net.shot_setup.tolist(), net.shot_target.tolist(), strict=True))
    for s, t in pairs:
        at, to = int(net.setup_node[s]), int(net.target_node[t])
        if at == to or at not in positions or to not in positions or not (among is None or {at, to} & among):
            continue
        size = float(of_setup[s] - of_target[t])
        if abs(size) < SWAP_LEAST_M or np.isnan(size):
            continue
        touched = np.array(positions[at] + positions[to])
        sign = np.r_[np.ones(len(positions[at])), -np.ones(len(positions[to]))]
        sd = float(np.hypot(sd_setup[s], sd_target[t]))
        family.pattern(Thing.both("swap", setups[s], targets[t]), touched, sign, at, rate, size, sd)


def common(net: Network) -> Iterator[Group]:
    """What tapes, instruments, target equipment and observers have wrong in all heights."""
    readings, rows = net.readings, net.rows("height")
    if not len(readings):
        return
    stand_kind, tape = (readings[column].to_numpy(object) for column in ("stand_kind", "tape"))
    height, value = (readings[column].to_numpy(float) for column in ("height", "value"))
    # where no tape is named, one tape is taken to have measured everything
    for name, at in by_name(tape, (tape != "") | (tape == "").all()):
        yield "tape", name, rows.start + at, np.ones(len(at)), np.nan
        yield "tape_scale", name, rows.start + at, value[at], np.nan
    thing = thing_of(net.job, readings)
    for kind, group in (("setup", "instrument"), ("target", "equipment")):
        for name, at in by_name(thing, stand_kind == kind):
            yield group, name, rows.start + at, np.ones(len(at)), np.nan
    radius = _slant_radius(net, thing)
    upright = np.isin(readings["kind"].to_numpy(object), ("booked", "vertical")) & (radius > 0)
    upright &= (stand_kind == "setup") & (height > 2 * radius)
    bent = np.where(upright, radius**2 / (2 * np.where(height > 0, height, 1.0)), 0.0)
    observer = readings["by"].to_numpy(object)
    for name, at in by_name(thing, upright):
        yield "slant_instrument", name, rows.start + at, bent[at], 1.0
    for name, at in by_name(observer, upright & (observer != "")):
        yield "slant_observer", name, rows.start + at, bent[at], 1.0
    for group, name, at in _by_observer(stand_kind, observer):
        yield group, name, rows.start + at, np.ones(len(at)), np.nan


def sequences(net: Network) -> Iterator[Sequence]:
    """Instruments, equipment and observers, stand by stand; an observer who read everything is nobody by himself."""
    import pandas as pd

    from heightnet.kinds.sequence import Sequence, dense, uses_of

    readings, rows = net.readings, net.rows("height")
    if not len(readings):
        return
    uses = uses_of(net)
    stand_kind, stand, observer = (readings[column].to_numpy(object) for column in ("stand_kind", "stand", "by"))
    rank, when = np.zeros(len(readings), dtype=np.int64), np.full(len(readings), "", dtype=object)
    for kind, frame, ranks in (("setup", net.job.setups, uses.setups), ("target", net.job.targets, uses.targets)):
        at = np.flatnonzero(stand_kind == kind)
        place = pd.Index(frame[kind], dtype=object).get_indexer(stand[at])
        rank[at], when[at] = ranks[place], uses.when[f"{kind}s"][place]

    def sequence(group: str, name: str, at: Ints) -> Sequence:
        ones = np.ones(len(at))
        return Sequence(group, name, rows.start + at, ones, dense(rank[at]), stand[at], when[at], uses.by)

    thing = thing_of(net.job, net.readings)
    for kind, group in (("setup", "instrument"), ("target", "equipment")):
        yield from (sequence(group, name, at) for name, at in by_name(thing, stand_kind == kind))
    yield from (sequence(*found) for found in _by_observer(stand_kind, observer))


def _by_observer(
    stand_kind: npt.NDArray[np.object_], observer: npt.NDArray[np.object_]
) -> Iterator[tuple[str, str, Ints]]:
    """The heights of each observer, where there are several."""
    for kind, group in (("setup", "observer_setups"), ("target", "observer_targets")):
        found = list(by_name(observer, stand_kind == kind))
        if len(found) > 1:
            yield from ((group, name, at) for name, at in found if name != NOT_NAMED)


def thing_of(job: Job, readings: pd.DataFrame) -> npt.NDArray[np.object_]:
    """The instrument or target equipment of each reading's stand, "" where none is named."""
    import pandas as pd

    out = np.full(len(readings), "", dtype=object)
    stand_kind, stand = (readings[c].to_numpy(object) for c in ("stand_kind", "stand"))
    for kind, frame, thing in (("setup", job.setups, "instrument"), ("target", job.targets, "equipment")):
        at = np.flatnonzero(stand_kind == kind)
        out[at] = frame[thing].to_numpy(object)[pd.Index(frame[kind], dtype=object).get_indexer(stand[at])]
    return out


def _slant_radius(net: Network, thing: npt.NDArray[np.object_]) -> Floats:
    """Radius of the point each height was probably slanted to: the usual point of its equipment, else 0."""
    points = net.job.equipment[(net.job.equipment["point"] != "axis") & (net.job.equipment["radius"] > 0)]
    usual = points.sort_values("usual", kind="stable").groupby("equipment")["radius"].last()
    return usual.reindex(thing).fillna(0.0).to_numpy(float)


def lies(places: Places, h: int) -> Iterator[tuple[str, int]]:
    """At the set-ups and targets of its stand, and at the mark under it; a swap at both of its stands."""
    stands = [int(places.family.node[h])]
    if places.family.kind[h] == "swap":
        stands = places.stands_of_swap(h)
        yield from (("stand", stand) for stand in stands)
    for stand in stands:
        yield from (("setup", s) for s in places.setups_at(stand))
        for t in places.targets_at(stand):
            yield "target", t
            yield from (("setup", s) for s in places.only_setup(t))
        if places.net.nodes.mark[stand] >= 0:
            yield "mark", int(places.net.nodes.mark[stand])


ANOTHER_TAPE = "one height measured with another tape, or a check shot to a known mark"
BY_ANOTHER = "one of these heights measured again by somebody else"
IN_PARTS = "one height measured vertically in parts beside the slant"

KIND = Kind(
    "height", TAPED, CAUSES, evidence, edges=edges, scatter=TAPE, alone=alone, pair="swap", exchanged=swapped,
    common=common, sequences=sequences, lies=lies,
    words={
        "setup": Words("instrument height"),
        "target": Words("target height"),
        "tripod": Words(several="heights of shared stands"),
        "reading": Words("tape reading", cell="tape"),
        "swap": Words(several="pairs of heights in each other's place"),
    },
    shared={
        "tape": Shared("every height taped with {name}", ANOTHER_TAPE, "every height taped"),
        "tape_scale": Shared("the scale of {name}", ANOTHER_TAPE, "the scale of the tape"),
        "instrument": Shared(
            "every instrument height of {name}",
            "a shot to a fixed-height pole on a known mark, or a level read to the instrument's axis",
            "every instrument height",
        ),
        "equipment": Shared(
            "every target height of {name}",
            "one sight to another target, its height measured to another point, on a mark already shot",
            "every target height",
        ),
        "slant_instrument": Shared(
            "the slant readings to {name}, booked without reduction", IN_PARTS,
            "the slant readings, booked without reduction",
        ),
        "slant_observer": Shared("the slant readings by {name}, booked without reduction", IN_PARTS),
        "observer_setups": Shared("every instrument height by {name}", BY_ANOTHER, rate="observer"),
        "observer_targets": Shared("every target height by {name}", BY_ANOTHER, rate="observer"),
    },
)  # fmt: skip
