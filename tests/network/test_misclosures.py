"""Combinations of observations that no unknown can move."""

import numpy as np
import pytest
from scipy import linalg

from heightnet.network import build_network
from heightnet.network.misclosures import misclosures
from tests.shapes import shape
from tests.simulate.jobs import KINDS, simulate

JOBS = [lambda kind=kind: simulate(kind, 2)[0] for kind in KINDS]
SHAPES = [lambda name=name: shape(name, 2).job for name in ("book14", "mixed", "satellites", "loops3")]


@pytest.mark.parametrize("make", [*JOBS, *SHAPES])
def test_they_are_the_null_space_of_the_design_matrix(make):
    """As many as the redundancy, independent, and none moved by an unknown; scipy's null space of A' is the same."""
    net = build_network(make())
    B = misclosures(net).toarray()
    A = net.A.toarray()
    assert len(B) == A.shape[0] - A.shape[1]
    assert np.abs(B @ A).max(initial=0.0) < 1e-9
    other = linalg.null_space(A.T)
    assert np.linalg.matrix_rank(B) == len(B) == other.shape[1]
    through = other @ (other.T @ B.T)
    assert np.abs(through - B.T).max(initial=0.0) < 1e-8
