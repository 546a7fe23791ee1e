"""One factorisation against refits without a point, numpy.linalg.lstsq and a published small problem."""

from __future__ import annotations

from contextlib import nullcontext

import numpy as np
import pytest
from scipy.linalg import LinAlgError
from truth import rows

from scanproc.waves.algebra.least_squares import (
    all_coefficients,
    coefficients,
    functional_variance,
    nested_fit,
    orthogonalised,
    well_conditioned_factor,
)
from scanproc.waves.directions import fibonacci_sphere, unit_vectors
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import outgoing_radial

ENDS = [1, 4, 9, 16]


def small_problem():
    """The basis and data of tests/truth/leave_one_out.json."""
    i, k = np.arange(9.0)[:, None], np.arange(3.0)
    basis = np.cos((k + 1) * (i + 0.3)) + 1j * np.sin(i * (k + 2) / 2)
    return basis, (np.sin(3 * i + 1) + 1j * np.cos(i**2)).astype(complex)


def drawn(seed, *shape):
    pairs = np.random.default_rng(seed).standard_normal((*shape, 2))
    return pairs[..., 0] + 1j * pairs[..., 1]


def basis_of(kind):
    """40 points, order 3: real harmonics, or outgoing waves at varied radii."""
    draw = np.random.default_rng(3)
    direction = unit_vectors(np.arccos(draw.uniform(-1, 1, 40)), draw.uniform(0, 2 * np.pi, 40))
    harmonics = real_harmonics(3, direction)
    if kind == "real":
        return harmonics
    radial = outgoing_radial(3, draw.uniform(1.5, 2.5, 40), 2.0)
    return np.asfortranarray(harmonics * np.repeat(radial.T, [1, 3, 5, 7], axis=1))


def refit_errors(basis, data, end):
    """The residual of every point in the fit without it, (points, F)."""
    error = np.empty_like(data)
    for i in range(len(basis)):
        kept = np.arange(len(basis)) != i
        solution = np.linalg.lstsq(basis[kept, :end], data[kept], rcond=None)[0]
        error[i] = data[i] - basis[i, :end] @ solution
    return error


def test_published_leverage_and_leave_one_out():
    """Allen 1974, table loo_plain: r_i/(1-h_ii) is the residual of the fit without point i."""
    basis, data = small_problem()
    truth = rows("leave_one_out", "loo_plain")
    fit = nested_fit(basis, data, [3])
    np.testing.assert_allclose(fit.leverage[0], [row[1] for row in truth], rtol=1e-12)
    assert fit.held_out_power[0, 0] == pytest.approx(sum(row[3] ** 2 for row in truth), rel=1e-12)
    error = (data - basis @ coefficients(fit, 0))[:, 0] / (1 - fit.leverage[0])
    np.testing.assert_allclose(np.abs(error), [row[3] for row in truth], rtol=1e-12)


