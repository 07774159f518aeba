"""What the adjustment sees: places with heights, and observations that tie two of them together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from heightnet.arrays import Floats, Ints
from heightnet.job.model import Job
from heightnet.kinds.registry import FIRST_KNOWLEDGE, code_of
from heightnet.network.separation import Separations, ends, satellite_lengths
from heightnet.reduce.sight import Sights


@dataclass(frozen=True)
class Nodes:
    """Every place with a height: the datum, then marks, then stands, then lines of sight of levels.

    kind : "datum", "mark", "setup", "target", "tripod", "level".
    name : as in the job.
    mark : node of the mark a stand stands over, -1 for none.
    column : its unknown, -1 where the height is held or nothing determines it.
    height : approximate height, m (the held one where it is held, NaN where nothing determines it).
    piece : label of the connected piece, the datum's is 0.
    """

    kind: npt.NDArray[np.object_]
    name: npt.NDArray[np.object_]
    mark: Ints
    column: Ints
    height: Floats
    piece: Ints

    def __len__(self) -> int:
        return len(self.name)


@dataclass(frozen=True)
class Piece:
    """A connected part of the job.

    tied : it hangs on a known height.
    datum : node held at 0 where it is not tied, else -1.
    """

    label: int
    tied: bool
    datum: int
    nodes: Ints


@dataclass(frozen=True)
class Network:
    """The least-squares problem y = A x + e of a job, about approximate heights.

    nodes : the places.
    kind : (m,) code of each observation's kind (`heightnet.kinds.registry.code_of`), rising: see ``rows``.
    tail, head : (m,) an edge observes height of head less height of tail; -1 for nuisance knowledge.
    rise : (m,) the observed difference, m, offsets of shared stands and recorded separations taken off.
    y : (m,) observed less approximate, m (for nuisances: 0).
    sd : (m,) standard deviation of y.
    source : (m,) position in the table of that kind.
    A : (m, n) design matrix; columns are the heights to be found, then refraction per session, then index errors, then
        errors of separations.  Each column that is no height has one row of knowledge beforehand, in the same order.
    readings : reduced readings with the stand's ``node`` and ``axis``, the source of the observations of heights.
    sights : the reduced shots.
    setup_node, target_node : stand of each set-up and target; ``*_axis``: its axis or centre above the stand's seat.
    shot_setup, shot_target : position of each shot's ends in the job's tables.
    sessions, indexed : refraction sessions and instruments with an index error, in column order.
    separations : those under antennas, with their unknowns.
    held : nodes of marks held exactly.
    undetermined : nodes that nothing ties to anything.
    tree : for each node the observation its approximate height came by, -1 for roots and held marks.
    """

    job: Job
    nodes: Nodes
    pieces: tuple[Piece, ...]
    kind: npt.NDArray[np.int8]
    tail: Ints
    head: Ints
    rise: Floats
    y: Floats
    sd: Floats
    source: Ints
    A: sparse.csr_matrix
    readings: pd.DataFrame
    sights: Sights
    setup_node: Ints
    target_node: Ints
    shot_setup: Ints
    shot_target: Ints
    setup_axis: Floats
    target_axis: Floats
    sessions: tuple[str, ...]
    indexed: tuple[str, ...]
    separations: Separations
    held: Ints
    undetermined: Ints
    notes: tuple[str, ...]
    tree: Ints

    def rows(self, kind: str) -> slice:
        """Where the observations of a kind stand, or the knowledge of a kind of nuisance."""
        code = code_of(kind)
        return slice(int(np.searchsorted(self.kind, code)), int(np.searchsorted(self.kind, code, side="right")))

    @property
    def edge_count(self) -> int:
        """Observations that tie two nodes; they come first."""
        return int(np.searchsorted(self.kind, FIRST_KNOWLEDGE))

    @property
    def heights(self) -> int:
        """Number of columns that are heights; the nuisances follow."""
        return self.A.shape[1] - (len(self.y) - self.edge_count)

    @property
    def antennas(self) -> npt.NDArray[np.bool_]:
        """(set-ups,) which of the job's set-ups are satellite antennas."""
        gnss = self.job.gnss
        return np.asarray(self.job.setups["setup"].isin({*gnss["from_setup"], *gnss["to_setup"]}), dtype=bool)

    @property
    def satellite_marks(self) -> tuple[npt.NDArray[np.object_], npt.NDArray[np.object_]]:
        """(gnss,) marks under both antennas of each satellite row, "" for none."""
        return ends(self.job)

    @property
    def satellite_lengths(self) -> Floats:
        """(gnss,) horizontal distance between the marks of each satellite rise, m; NaN where it is not known."""
        return satellite_lengths(self.job)
