"""Factorised in single precision: against plain least squares in double by numpy.linalg.lstsq."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.conventions import mode_count, mode_degrees
from scanproc.waves.algebra.least_squares import coefficients, nested_fit
from scanproc.waves.algebra.single_fit import single_fit
from scanproc.waves.directions import fibonacci_sphere
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import far_radial, outgoing_radial

ORDER = 22
ENDS = [mode_count(n) for n in range(ORDER + 3)]
WAVENUMBER = 55.0


def problem(near_m: float = 0.4) -> tuple[np.ndarray, np.ndarray]:
    """Outgoing terms at 3,000 points of an uneven surface, and data that they do not explain to the last."""
    rng = np.random.default_rng(5)
    direction = fibonacci_sphere(3000)
    radius = rng.uniform(near_m, 0.5, 3000)
    radial = outgoing_radial(ORDER + 2, WAVENUMBER * radius, WAVENUMBER * 0.45)
    basis = real_harmonics(ORDER + 2, direction) * radial.T[:, mode_degrees(ORDER + 2)]
    strength = rng.standard_normal((2, ENDS[-1])) / (1 + mode_degrees(ORDER + 2)) ** 2
    noise = 1e-3 * rng.standard_normal((2, 3000))
    data = basis @ (strength[0] + 1j * strength[1]) + noise[0] + 1j * noise[1]
    return np.asfortranarray(basis), data[:, None]


@pytest.mark.parametrize("near_m", [0.4, 0.28])
def test_one_truncation_is_that_of_double_precision(near_m: float) -> None:
    """To 1e-8 of the far field's size; the nearer points make the terms harder to tell apart."""
    basis, data = problem(near_m)
    fit = single_fit(basis, data, ENDS, ORDER)
    assert fit is not None
    end = ENDS[ORDER]
    truth = np.linalg.lstsq(basis[:, :end], data, rcond=None)[0]
    weight = np.abs(far_radial(ORDER, WAVENUMBER, WAVENUMBER * 0.45))[mode_degrees(ORDER)][:, None]
    missed = np.linalg.norm(weight * (coefficients(fit, ORDER) - truth))
    assert missed < 1e-8 * np.linalg.norm(weight * truth)


def test_errors_and_variances_of_every_order_are_near() -> None:
    basis, data = problem()
    fit, double = single_fit(basis, data, ENDS, ORDER), nested_fit(basis, data, ENDS)
    assert fit is not None
    assert np.abs(fit.held_out_db() - double.held_out_db()).max() < 0.01
    np.testing.assert_allclose(fit.leverage, double.leverage, atol=1e-4)
    np.testing.assert_allclose(fit.noise_power, double.noise_power, rtol=2e-3)
    np.testing.assert_allclose(fit.unit_variance, double.unit_variance, rtol=1e-3, atol=1e-12)


def test_real_columns() -> None:
    """A shell's harmonics."""
    rng = np.random.default_rng(6)
    direction = fibonacci_sphere(1500)
    ends = [mode_count(n) for n in range(26)]
    harmonics = real_harmonics(25, direction)
    strength = rng.standard_normal((2, ends[-1], 4)) / (1 + mode_degrees(25)[:, None]) ** 2
    noise = 1e-3 * rng.standard_normal((2, 1500, 4))
    data = harmonics @ (strength[0] + 1j * strength[1]) + noise[0] + 1j * noise[1]
    fit, double = single_fit(harmonics, data, ends), nested_fit(harmonics, data, ends)
    assert fit is not None
    assert fit.triangle.dtype == np.float32
    assert np.nanmax(np.abs(fit.held_out_db() - double.held_out_db())) < 0.01
    np.testing.assert_allclose(fit.noise_power, double.noise_power, rtol=2e-3)


def test_it_steps_aside_where_double_precision_is_needed() -> None:
    """Small problems, columns much alike, data without noise."""
    basis, data = problem()
    assert single_fit(basis[:600], data[:600], ENDS[:10], 5) is None
    alike = basis.copy()
    alike[:, 9] = alike[:, 8] + 1e-3 * alike[:, 9]
    assert single_fit(alike, data, ENDS, ORDER) is None
    alike[:, 9] = alike[:, 8]
    assert single_fit(alike, data, ENDS, ORDER) is None
    exact = basis @ np.linalg.lstsq(basis, data, rcond=None)[0]
    assert single_fit(basis, exact, ENDS, ORDER) is None