def test_published_leave_one_out_with_a_ridge():
    """Table loo_ridge; a ridge is three more rows √0.7·I with data zero."""
    basis, data = small_problem()
    truth = rows("leave_one_out", "loo_ridge")
    longer = np.concatenate([basis, np.sqrt(0.7) * np.eye(3)])
    fit = nested_fit(longer, np.concatenate([data, np.zeros((3, 1))]), [3])
    leverage = fit.leverage[0, :9]
    np.testing.assert_allclose(leverage, [row[1] for row in truth], rtol=1e-12)
    error = (data - basis @ coefficients(fit, 0))[:, 0] / (1 - leverage)
    np.testing.assert_allclose(np.abs(error), [row[3] for row in truth], rtol=1e-12)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_held_out_power_of_every_order_is_that_of_refits(kind):
    basis, data = basis_of(kind), drawn(4, 40, 3)
    fit = nested_fit(basis, data, ENDS)
    for index, end in enumerate(ENDS):
        truth = np.sum(np.abs(refit_errors(basis, data, end)) ** 2, axis=0)
        np.testing.assert_allclose(fit.held_out_power[index], truth, rtol=1e-10)
        db = 10 * np.log10(truth / np.sum(np.abs(data) ** 2, axis=0))
        np.testing.assert_allclose(fit.held_out_db()[index], db, atol=1e-9)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_orders_of_one_factorisation_equal_separate_solutions(kind):
    basis, data = basis_of(kind), drawn(5, 40, 100)
    fit = nested_fit(basis, data, ENDS)
    for index, end in enumerate(ENDS):
        truth = np.linalg.lstsq(basis[:, :end], data, rcond=None)[0]
        residual = data - basis[:, :end] @ truth
        np.testing.assert_allclose(coefficients(fit, index), truth, rtol=0, atol=1e-9 * np.abs(truth).max())
        np.testing.assert_allclose(
            fit.residual_power[index], np.sum(np.abs(residual) ** 2, axis=0), rtol=1e-9
        )


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_leverage_is_the_diagonal_of_the_hat_matrix(kind):
    basis = basis_of(kind)
    fit = nested_fit(basis, drawn(6, 40, 1), ENDS)
    for index, end in enumerate(ENDS):
        part = basis[:, :end]
        hat = part @ np.linalg.pinv(part)
        np.testing.assert_allclose(fit.leverage[index], np.diag(hat).real, rtol=1e-11)
        assert fit.leverage[index].sum() == pytest.approx(end, rel=1e-12)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_variances_are_those_of_the_inverse_gram_matrix(kind):
    basis = basis_of(kind)
    fit = nested_fit(basis, drawn(7, 40, 1), ENDS)
    functional = drawn(8, 5, 9)
    covariance = np.linalg.inv(basis[:, :9].conj().T @ basis[:, :9])
    np.testing.assert_allclose(fit.unit_variance[2, :9], np.diag(covariance).real, rtol=1e-11)
    truth = np.einsum("vi,ij,vj->v", functional, covariance, functional.conj()).real
    np.testing.assert_allclose(functional_variance(fit, 2, functional), truth, rtol=1e-11)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_all_truncations_come_from_one_inverse(kind):
    basis, data = basis_of(kind), drawn(5, 40, 10)
    fit = nested_fit(basis, data, ENDS)
    for end, found in zip(ENDS, all_coefficients(fit), strict=True):
        truth = np.linalg.lstsq(basis[:, :end], data, rcond=None)[0]
        np.testing.assert_allclose(found, truth, rtol=0, atol=1e-11 * np.abs(truth).max())


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_the_gram_matrix_is_factorised_up_to_a_condition_of_a_thousand(kind):
    """A column is made more and more alike to another; the condition by NumPy's singular values. The fit holds on."""
    basis, data = basis_of(kind), drawn(5, 40, 3)
    for likeness, badly in ((0.0, False), (1 - 1e-2, False), (1 - 1e-5, True), (1.0, True)):
        alike = basis.copy()
        alike[:, ENDS[1]] = likeness * alike[:, 0] + (1 - likeness) * alike[:, ENDS[1]]
        assert bool(np.linalg.cond(alike) > 300) is badly
        with pytest.raises(LinAlgError) if badly else nullcontext():
            well_conditioned_factor(alike)
        fit, whole = nested_fit(alike, data, ENDS), nested_fit(basis, data, ENDS)
        for index in range(2):
            np.testing.assert_allclose(fit.held_out_power[index], whole.held_out_power[index], rtol=1e-9)
            np.testing.assert_allclose(coefficients(fit, index), coefficients(whole, index), atol=1e-9)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_columns_of_any_length_are_told_apart(kind):
    """The second block is a million times longer, the third as much shorter: no digits are lost."""
    basis, data = basis_of(kind), drawn(5, 40, 2)
    length = np.repeat([1.0, 1e6, 1e-6, 1.0], np.diff([0, *ENDS]))
    well_conditioned_factor(basis * length)
    fit, whole = nested_fit(basis * length, data, ENDS), nested_fit(basis, data, ENDS)
    np.testing.assert_allclose(fit.held_out_power, whole.held_out_power, rtol=1e-9)
    truth = np.linalg.lstsq(basis, data, rcond=None)[0]
    np.testing.assert_allclose(coefficients(fit, 3) * length[:, None], truth, atol=1e-9)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_single_precision_is_near_double(kind):
    basis, data = basis_of(kind), drawn(5, 40, 3)
    single = nested_fit(basis.astype("f" if kind == "real" else "F"), data.astype("F"), ENDS)
    double = nested_fit(basis, data, ENDS)
    np.testing.assert_allclose(single.held_out_power, double.held_out_power, rtol=1e-3)
    np.testing.assert_allclose(single.projection, double.projection, atol=1e-4)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_noise_power_finds_the_variance_of_pure_noise(kind):
    """E|r_i|² = σ²(1-h_i), any text on least squares; 3000 draws of 40 points leave 0.4 % of chance."""
    data = 0.3 * drawn(9, 40, 3000)
    fit = nested_fit(basis_of(kind), data, ENDS)
    np.testing.assert_allclose(fit.noise_power.mean(axis=1), 2 * 0.3**2, rtol=0.02)


