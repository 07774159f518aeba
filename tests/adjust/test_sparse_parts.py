"""The parts of the sparse core, each against numpy's dense inverse."""

import numpy as np
import pytest
import scipy.sparse as sp
from scipy.sparse.linalg import splu

from heightnet.adjust.contraction import contract
from heightnet.adjust.defects import ties
from heightnet.adjust.elimination import Round, eliminate
from heightnet.adjust.selected import SPLU, Supernodes, selected_inverse
from heightnet.adjust.symmetric import Symmetric, row_pairs


def random_definite(rng, n, pairs):
    """Diagonally dominant, entries of both signs."""
    a, b = rng.integers(0, n, pairs), rng.integers(0, n, pairs)
    a, b = a[a != b], b[a != b]
    value = rng.normal(size=len(a))
    diagonal = np.full(n, 0.1) + np.bincount(a, np.abs(value), n) + np.bincount(b, np.abs(value), n)
    return Symmetric.from_pairs(diagonal, a, b, value)


def on_pattern(matrix, dense):
    return dense[matrix.rows(), matrix.upper.indices]


@pytest.mark.parametrize(("n", "pairs"), [(1, 0), (2, 1), (30, 20), (60, 60), (200, 500), (300, 300)])
def test_elimination_and_its_way_back(n, pairs):
    rng = np.random.default_rng(n)
    matrix = random_definite(rng, n, pairs)
    dense = matrix.full().toarray()
    traces, core = eliminate(matrix, enough=0)
    left = np.linalg.inv(core.full().toarray()) if len(core.diagonal) else np.empty((0, 0))
    inverse = core.like(np.diag(left).copy(), on_pattern(core, left))
    for trace in reversed(traces):
        inverse = trace.expand(inverse)
    expected = np.linalg.inv(dense)
    np.testing.assert_allclose(inverse.diagonal, np.diag(expected), rtol=1e-11)
    np.testing.assert_allclose(inverse.upper.data, on_pattern(matrix, expected), atol=1e-12)
    B = rng.normal(size=(n, 2))
    rounds = [Round.of(trace) for trace in traces]
    down = [B]
    for step in rounds:
        down.append(step.forward(down[-1]))
    X = left @ down.pop()
    for step in reversed(rounds):
        X = step.backward(down.pop(), X)
    np.testing.assert_allclose(X, expected @ B, atol=1e-11)


@pytest.mark.parametrize(("n", "pairs"), [(1, 0), (5, 4), (40, 60), (200, 800), (400, 400)])
def test_selected_inverse(n, pairs):
    matrix = random_definite(np.random.default_rng(n), n, pairs)
    inverse = selected_inverse(splu(matrix.full(), **SPLU), matrix)
    expected = np.linalg.inv(matrix.full().toarray())
    np.testing.assert_allclose(inverse.diagonal, np.diag(expected), rtol=1e-11)
    np.testing.assert_allclose(inverse.upper.data, on_pattern(matrix, expected), atol=1e-12)


def test_selected_inverse_where_entries_cancel():
    # eliminating 0 puts -(1 * 1) / 2 between 1 and 2, where the matrix has +1/2: the factor loses the entry
    a, b = np.array([0, 0, 1, 1, 2, 3]), np.array([1, 2, 2, 3, 4, 4])
    value = np.array([1.0, 1.0, 0.5, 1.0, 1.0, 0.0])
    matrix = Symmetric.from_pairs(np.array([2.0, 4.0, 4.0, 4.0, 4.0]), a, b, value)
    lu = splu(matrix.full(), **(SPLU | {"permc_spec": "NATURAL"}))
    L = lu.L
    L.sort_indices()
    assert L[2, 1] == 0.0
    inverse = selected_inverse(lu, matrix)
    expected = np.linalg.inv(matrix.full().toarray())
    np.testing.assert_allclose(inverse.diagonal, np.diag(expected), rtol=1e-13)
    np.testing.assert_allclose(inverse.upper.data, on_pattern(matrix, expected), atol=1e-15)


