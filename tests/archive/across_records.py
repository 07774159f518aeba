"""Records of jobs with known truth, made without any job: u = G b + noise of covariance G."""

from __future__ import annotations

from typing import Any

import numpy as np

from heightnet.archives.sums import REDUCED

EMPTY: dict[str, Any] = {
    "schema": REDUCED, "job": "invented", "date": None, "things": [], "heights": [], "own": [], "u": [],
    "G": [], "freed": [], "let_go": {}, "rates": {"setup": 0.02, "target": 0.01}, "evidence": {},
    "by": {"observer": {}, "method": {}, "equipment": {}}, "causes": {},
    "stands": {"all": 0, "tested": 0, "expected": 0.0},
}  # fmt: skip


def record(things: list[str], u: np.ndarray, G: np.ndarray, day: str | None = None, **more: Any) -> dict[str, Any]:
    """A record of these things; all that is not said is empty."""
    own = np.maximum(np.diag(G) * 3, 1e6).tolist()
    numbers = {"own": own, "u": u.tolist(), "G": G[np.triu_indices(len(things))].tolist()}
    return EMPTY | {"things": things, "heights": [4] * len(things), "date": day} | numbers | more


def drawn(
    rng: np.random.Generator, things: list[str], b: np.ndarray, day: str | None = None, sd: float = 0.001, rows: int = 0
) -> dict[str, Any]:
    """A job that sees random combinations of its things, each with a standard deviation of ``sd``, m."""
    X = rng.standard_normal((rows or len(things) + 1, len(things)))
    y = X @ b + sd * rng.standard_normal(len(X))
    return record(things, X.T @ y / sd**2, X.T @ X / sd**2, day)
