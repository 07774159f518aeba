"""A satellite rise between two antennas, or the height of one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from heightnet.kinds import slips, written
from heightnet.kinds.cause import Cause, Evidence
from heightnet.kinds.kind import DATUM, Columns, Edges, Group, Kind, Shared, Words, by_name, or_none
from heightnet.kinds.records import Records
from heightnet.ledger.thing import Thing

if TYPE_CHECKING:
    from heightnet.network.build import Ties
    from heightnet.network.model import Network

POOR_SOLUTION = 0.10  # how far off a satellite solution that is no good usually is, m

SIGN = Cause("sign", "the wrong sign", 0.08, slips.wrong_sign)  # of a rise from the wrong end too
CAUSES = (
    Cause("solution", "the satellite solution: reflections, few satellites or ambiguities", 0.40,
          slips.usually(POOR_SOLUTION)),
    Cause("phase_left_out", "a phase-centre offset left out of this solution", 0.08, slips.phase_centre(1)),
    Cause("phase_twice", "a phase-centre offset applied twice in this solution", 0.08, slips.phase_centre(-1)),
    SIGN,
    written.TRANSPOSED,
)  # fmt: skip


def evidence(records: Records, thing: Thing) -> Evidence:
    """About a rise or a height, with the phase centres of its antennas: at its end it is too high by them."""
    row = records.row("gnss", thing.row)
    phases = []
    for column, side in (("to_setup", 1.0), ("from_setup", -1.0)):
        points = records.points(records.equipment_of("setup", row[column])) if row[column] else ()
        if points and (phase := slips.phase_of(points)) is not None:
            phases.append((side * phase[0], 0.0))
    recorded = float(row["rise"] if row["from_setup"] else row["height"])
    return Evidence("gnss", recorded, readings=records.written(recorded), phases=tuple(phases))


def edges(ties: Ties) -> Edges:
    """Z_to - Z_from = rise - (N_to - N_from), or Z_to = height - N_to from the datum, N the separations."""
    gnss = ties.job.gnss
    at, to = (ties.setup_at(gnss[column]) for column in ("from_setup", "to_setup"))
    node, axis = np.append(ties.setup_node, DATUM), np.append(ties.setup_axis, 0.0)
    geoid = ties.separations.rise(ties.job)
    return Edges(
        node[at],
        node[to],
        gnss["rise"].fillna(gnss["height"]).to_numpy(float) - geoid - (axis[to] - axis[at]),
        gnss["sd"].fillna(ties.job.settings.precision.gnss_mm / 1000).to_numpy(float),
        np.arange(len(gnss)),
    )


def common(net: Network) -> Iterator[Group]:
    """All antenna heights of one observer, all heights of one session.

    Rises between antennas cancel what the antennas at both ends have in common.
    """
    readings, rows = net.readings, net.rows("height")
    antennas = net.job.setups["setup"].to_numpy(object)[net.antennas]
    of_antenna = (readings["stand_kind"] == "setup").to_numpy() & readings["stand"].isin(set(antennas)).to_numpy()
    observer = readings["by"].to_numpy(object)
    for name, at in by_name(observer, of_antenna & (observer != "")):
        yield "antenna_observer", name, rows.start + at, np.ones(len(at)), np.nan
    rows = net.rows("gnss")
    session = net.job.gnss["session"].to_numpy(object)
    for name, at in by_name(session, (net.tail[rows] == DATUM) & (session != "")):
        yield "gnss_session", name, rows.start + at, np.ones(len(at)), np.nan


def told(net: Network) -> Columns:
    gnss = net.job.gnss
    start, end = net.satellite_marks
    return {
        "from": or_none(gnss["from_setup"]),
        "to": gnss["to_setup"].to_numpy(object),
        "from_mark": or_none(start),
        "to_mark": or_none(end),
        "separation_m": net.separations.rise(net.job),
        "length_m": net.satellite_lengths,
    }


KIND = Kind(
    "gnss", ("gnss",), CAUSES, evidence, table="gnss", edges=edges, rate="gnss",
    length=lambda net: np.nan_to_num(net.satellite_lengths), common=common, told=told,
    line=("from_mark", "to_mark", "length_m"),
    words={"gnss": Words("satellite height", cell="satellite")},
    shared={
        "antenna_observer": Shared(
            "every antenna height taped by {name}", "one antenna height taped by another person"
        ),
        "gnss_session": Shared(
            "every satellite height of session {name}",
            "the height of one of these antennas observed again in another session",
        ),
    },
)  # fmt: skip