def test_supernodes_of_a_full_matrix_are_one():
    L = sp.csc_array(np.tril(np.ones((6, 6))))
    tree = Supernodes.of(L)
    assert tree is not None
    assert tree.width.tolist() == [6]
    assert tree.level().tolist() == [0]


def test_row_pairs_and_gram():
    rng = np.random.default_rng(0)
    W = sp.csr_array(rng.random((40, 12)) * (rng.random((40, 12)) < 0.25))
    gram = Symmetric.gram(W)
    np.testing.assert_allclose(gram.full().toarray(), (W.T @ W).toarray(), atol=1e-15)
    assert sum(a.size for _, a, _, _ in row_pairs(W)) == sum(k * (k - 1) // 2 for k in np.diff(W.indptr))
    dense = gram.full().toarray()
    np.testing.assert_allclose(gram.quadratic(W), np.einsum("ij,jk,ik->i", W.toarray(), dense, W.toarray()), atol=1e-13)
    assert gram.covers(W).all()
    wanted = sp.csr_array(np.ones((1, 12)))
    assert gram.covers(wanted).tolist() == [gram.upper.nnz == 66]


def test_ties_are_exactly_opposite_entries():
    A = sp.csr_array(
        np.array([[1.0, -1.0, 0.0, 0.3], [0.0, 2.0, 0.5, -2.0], [1.0, 1.0, 0.0, 0.0], [0.0, 0.0, 4.0, 0.0]])
    )
    found = ties(A)
    assert found.row.tolist() == [0, 1]
    assert found.i.tolist() == [0, 1]
    assert found.j.tolist() == [1, 3]
    assert found.size.tolist() == [1.0, 2.0]


def test_contraction_of_tight_ties():
    # 1 and 2 tied to 0.01 mm, 3 and 4 too, all hung up at 100 mm; 0 hangs tightly on the datum and stays
    A = sp.csr_array(
        [[1, 0, 0, 0, 0], [-1, 1, 0, 0, 0], [0, -1, 1, 0, 0], [0, 0, -1, 1, 0], [0, 0, 0, -1, 1], [-1, 0, 0, 0, 1.0]]
    )
    tight, loose = 1e-5, 0.1
    T = contract(A, np.array([tight, loose, tight, loose, tight, loose]), ties(A))
    assert T is not None
    np.testing.assert_array_equal(
        T.toarray(), [[1, 0, 0, 0, 0], [0, 1, 0, 0, 0], [0, 1, 1, 0, 0], [0, 0, 0, 1, 0], [0, 0, 0, 1, 1]]
    )
    assert contract(A, np.full(6, 1e-3), ties(A)) is None


def test_contraction_of_clusters_within_clusters():
    A = sp.csr_array([[1.0, 0, 0, 0], [-1, 1, 0, 0], [0, -1, 1, 0], [0, 0, -1, 1], [0, 0, 1, -1]])
    T = contract(A, np.array([10.0, 1e-2, 1e-5, 1e-2, 1e-2]), ties(A))
    assert T is not None
    np.testing.assert_array_equal(T.toarray(), [[1, 0, 0, 0], [1, 1, 0, 0], [1, 1, 1, 0], [1, 0, 0, 1]])


def test_no_last_digit_decides_what_is_contracted():
    """A weight of exactly a power of ten stands where clusters begin: a millimetre, 0.01 mm."""
    A = sp.csr_array([[1.0, 0, 0, 0], [-1, 1, 0, 0], [0, -1, 1, 0], [0, 0, -1, 1], [0, 0, 1, -1]])
    sd = np.array([10.0, 1e-3, 1e-5, 1e-3, 1e-2])
    T = contract(A, sd, ties(A))
    assert T is not None
    for towards in (0.0, 1.0):
        nudged = contract(A, np.nextafter(np.nextafter(sd, towards), towards), ties(A))
        np.testing.assert_array_equal(nudged.toarray(), T.toarray())
