"""One blunder at a time: what a careful hand computation would do, kept as a second opinion."""

from __future__ import annotations

import numpy as np

from heightnet.arrays import Floats


def one_at_a_time(u: Floats, G: Floats, k: float, at_most: int = 20) -> tuple[int, ...]:
    """Free the largest |w| beyond k, adjust again, repeat; then drop whichever is no longer beyond k.

    Parameters
    ----------
    u, G : (c,), (c, c) of class representatives.

    Returns
    -------
    Positions freed, in the order they were.

    >>> one_at_a_time(np.array([9.0, 1.0]), np.eye(2), 3.0)
    (0,)
    """
    chosen: list[int] = []
    diagonal = np.diag(G)
    while len(chosen) < at_most:
        inner = G[np.ix_(chosen, chosen)]
        solved = np.linalg.solve(inner, G[chosen]) if chosen else np.zeros((0, len(u)))
        rest = diagonal - np.einsum("sc,sc->c", G[chosen], solved)
        free = rest > 1e-8 * diagonal
        left = u - u[chosen] @ solved
        w = np.where(free, np.abs(left) / np.sqrt(np.where(free, rest, 1.0)), 0.0)
        w[chosen] = 0.0
        if not len(w) or w.max() <= k:
            break
        chosen.append(int(np.argmax(w)))
        while len(chosen) > 1:
            covariance = np.linalg.inv(G[np.ix_(chosen, chosen)])
            now = np.abs(covariance @ u[chosen]) / np.sqrt(np.diag(covariance))
            if now[:-1].min() > k:
                break
            chosen.pop(int(np.argmin(now[:-1])))
    return tuple(chosen)
