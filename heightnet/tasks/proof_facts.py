"""What each height is proved against, as facts: the size of error that would show, what shows it least, and where."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from heightnet.arrays import Ints
from heightnet.judge.proof import KINDS
from heightnet.judge.reduction import UNTESTABLE

if TYPE_CHECKING:
    from heightnet.tasks.facts import JobFacts, Record

SHOWN_IN = 3  # observations told, those in which most of an error stays
PARTS = 200  # into which what stays of an error is divided: last digits, another on each processor, choose none
HOLDS = PARTS // 2  # fewer observations are told where they hold so much
AT_ONCE = 256


def proofs(facts: JobFacts) -> list[list[Record]]:
    """One list a stand, in the order of `Proof.stands`; each kind of error that there can be, in the usual order.

    In which observations an error would show is told in jobs of one neighbourhood.
    """
    proof, tolerance = facts.proof, facts.job.settings.test.tolerance_mm
    shown = {} if facts.large else _shown_in(facts, np.unique(proof.by[proof.by >= 0]))
    own = facts.family.ids
    out = []
    for size, by in zip((proof.size * 1000).tolist(), proof.by.tolist(), strict=True):
        out.append(
            [
                {
                    "kind": kind,
                    "found_mm": size[i] if np.isfinite(size[i]) else None,
                    "proved": bool(size[i] <= tolerance),
                    "least": str(own[by[i]]) if by[i] < len(own) else None,
                    "shown_in": shown.get(by[i], []) if np.isfinite(size[i]) else [],
                }
                for i, kind in enumerate(KINDS)
                if not np.isnan(size[i])
            ]
        )
    return out


def counted(facts: JobFacts) -> list[Record]:
    """How many heights can have an error of each kind, and in how many it would show within the tolerance."""
    size, tolerance = facts.proof.size * 1000, facts.job.settings.test.tolerance_mm
    return [
        {"kind": kind, "heights": int(np.sum(~np.isnan(of_kind))), "proved": int(np.sum(of_kind <= tolerance))}
        for kind, of_kind in zip(KINDS, size.T, strict=True)
    ]


def _shown_in(facts: JobFacts, columns: Ints) -> dict[int, list[str]]:
    """Ids of the observations in whose residuals most of each error stays, its own left out."""
    net, fit = facts.net, facts.fit
    P, edges = net.sd**-2.0, net.edge_count
    out: dict[int, list[str]] = {}
    for some in np.array_split(columns, 1 + len(columns) // AT_ONCE):
        C = facts.proof.C[:, some].toarray()
        left = C - net.A @ fit.solve(net.A.T @ (C * P[:, None]))
        part = (left**2 * P[:, None])[:edges]
        part /= np.maximum(np.einsum("mc,mc->c", left, left * P[:, None]), UNTESTABLE * (C**2).T @ P)
        part[C[:edges] != 0] = 0.0
        whole = np.floor(part * PARTS + 0.5 - 1e-6).astype(int)
        order = np.argsort(-whole, axis=0, kind="stable")[:SHOWN_IN]
        for i, column in enumerate(some.tolist()):
            held, rows = 0, []
            for row in order[:, i].tolist():
                if held >= HOLDS or not whole[row, i]:
                    break
                held += int(whole[row, i])
                rows.append(row)
            out[column] = list(dict.fromkeys(facts.single_ids[row] for row in rows))
    return out
