"""Formulas of covariances against their definitions, drawn numbers and dense algebra."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.linalg

from trackbal.base import covariance as c


@pytest.fixture
def rng():
    return np.random.default_rng(7)


def complex_matrix(rng, *shape):
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def test_a_complex_map_acts_on_parts_as_on_numbers(rng):
    matrix, values = complex_matrix(rng, 3, 4, 5), complex_matrix(rng, 3, 5)
    moved = np.einsum("cij,cj->ci", c.real_map(matrix), c.real_parts(values))
    np.testing.assert_allclose(c.from_real_parts(moved), np.einsum("cij,cj->ci", matrix, values), rtol=1e-12)


def test_circular_covariance_is_that_of_the_parts_of_turned_numbers(rng):
    root = complex_matrix(rng, 3, 3)
    cov = root @ root.conj().T
    turns = np.exp(2j * np.pi * np.arange(8) / 8)  # the mean over turned columns is a circular law's covariance
    drawn = c.real_parts((root[:, :, None] * turns).reshape(3, -1).T)
    np.testing.assert_allclose(c.circular_cov(cov), drawn.T @ drawn / 8, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(c.complex_cov(c.circular_cov(cov)), cov, rtol=1e-12)


def test_complex_covariance_of_parts_that_are_not_circular(rng):
    drawn = rng.normal(size=(50, 4)) @ rng.normal(size=(4, 4))
    values = c.from_real_parts(drawn)
    np.testing.assert_allclose(c.complex_cov(drawn.T @ drawn), values.T @ values.conj(), rtol=1e-12)


def test_root_of_a_singular_covariance(rng):
    half = rng.normal(size=(2, 4, 2))
    cov = half @ half.swapaxes(-1, -2)
    symmetric = c.symmetric_root(cov)
    np.testing.assert_allclose(symmetric @ symmetric, cov, atol=1e-12)
    np.testing.assert_allclose(symmetric, symmetric.swapaxes(-1, -2), atol=1e-12)


def test_scaling_to_a_unit_diagonal_leaves_rows_without_variance():
    scaled, size = c.scaled_to_unit(np.array([[4.0, 1.0, 0.0], [1.0, 9.0, 0.0], [0.0, 0.0, 0.0]]))
    np.testing.assert_allclose(size, [2.0, 3.0, 1.0])
    np.testing.assert_allclose(scaled, [[1.0, 1 / 6, 0.0], [1 / 6, 1.0, 0.0], [0.0, 0.0, 0.0]])


@pytest.mark.parametrize(
    ("cov", "positive"),
    [
        ([[1.0, 1.0], [1.0, 1.0]], True),
        ([[1.0, 1.1], [1.1, 1.0]], False),
        ([[0.0, 0.0], [0.0, 0.0]], True),
        ([[0.0, 0.1], [0.1, 0.0]], False),
        ([[1e-12, 0.0], [0.0, 1.0]], True),
        ([[1.0, 1.0 + 1.5e-9], [1.0 + 1.5e-9, 1.0]], True),  # eigenvalues 2 and -1.5e-9
        ([[1.0, 1.0 + 2.5e-9], [1.0 + 2.5e-9, 1.0]], False),
        ([[1e6, 0.0], [0.0, -3e-3]], False),  # rounding is judged against the largest variance, in any unit
        ([[1e6, 0.0], [0.0, -3e-4]], True),
        ([[1e-6, 0.0], [0.0, -3e-15]], False),
        ([[1e-6, 0.0], [0.0, -3e-16]], True),
    ],
)
def test_positive_semidefinite(cov, positive):
    assert bool(c.is_positive(np.array(cov))) is positive


def test_squared_distance():
    assert c.squared_distance(np.array([3.0, 4.0]), np.diag([9.0, 4.0])) == pytest.approx(5.0, rel=1e-14)
    assert c.squared_distance(np.array([3e-3, 4e-3]), np.diag([9e-6, 4e-6])) == pytest.approx(5.0, rel=1e-14)
    assert np.isnan(c.squared_distance(np.array([3.0, 4.0]), np.diag([9.0, 0.0])))


def test_masks():
    known = np.array([True, False, True])
    assert c.pairs(known).sum() == 4
    assert c.of_both_parts(known).tolist() == [True, True, False, False, True, True]


@pytest.mark.parametrize("size", [2, 3, 4, 5, 8])
def test_contrasts_are_helmerts(size):
    np.testing.assert_allclose(c.contrasts(size), scipy.linalg.helmert(size), rtol=1e-15, atol=0)
    np.testing.assert_allclose(c.contrasts(size).T @ c.contrasts(size), c.centring(size), atol=1e-15)
    np.testing.assert_allclose(c.centring(size) @ np.arange(size), np.arange(size) - (size - 1) / 2, atol=1e-15)


def test_mixed_sums_are_those_of_the_whole_covariance(rng):
    jobs, runs, columns, sigma2 = 3, 7, 2, 0.3
    x, y = complex_matrix(rng, jobs, runs, columns), complex_matrix(rng, jobs, runs)
    weight, spread, alpha = rng.integers(1, 4, size=runs), np.array([0.4, 2.0]), complex_matrix(rng, columns)
    gram = np.einsum("jta,t,jtb->jab", x.conj(), weight, x)
    moment, squares = np.einsum("jta,t,jt->ja", x.conj(), weight, y), np.abs(y) ** 2 @ weight
    information, score = c.mixed_sums(gram, moment, spread, sigma2)
    full = c.full_mixed_matrix(gram, np.diag(spread), sigma2)
    np.testing.assert_allclose(c.mixed_matrix(gram, spread, sigma2), full, rtol=1e-12)
    np.testing.assert_allclose(c.mixed_matrix(gram[None], spread[None], np.array([sigma2]))[0], full, rtol=1e-12)
    remaining, left = c.residual_sums(gram, moment, squares, alpha)
    for j in range(jobs):
        whole = np.linalg.inv(x[j] * spread @ x[j].conj().T + np.diag(sigma2 / weight))
        np.testing.assert_allclose(information[j], x[j].conj().T @ whole @ x[j], rtol=1e-9)
        np.testing.assert_allclose(score[j], x[j].conj().T @ whole @ y[j], rtol=1e-9)
        residual = y[j] - x[j] @ alpha
        np.testing.assert_allclose(remaining[j], x[j].conj().T @ (weight * residual), rtol=1e-9)
        np.testing.assert_allclose(left[j], np.abs(residual) ** 2 @ weight, rtol=1e-9)


def test_what_coefficients_leave_by_hand():
    """One real column 1, 2 and readings 1, 1 with the coefficient 1: left are 0 and -1, of square 1."""
    remaining, left = c.residual_sums(np.array([[5.0 + 0j]]), np.array([3.0 + 0j]), np.array(2.0), np.array([1.0 + 0j]))
    assert remaining == pytest.approx([-2.0])  # 1 * 0 + 2 * (-1)
    assert left == pytest.approx(1.0)


def test_positive_semidefinite_side_by_side():
    """Each is judged by its own scale, as by itself."""
    covs = np.array(
        [np.diag([1e6, -3e-3]), np.diag([1e6, -3e-4]), np.zeros((2, 2)), np.eye(2), [[0.0, 0.1], [0.1, 0.0]]]
    )
    assert c.is_positive(covs).tolist() == [False, True, True, True, False]
