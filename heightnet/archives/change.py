"""Did a thing change?  A step at an unknown date, tried at every date that its jobs leave open.

The step is a column of its own: 1 on this thing in every job from a day on.  Freed beside everything else in the mixed
model, it has u, information n and w = u / sqrt(n) like any hypothesis.  The largest |w| over all days is held against
what it reaches by chance, which is more than one test does: by the bound of Hunter and Worsley (Worsley 1982,
Biometrika 69:297, from memory),

    P(max |w| > k) <= sum P(|w_T| > k) - sum P(|w_T| > k and |w_T+1| > k)

over neighbouring days, the pairs by Owen's T from the correlation of the two tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, owens_t

from heightnet.archives.mixed import Model, Piece
from heightnet.archives.sums import TimeLine
from heightnet.arrays import Floats

LEAST_JOBS = 8  # dated, of a thing, for a change to be looked for
LEAST_EACH_SIDE = 3
LEAST_LEFT = 1e-3  # part of a step's information that the other things must leave
SURE = 0.95  # probability of the dates given


@dataclass(frozen=True)
class Step:
    """A change: the largest test and its level, and the days between which it lies.

    size, sd : after less before, m (or the thing's unit).
    last_before, first_after : days of the jobs on either side of the likeliest date.
    from_day, to_day : last day before and first day after, of the dates that together have probability `SURE`.
    chance : bound of the chance of such a test anywhere on the time line if nothing changed.
    """

    size: float
    sd: float
    w: float
    chance: float
    last_before: int
    first_after: int
    from_day: int
    to_day: int
    jobs_before: int
    jobs_after: int


def scan_level(k: float, neighbours: Floats) -> float:
    """Bound of P(max |w| > k) for a chain of standard normal tests whose neighbours correlate so; at most 1.

    >>> round(scan_level(1.96, np.array([])), 3), round(scan_level(1.96, np.array([1.0])), 3)
    (0.05, 0.05)
    >>> round(scan_level(1.96, np.array([0.0])), 4)  # two independent tests: 1 - 0.95^2
    0.0975
    """
    one = 2 * ndtr(-k)
    rho = np.clip(neighbours, -1.0, 1.0)

    def beyond(r: Floats) -> Floats:  # P(x > k and y > k)
        with np.errstate(divide="ignore"):
            return np.asarray(ndtr(-k) - 2 * owens_t(k, np.sqrt((1 - r) / (1 + r))))

    both = 2 * (beyond(rho) + beyond(-rho)) if len(rho) else np.zeros(0)
    return float(min(1.0, one * (1 + len(rho)) - both.sum()))


def find_step(model: Model, piece: Piece, thing: int, line: TimeLine) -> Step | None:
    """The likeliest change of a thing (by position) and how much of it chance explains; None where none can be seen."""
    partners, u, rows, days = line.table()
    jobs = days[:, 2]
    if jobs.sum() < LEAST_JOBS or len(jobs) < 2:
        return None
    # from the end: what a step from each bin on would gather
    u_after, rows_after = u[::-1].cumsum()[::-1][1:], rows[::-1].cumsum(axis=0)[::-1][1:]
    jobs_after = jobs[::-1].cumsum()[::-1][1:]
    open_ = (jobs_after >= LEAST_EACH_SIDE) & (jobs.sum() - jobs_after >= LEAST_EACH_SIDE)
    u_after, rows_after, at = u_after[open_], rows_after[open_], np.flatnonzero(open_)
    if not len(at):
        return None
    place = {int(i): k for k, i in enumerate(piece.at)}
    g = np.zeros((len(piece.at), len(at)))
    g[[place[int(i)] for i in partners]] = rows_after.T
    own = rows_after[:, int(np.flatnonzero(partners == thing)[0])]
    V = model.within(piece, g)
    # two steps share the jobs after the later one
    later = np.maximum(np.arange(len(at))[:, None], np.arange(len(at))[None, :])
    n = own[later] - g.T @ V
    score = u_after - g.T @ model.predicted[piece.at]
    diagonal = np.diag(n).copy()
    good = diagonal > LEAST_LEFT * own
    if not good.any():
        return None
    n, score, diagonal, at = n[np.ix_(good, good)], score[good], diagonal[good], at[good]
    w = score / np.sqrt(diagonal)
    rho = np.diag(n, 1) / np.sqrt(diagonal[:-1] * diagonal[1:])
    best = int(np.argmax(np.abs(w)))
    gap = days[at + 1, 0] - days[at, 1]
    log_weight = 0.5 * w**2 - 0.5 * np.log(diagonal) + np.log(np.maximum(gap, 1))
    weight = np.exp(log_weight - log_weight.max())
    order = np.argsort(-weight, kind="stable")
    enough = int(np.searchsorted(np.cumsum(weight[order]), SURE * weight.sum())) + 1
    likely = at[order[:enough]]
    after = int(jobs[at[best] + 1 :].sum())
    return Step(
        size=float(score[best] / diagonal[best]),
        sd=float(diagonal[best] ** -0.5),
        w=float(w[best]),
        chance=scan_level(float(abs(w[best])), rho),
        last_before=int(days[at[best], 1]),
        first_after=int(days[at[best] + 1, 0]),
        from_day=int(days[likely.min(), 1]),
        to_day=int(days[likely.max() + 1, 0]),
        jobs_before=int(jobs.sum()) - after,
        jobs_after=after,
    )
