"""`adjust` against dense least squares of numpy and against statsmodels, by both ways of factorising."""

import numpy as np
import pytest
import scipy.sparse as sp
from adjust_networks import difference_network

from heightnet.adjust import NotDetermined, adjust
from heightnet.adjust import fit as fit_module


@pytest.fixture(params=["dense", "sparse"])
def path(request, monkeypatch):
    """Both ways of factorising, whatever the size."""
    monkeypatch.setattr(fit_module, "DENSE_UP_TO", 10**9 if request.param == "dense" else -1)
    return request.param


def made_up(nodes):
    rng = np.random.default_rng(nodes)
    later = np.arange(1, nodes)
    i = np.concatenate([rng.integers(0, later), rng.integers(0, nodes, nodes)])
    j = np.concatenate([later, (i[nodes - 1 :] + rng.integers(1, nodes, nodes)) % nodes])
    return rng, *difference_network(rng, i, j, nodes, rng.uniform(1e-3, 1e-2, len(i)), wide=2)


@pytest.mark.parametrize("nodes", [3, 20, 120])
def test_against_dense_algebra(path, nodes):
    rng, A, y, sd = made_up(nodes)
    fit = adjust(A, y, sd)
    W = A.toarray() / sd[:, None]
    x = np.linalg.lstsq(W, y / sd, rcond=None)[0]
    cofactor = np.linalg.inv(W.T @ W)
    left = np.eye(len(y)) - W @ cofactor @ W.T
    np.testing.assert_allclose(fit.x, x, atol=1e-10)
    np.testing.assert_allclose(fit.sd_x, np.sqrt(np.diag(cofactor)), rtol=1e-9)
    np.testing.assert_allclose(fit.v, y - A @ x, atol=1e-10)
    np.testing.assert_allclose(fit.r, np.diag(left), atol=1e-11)
    np.testing.assert_allclose(fit.log_det, np.linalg.slogdet(W.T @ W)[1], rtol=1e-10)
    np.testing.assert_allclose(fit.chi2, np.sum(((y - A @ x) / sd) ** 2), rtol=1e-9)
    assert fit.dof == A.shape[0] - A.shape[1]
    B = rng.normal(size=(A.shape[1], 3))
    np.testing.assert_allclose(fit.solve(B), cofactor @ B, rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(fit.solve(B[:, 0]), cofactor @ B[:, 0], rtol=1e-8, atol=1e-10)
    np.testing.assert_allclose(fit.solve(sp.csc_array(B)), cofactor @ B, rtol=1e-8, atol=1e-10)
    C = sp.csc_array(rng.random((len(y), 7)) * (rng.random((len(y), 7)) < 0.2))
    u, G = fit.reduce(C)
    whitened = C.toarray() / sd[:, None]
    np.testing.assert_allclose(G, whitened.T @ left @ whitened, atol=1e-9 * np.abs(G).max())
    np.testing.assert_allclose(u, whitened.T @ ((y - A @ x) / sd), atol=1e-9 * np.abs(u).max())
    u2, diagonal = fit.reduce_diagonal(C)
    np.testing.assert_allclose(u2, u)
    np.testing.assert_allclose(diagonal, np.diag(G), atol=1e-9 * np.abs(G).max())


def test_against_statsmodels(path):
    """Rows whitened by hand, since the influence of a weighted fit is not what one would expect there."""
    from statsmodels.regression.linear_model import OLS

    _, A, y, sd = made_up(30)
    fit = adjust(A, y, sd)
    reference = OLS(y / sd, A.toarray() / sd[:, None]).fit()
    np.testing.assert_allclose(fit.x, reference.params, atol=1e-9)
    np.testing.assert_allclose(fit.r, 1.0 - reference.get_influence().hat_matrix_diag, atol=1e-10)
    np.testing.assert_allclose(fit.variance_factor, reference.scale, rtol=1e-9)
    np.testing.assert_allclose(fit.sd_x * np.sqrt(fit.variance_factor), reference.bse, rtol=1e-8)


def test_names_what_is_not_determined(path):
    # columns 0-1 hang on a datum, 2-3 on each other only, 4 on nothing
    A = np.array([[1.0, 0, 0, 0, 0], [-1, 1, 0, 0, 0], [0, 0, 1, -1, 0], [0, 0, 1, -1, 0], [0, 1, 0, 0, 0]])
    with pytest.raises(NotDetermined) as error:
        adjust(A, np.zeros(5), np.ones(5))
    assert error.value.columns == (2, 3, 4)


def test_names_columns_in_fixed_proportion(path):
    # no piece hangs free, but columns 1 and 2 only occur together
    rng = np.random.default_rng(3)
    a, b = rng.normal(size=8), rng.normal(size=8)
    A = np.column_stack([a, b, 2.5 * b])
    with pytest.raises(NotDetermined) as error:
        adjust(A, np.zeros(8), np.ones(8))
    assert error.value.columns == (1, 2)


def test_no_unknowns_at_all():
    fit = adjust(sp.csr_array((3, 0)), [1.0, 2.0, 2.0], np.ones(3))
    assert fit.dof == 3
    assert fit.chi2 == pytest.approx(9.0)
    np.testing.assert_array_equal(fit.r, 1.0)


def test_no_redundancy():
    fit = adjust([[1.0, 0.0], [-1.0, 1.0]], [1.0, 2.0], [1.0, 1.0])
    np.testing.assert_allclose(fit.x, [1.0, 3.0])
    np.testing.assert_allclose(fit.r, 0.0, atol=1e-15)
    assert np.isnan(fit.variance_factor)


@pytest.mark.parametrize(("y", "sd"), [([1.0], [1.0, 1.0]), ([1.0, np.nan], [1.0, 1.0]), ([1.0, 2.0], [1.0, 0.0])])
def test_refuses_arrays_that_make_no_sense(y, sd):
    with pytest.raises(ValueError, match=r"rows differ|finite"):
        adjust([[1.0], [1.0]], y, sd)


def test_residuals_without_a_change_are_those_of_the_changed_observations():
    rng = np.random.default_rng(2)
    A, y, sd = rng.normal(size=(12, 4)), rng.normal(size=12), rng.uniform(0.5, 2.0, 12)
    change, other = rng.normal(size=12), rng.normal(size=12)
    fit = adjust(A, y, sd)
    once = fit.residuals_without(change)
    np.testing.assert_allclose(once, adjust(A, y - change, sd).v, atol=1e-12)
    np.testing.assert_allclose(fit.residuals_without(other, once), adjust(A, y - change - other, sd).v, atol=1e-12)