def test_columns_are_independent_of_how_many_there_are():
    basis, data = basis_of("real"), drawn(10, 40, 250)
    together = nested_fit(basis, data, ENDS)
    for column in (0, 95, 96, 191, 192, 249):
        alone = nested_fit(basis, data[:, [column]], ENDS)
        np.testing.assert_allclose(together.held_out_power[:, column], alone.held_out_power[:, 0], rtol=1e-12)
        np.testing.assert_allclose(
            coefficients(together, 3, np.array([column])), coefficients(alone, 3), atol=1e-13
        )


def test_data_and_basis_survive_unless_overwriting_is_allowed():
    basis, data = basis_of("real"), drawn(11, 40, 2)
    kept_basis, kept_data = basis.copy(), data.copy()
    nested_fit(basis, data, ENDS)
    np.testing.assert_array_equal(basis, kept_basis)
    np.testing.assert_array_equal(data, kept_data)


def test_a_field_within_the_basis_leaves_nothing():
    direction = fibonacci_sphere(200)
    basis = real_harmonics(8, direction)
    data = basis[:, :49] @ drawn(12, 49, 2)
    fit = nested_fit(basis, data, [(n + 1) ** 2 for n in range(9)])
    assert np.all(fit.held_out_db()[6:] < -280)
    assert np.all(fit.held_out_db()[5] > -40)


@pytest.mark.parametrize("kind", ["real", "complex"])
@pytest.mark.parametrize("condition", [1.0, 30.0, 900.0, 1e4, 1e9])
def test_both_ways_to_factorise_agree_with_householder_to_1e_8(kind, condition):
    """On both sides of the condition up to which the Gram matrix is used."""
    matrix = drawn(11, 60, 20)
    left, _, right = np.linalg.svd(matrix.real if kind == "real" else matrix, full_matrices=False)
    basis = left * np.geomspace(1, 1 / condition, 20) @ right
    orthogonal, triangle = orthogonalised(basis)
    want, _ = np.linalg.qr(basis)
    turn = np.sum(want.conj() * orthogonal, axis=0)  # each column up to a phase
    np.testing.assert_allclose(np.abs(turn), 1, atol=1e-8)
    np.testing.assert_allclose(orthogonal, want * turn, atol=1e-8)
    np.testing.assert_allclose(orthogonal.conj().T @ orthogonal, np.eye(20), atol=1e-8)
    np.testing.assert_allclose(orthogonal @ triangle, basis, atol=1e-12)
    assert np.all(np.tril(triangle, -1) == 0)
