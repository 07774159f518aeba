"""What several heights or sights share and may have wrong together: tape, prism, instrument, observer, level, air."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from heightnet.ledger.thing import NOT_NAMED, Thing
from heightnet.network.model import DATUM, Kind, Network

if TYPE_CHECKING:
    from heightnet.judge.family import _Builder

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

THE_LEVEL = "the level"


def add_groups(builder: _Builder, net: Network) -> None:
    """One hypothesis for each group of at least two members."""
    rate = net.job.settings.rates.group
    for kind, name, rows, pattern, size in _groups(net):
        if len(rows) < 2:
            continue
        scale = float(np.sqrt(np.mean(pattern**2)))
        if scale == 0:
            continue
        builder.pattern(Thing.both("group", kind, name), rows, pattern / scale, -1, rate, size * scale, scale)


def _groups(net: Network) -> Iterator[tuple[str, str, Ints, Floats, float]]:
    """kind, name, observations, pattern, and the size in units of the pattern where the records fix it."""
    yield from _height_groups(net)
    shots = net.rows(Kind.SHOT)
    instrument = net.job.setups["instrument"].to_numpy(object)[net.shot_setup]
    arm = net.sights.index_arm
    for name, at in by_name(instrument, arm != 0):
        yield "index", name, shots.start + at, arm[at], np.nan
    distance = np.nan_to_num(net.job.staff["distance"].to_numpy(float))
    far = np.flatnonzero(distance > 0)
    if len(far):
        yield "collimation", THE_LEVEL, net.rows(Kind.STAFF).start + far, distance[far], np.nan
    if len(net.job.gnss):
        yield from _satellite_groups(net)
    session = net.job.shots["session"].to_numpy(object)
    sessions = pd.unique(session)
    for name, at in by_name(session, net.sights.bow > 0):
        yield (
            "refraction",
            "the whole job" if len(sessions) == 1 else name,
            shots.start + at,
            -net.sights.bow[at],
            np.nan,
        )


def _height_groups(net: Network) -> Iterator[tuple[str, str, Ints, Floats, float]]:
    readings, rows = net.readings, net.rows(Kind.HEIGHT)
    if not len(readings):
        return
    stand_kind = readings["stand_kind"].to_numpy(object)
    height = readings["height"].to_numpy(float)
    value = readings["value"].to_numpy(float)
    tape = readings["tape"].to_numpy(object)
    # where no tape is named, one tape is taken to have measured everything
    for name, at in by_name(tape, (tape != "") | (tape == "").all()):
        yield "tape", name, rows.start + at, np.ones(len(at)), np.nan
        yield "tape_scale", name, rows.start + at, value[at], np.nan
    thing = thing_of(net)
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


def _satellite_groups(net: Network) -> Iterator[tuple[str, str, Ints, Floats, float]]:
    """All antenna heights of one observer, all heights of one session, all separations.

    Rises between antennas cancel what the antennas at both ends have in common.  Separations too high by b make every
    height too low by b.
    """
    readings, rows = net.readings, net.rows(Kind.HEIGHT)
    antennas = net.job.setups["setup"].to_numpy(object)[net.antennas]
    of_antenna = (readings["stand_kind"] == "setup").to_numpy() & readings["stand"].isin(set(antennas)).to_numpy()
    observer = readings["by"].to_numpy(object)
    for name, at in by_name(observer, of_antenna & (observer != "")):
        yield "antenna_observer", name, rows.start + at, np.ones(len(at)), np.nan
    gnss = net.rows(Kind.GNSS)
    alone = net.tail[gnss] == DATUM
    session = net.job.gnss["session"].to_numpy(object)
    for name, at in by_name(session, alone & (session != "")):
        yield "gnss_session", name, gnss.start + at, np.ones(len(at)), np.nan
    at = np.flatnonzero(alone)
    yield "separations", "the whole job", gnss.start + at, -np.ones(len(at)), np.nan


def by_name(names: npt.NDArray[np.object_], where: npt.NDArray[np.bool_]) -> Iterator[tuple[str, Ints]]:
    """Positions of each name among those that count, in order of first appearance."""
    at = np.flatnonzero(where)
    if not len(at):
        return
    code, unique = pd.factorize(names[at])
    order = np.argsort(code, kind="stable")
    for name, part in zip(unique, np.split(at[order], np.cumsum(np.bincount(code))[:-1]), strict=True):
        yield str(name) or NOT_NAMED, part


def thing_of(net: Network) -> npt.NDArray[np.object_]:
    """The instrument or target equipment of each reading's stand, "" where none is named."""
    out = np.full(len(net.readings), "", dtype=object)
    stand_kind, stand = (net.readings[c].to_numpy(object) for c in ("stand_kind", "stand"))
    for kind, frame, thing in (("setup", net.job.setups, "instrument"), ("target", net.job.targets, "equipment")):
        at = np.flatnonzero(stand_kind == kind)
        out[at] = frame[thing].to_numpy(object)[pd.Index(frame[kind], dtype=object).get_indexer(stand[at])]
    return out


def _slant_radius(net: Network, thing: npt.NDArray[np.object_]) -> Floats:
    """Radius of the point each height was probably slanted to: the usual point of its equipment, else 0."""
    points = net.job.equipment[(net.job.equipment["point"] != "axis") & (net.job.equipment["radius"] > 0)]
    usual = points.sort_values("usual", kind="stable").groupby("equipment")["radius"].last()
    return usual.reindex(thing).fillna(0.0).to_numpy(float)
