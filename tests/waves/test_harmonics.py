"""Real harmonics against a 50-digit table, two general-purpose libraries, closed forms and quadrature."""

from __future__ import annotations

import numpy as np
import pytest
import sphericart
import sympy
from numpy.typing import NDArray
from scipy.integrate import lebedev_rule
from scipy.special import eval_legendre, sph_harm_y
from truth import rows

from scanproc.waves.directions import unit_vectors
from scanproc.waves.harmonics import real_harmonics

Array = NDArray[np.float64]


def random_angles(count: int, seed: int) -> tuple[Array, Array]:
    draw = np.random.default_rng(seed)
    return np.arccos(draw.uniform(-1, 1, count)), draw.uniform(-np.pi, np.pi, count)


def complex_harmonic(values: Array, n: int, m: int) -> NDArray[np.complex128]:
    """Y_n^m with the Condon-Shortley sign (DLMF 14.30.1) from real harmonics without it."""
    cosine, sine = values[:, n * n + n + abs(m)], values[:, n * n + n - abs(m)]
    if m == 0:
        return cosine.astype(complex)
    return ((-1) ** m * (cosine + 1j * sine) if m > 0 else cosine - 1j * sine) / np.sqrt(2)


def real_from_scipy(order: int, polar: Array, azimuth: Array) -> Array:
    """The same harmonics from scipy.special.sph_harm_y, (points, modes)."""
    columns = []
    for n in range(order + 1):
        for m in range(-n, n + 1):
            value = sph_harm_y(n, abs(m), polar, azimuth) * (-1) ** m
            part = value.imag if m < 0 else value.real
            columns.append(part * (np.sqrt(2) if m else 1))
    return np.stack(columns, axis=1)


@pytest.mark.parametrize("row", rows("spherical_functions", "sph_harm"))
def test_published_values(row):
    n, m, theta, phi, real, imag = row
    values = real_harmonics(n, unit_vectors([float(theta)], [float(phi)]))
    truth = complex(real, imag)
    assert abs(complex_harmonic(values, n, m)[0] - truth) < 1e-12 * abs(truth)


def test_scipy_at_random_points_to_order_80():
    polar, azimuth = random_angles(25, seed=1)
    ours = real_harmonics(80, unit_vectors(polar, azimuth))
    np.testing.assert_allclose(ours, real_from_scipy(80, polar, azimuth), rtol=0, atol=1e-12)


def test_closed_forms_of_sympy_to_degree_4():
    polar, azimuth = random_angles(7, seed=2)
    ours = real_harmonics(4, unit_vectors(polar, azimuth))
    theta, phi = sympy.symbols("theta phi", real=True)
    for n in range(5):
        for m in range(n + 1):
            closed = sympy.Ynm(n, m, theta, phi).expand(func=True)
            truth = sympy.lambdify((theta, phi), closed, "numpy")(polar, azimuth)
            np.testing.assert_allclose(complex_harmonic(ours, n, m), truth, atol=1e-14)


def test_cartesian_forms_that_fix_sign_order_and_axes():
    """First and second degree as in any table of atomic orbitals: p_x, d_xy and so on, all positive."""
    x, y, z = direction = unit_vectors(*random_angles(9, seed=3)).T
    p, d = np.sqrt(3 / (4 * np.pi)), np.sqrt(15 / np.pi) / 2
    truth = [
        np.full(9, np.sqrt(1 / (4 * np.pi))),
        *(p * y, p * z, p * x),
        *(d * x * y, d * y * z, np.sqrt(5 / np.pi) / 4 * (3 * z**2 - 1), d * x * z, d / 2 * (x**2 - y**2)),
    ]
    np.testing.assert_allclose(real_harmonics(2, direction.T), np.stack(truth, axis=1), atol=1e-15)


def test_sphericart_to_degree_30():
    """sphericart (Bigi et al. 2023): real, orthonormal, without the Condon-Shortley sign, index l² + l + m."""
    direction = unit_vectors(*random_angles(40, seed=4))
    truth = sphericart.SphericalHarmonics(30).compute(direction)
    np.testing.assert_allclose(real_harmonics(30, direction), truth, rtol=0, atol=1e-12)


def test_orthonormal_by_lebedev_quadrature():
    position, weight = lebedev_rule(65)
    values = real_harmonics(32, position.T)
    np.testing.assert_allclose((values.T * weight) @ values, np.eye(33**2), atol=1e-13)


@pytest.mark.parametrize("row", rows("spherical_functions", "addition"))
def test_addition_theorem_of_the_table(row):
    n, truth = row[0], row[1]
    values = real_harmonics(n, unit_vectors([0.6, 2.0], [1.0, -0.5]))[:, n * n :]
    assert values[0] @ values[1] == pytest.approx(truth, abs=1e-13)


def test_addition_theorem_at_random_pairs_to_degree_120():
    """Σ_m Y_nm(u) Y_nm(v) = (2n+1)/4π · P_n(u·v), DLMF 14.30.9."""
    u, v = (unit_vectors(*random_angles(6, seed)) for seed in (5, 6))
    product = real_harmonics(120, u) * real_harmonics(120, v)
    degree = np.arange(121)
    sums = np.add.reduceat(product, degree**2, axis=1)
    cosine = np.clip(np.sum(u * v, axis=1), -1, 1)[:, None]
    truth = (2 * degree + 1) / (4 * np.pi) * eval_legendre(degree, cosine)
    np.testing.assert_allclose(sums, truth, rtol=0, atol=1e-11)


def test_poles_hold_only_m_zero():
    values = real_harmonics(60, np.array([[0.0, 0, 1], [0, 0, -1]]))
    degree = np.arange(61)
    centre = degree**2 + degree
    north = np.sqrt((2 * degree + 1) / (4 * np.pi))
    np.testing.assert_allclose(values[:, centre], [north, (-1.0) ** degree * north], rtol=1e-13)
    assert np.count_nonzero(np.delete(values, centre, axis=1)) == 0


def test_parity():
    """Y_nm(-u) = (-1)^n Y_nm(u), DLMF 14.30.7."""
    direction = unit_vectors(*random_angles(11, seed=7))
    sign = np.repeat((-1.0) ** np.arange(41), 2 * np.arange(41) + 1)
    np.testing.assert_allclose(
        real_harmonics(40, -direction), sign * real_harmonics(40, direction), atol=1e-12
    )


def test_leading_columns_are_the_lower_order_and_contiguous():
    direction = unit_vectors(*random_angles(5, seed=8))
    values = real_harmonics(9, direction)
    assert values.flags.f_contiguous
    assert values.shape == (5, 100)
    np.testing.assert_array_equal(values[:, :25], real_harmonics(4, direction))


def test_close_to_the_pole_at_high_degree():
    """The factor sin^m θ underflows harmlessly: no warning, and the sum over m stays (2n+1)/4π."""
    direction = unit_vectors([1e-6, 1e-3, np.pi - 1e-5], [0.3, 2.0, -1.0])
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        values = real_harmonics(150, direction)
    np.testing.assert_allclose(np.sum(values[:, 150**2 :] ** 2, axis=1), 301 / (4 * np.pi), rtol=1e-11)
