"""Spherical Bessel and Hankel functions against a 50-digit table and mpmath, far beyond the range of doubles."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from mpmath import mpf
from truth import rows

from scanproc.waves.radial import (
    far_radial,
    outgoing_radial,
    spherical_bessel,
    spherical_hankel,
)

HARD = [
    (100, 0.1),
    (60, 30.0),
    (120, 150.0),
    (200, 0.01),
    (1, 1e-3),
    (90, 2.5),
    (45, 45.0),
    (3, 400.0),
    (80, 300.0),
]
"""Degree and argument: deep underflow, transition, oscillation. 200 at 0.01 lies beyond the range of doubles."""


@pytest.fixture(autouse=True)
def _fifty_digits():
    with mpmath.workdps(50), np.errstate(over="raise", under="raise", invalid="raise", divide="raise"):
        yield


def exact_j(n, x):
    """DLMF 10.47.3."""
    return mpmath.sqrt(mpmath.pi / (2 * mpf(x))) * mpmath.besselj(n + mpf(1) / 2, mpf(x))


def exact_y(n, x):
    """DLMF 10.47.4."""
    return mpmath.sqrt(mpmath.pi / (2 * mpf(x))) * mpmath.bessely(n + mpf(1) / 2, mpf(x))


def exact_h(n, x):
    return exact_j(n, x) - 1j * exact_y(n, x)


def unscaled(pair, n):
    """Mantissa times power of two as an mpmath number, for the first argument."""
    mantissa, exponent = (part[n, 0] for part in pair)
    return mpmath.mpmathify(complex(mantissa)) * mpf(2) ** int(exponent)


def relative(value, truth):
    return float(abs(value - truth) / abs(truth))


@pytest.mark.parametrize("row", rows("spherical_functions", "sph_bessel"))
def test_published_values(row):
    n, x, j, y, size = row
    hankel = unscaled(spherical_hankel(n, float(x)), n)
    assert relative(unscaled(spherical_bessel(n, float(x)), n).real, mpf(j)) < 1e-12
    assert relative(-hankel.imag, mpf(y)) < 1e-12
    assert relative(abs(hankel), mpf(size)) < 1e-12


@pytest.mark.parametrize("row", rows("spherical_functions", "sph_bessel_deriv"))
def test_published_derivatives_by_the_recurrence(row):
    """f_n' = f_{n-1} - (n+1)/x f_n, DLMF 10.51.2, also links neighbouring degrees; f_0' = -f_1."""
    n, x, j, y = row
    for pair, part, truth in (
        (spherical_bessel(n + 1, float(x)), lambda v: v.real, j),
        (spherical_hankel(n + 1, float(x)), lambda v: -v.imag, y),
    ):
        value = [part(unscaled(pair, degree)) for degree in range(n + 2)]
        slope = -value[1] if n == 0 else value[n - 1] - (n + 1) / mpf(x) * value[n]
        assert relative(slope, mpf(truth)) < 1e-12


@pytest.mark.parametrize(("n", "x"), HARD)
def test_mpmath_at_hard_arguments(n, x):
    assert relative(unscaled(spherical_bessel(n, x), n).real, exact_j(n, x)) < 1e-12
    assert relative(unscaled(spherical_hankel(n, x), n), exact_h(n, x)) < 1e-12


def test_many_arguments_at_once_agree_with_each_alone():
    x = np.array([1e-3, 0.1, 2.0, 30.0, 150.0])
    together = spherical_bessel(60, x)
    for at, value in enumerate(x):
        alone = unscaled(spherical_bessel(60, value), 60)
        assert relative(unscaled([part[:, at : at + 1] for part in together], 60), alone) < 1e-13


@pytest.mark.parametrize("x", [0.05, 1.0, 17.3, 160.0])
def test_wronskian_of_every_degree(x):
    """j_{n+1} y_n - j_n y_{n+1} = 1/x², DLMF 10.50.3: it joins j and h, found by separate recurrences."""
    bessel, hankel = spherical_bessel(121, x), spherical_hankel(121, x)
    j = [unscaled(bessel, n).real for n in range(122)]
    y = [-unscaled(hankel, n).imag for n in range(122)]
    residual = [float(x**2 * (j[n + 1] * y[n] - j[n] * y[n + 1]) - 1) for n in range(121)]
    size = [float(x**2 * (abs(j[n + 1] * y[n]) + abs(j[n] * y[n + 1]))) for n in range(121)]
    assert np.all(np.abs(residual) < 1e-12 * np.maximum(size, 1))


@pytest.mark.parametrize(
    ("kr", "kr_scaling"), [(0.1, 0.12), (30.0, 33.0), (150.0, 120.0), (12.0, 3.0), (0.02, 0.02)]
)
def test_outgoing_radial_is_the_scaled_hankel_function(kr, kr_scaling):
    scaled = outgoing_radial(100, [kr], kr_scaling)[:, 0]
    assert np.all(np.isfinite(scaled))
    for n in (0, 1, 7, 50, 100):
        truth = exact_h(n, kr) / abs(exact_h(n, kr_scaling))
        assert relative(complex(scaled[n]), truth) < 1e-12


def test_far_radial_is_the_limit_of_outgoing_radial():
    """h_n(x) → j^{n+1} e^{-jx}/x, DLMF 10.52; so r·e^{jkr} times the scaled term tends to far_radial, in metres."""
    wavenumber, kr_scaling, r = 7.0, 4.0, 1e9
    near = outgoing_radial(12, [wavenumber * r], kr_scaling)[:, 0] * r * np.exp(1j * wavenumber * r)
    np.testing.assert_allclose(far_radial(12, wavenumber, kr_scaling), near, rtol=1e-7)
    several = far_radial(12, np.array([7.0, 9.0]), np.array([4.0, 0.5]))
    np.testing.assert_array_equal(several[:, 0], far_radial(12, 7.0, 4.0))
    np.testing.assert_array_equal(several[:, 1], far_radial(12, 9.0, 0.5))


@pytest.mark.parametrize("row", rows("spherical_functions", "farfield_h"))
def test_far_radial_misses_the_near_field_by_the_published_error(row):
    n, x, error = row[:3]
    wavenumber = 3.0
    near = outgoing_radial(n, [x], 2.0)[n, 0]
    far = far_radial(n, wavenumber, 2.0)[n] * wavenumber * np.exp(-1j * x) / x
    assert abs(far - near) / abs(near) == pytest.approx(error, rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("kr_scaling", [0.1, 30.0])
def test_far_radial_at_high_degree(kr_scaling):
    wavenumber = 11.0
    far = far_radial(100, wavenumber, kr_scaling)
    for n in (0, 9, 60, 100):
        truth = mpmath.mpc(0, 1) ** (n + 1) / (wavenumber * abs(exact_h(n, kr_scaling)))
        assert relative(complex(far[n]), truth) < 1e-12


def share_left_above(order_shares):
    """Σ_{n>N} share_n over Σ share_n for N = 0, 1, ..."""
    tail = np.cumsum(order_shares[::-1])[::-1]
    return np.append(tail[1:], 0) / tail[0]


def smallest_order(left_above, level_db):
    return int(np.argmax(left_above < 10 ** (level_db / 10)))


@pytest.mark.parametrize("row", rows("monopole", "order_rules"))
def test_order_a_monopole_needs_in_the_far_field(row):
    """Share (2n+1) j_n²(k r0) of the power in degree n; the shares sum to 1 (DLMF 10.60.12)."""
    kr0, exact = row[0], row[6:9]
    mantissa, exponent = spherical_bessel(kr0 + 60, float(kr0))
    with np.errstate(under="ignore"):
        share = (2 * np.arange(kr0 + 61) + 1) * np.ldexp(mantissa, exponent)[:, 0] ** 2
    assert share.sum() == pytest.approx(1, abs=1e-13)
    left = share_left_above(share)
    assert tuple(smallest_order(left, level) for level in (-40, -60, -80)) == exact


@pytest.mark.parametrize("row", rows("monopole", "order_near"))
def test_order_a_monopole_needs_at_the_scan_radius(row):
    """Share (2n+1) j_n²(k r0) |h_n(kr)|² of the mean square at r: the product of huge and tiny factors."""
    kr0 = row[0]
    degree = np.arange(kr0 + 161)[:, None]
    bessel, bessel_power = spherical_bessel(kr0 + 160, float(kr0))
    columns = [(1.1, -40), (1.25, -40), (1.5, -40), (2, -40), (3, -40), (1.25, -60), (2, -60)]
    for (ratio, level), truth in zip(columns, row[1:], strict=True):
        hankel, hankel_power = spherical_hankel(kr0 + 160, kr0 * ratio)
        with np.errstate(under="ignore"):
            share = (2 * degree + 1) * np.ldexp(np.abs(bessel * hankel), bessel_power + hankel_power) ** 2
        assert smallest_order(share_left_above(share[:, 0]), level) == truth
