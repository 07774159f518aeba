"""The collimation error of a level from a test by two pegs."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from heightnet.job.settings import Settings
from heightnet.reduce.sight import curvature_and_refraction


class TwoPeg(NamedTuple):
    """What a test gives.

    error, sd : the collimation error, radians: by how much the line of sight rises, so that a staff at distance d is
        read d * error too high; NaN where the distances leave it open, or one of them is not recorded.
    spare : readings more than needed.
    largest_residual : of a reading, m.
    """

    test: str
    rows: tuple[int, ...]
    when: str
    error: float
    sd: float
    spare: int
    largest_residual: float


def two_peg_tests(table: pd.DataFrame, settings: Settings) -> list[TwoPeg]:
    """Each test of a job, by least squares of reading = line of sight - peg + error * distance.

    table : the job's ``two_peg``, metres.

    From the midway set-up both pegs read alike too high, so their difference is true; from near one peg it is not.
    The usual reckoning by hand is the same where there are four readings:

    >>> from heightnet.job.settings import Settings
    >>> t = pd.DataFrame({"test": "", "level_setup": ["mid", "mid", "near", "near"], "peg": ["A", "B", "A", "B"],
    ...     "reading": [1.400, 1.700, 1.500, 1.812], "distance": [30.0, 30.0, 4.0, 64.0], "sd": 0.0005, "when": "",
    ...     "row": [2, 3, 4, 5]})
    >>> round(two_peg_tests(t, Settings())[0].error * 10_000, 1)  # mm at 10 m: (312 - 300) / 60 * 10
    2.0
    """
    return [_adjusted(str(test), rows, settings) for test, rows in table.groupby("test", sort=False)]


def _adjusted(test: str, rows: pd.DataFrame, settings: Settings) -> TwoPeg:
    distance, reading = rows["distance"].to_numpy(float), rows["reading"].to_numpy(float)
    if np.isnan(distance).any():
        distance = np.zeros(len(rows))  # alike: what the set-ups differ by is then left to the residuals
    sd = rows["sd"].fillna(settings.precision.staff_mm / 1000).to_numpy(float)
    bent = curvature_and_refraction(distance, settings.air.refraction, settings.earth.radius_m)
    setups, at = np.unique(rows["level_setup"].to_numpy(str), return_inverse=True)
    pegs, on = np.unique(rows["peg"].to_numpy(str), return_inverse=True)
    A = np.zeros((len(rows), len(setups) + len(pegs)))
    line = np.arange(len(rows))
    A[line, 0] = distance
    A[line, 1 + at] = 1.0
    rest = on > 0  # the first peg is where heights begin
    A[line[rest], len(setups) + on[rest]] = -1.0
    weighted, y = A / sd[:, None], (reading - bent) / sd
    x, _, rank, _ = np.linalg.lstsq(weighted, y, rcond=1e-9)
    others = np.linalg.matrix_rank(weighted[:, 1:], tol=1e-9 * np.abs(weighted).max())
    found = rank > others
    variance = np.linalg.pinv(weighted.T @ weighted, rcond=1e-12)[0, 0] if found else np.nan
    residual = float(np.abs(reading - bent - A @ x).max())
    when = next((w for w in rows["when"] if w), "")
    error = float(x[0]) if found else np.nan
    return TwoPeg(
        test, tuple(rows["row"].tolist()), when, error, float(np.sqrt(variance)), len(rows) - int(rank), residual
    )  # fmt: skip
