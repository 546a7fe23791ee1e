"""Spherical Bessel and Hankel functions that neither overflow nor lose digits.

Values are kept as mantissa times a power of two, so that degree 100 at argument 0.1 is as exact as degree 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Integer, Real

TURNS: Complex = np.array([1j, -1, -1j, 1], dtype=np.complex128)
"""j^{n+1} for n = 0, 1, 2, 3."""


def spherical_bessel(order: int, x: ArrayLike) -> tuple[Real, Integer]:
    """Spherical Bessel functions j_n(x) = mantissa · 2^exponent for n = 0..order and x > 0.

    ``x`` (values,). Returns two arrays (order + 1, values). Downward recurrence (DLMF 10.51.1, Miller's way)
    from a degree where j_n is negligible, scaled to j_0 or j_1, whichever is larger.
    """
    argument = np.atleast_1d(np.asarray(x, dtype=np.float64))
    top = _starting_degree(max(order, 1), float(argument.max(initial=0.0)))
    mantissa = np.empty((order + 2, len(argument)))
    exponent = np.zeros((order + 2, len(argument)), dtype=np.int64)
    after = np.zeros_like(argument)
    current = np.full_like(argument, 1.0)
    power = np.zeros(len(argument), dtype=np.int64)
    for n in range(top, -1, -1):
        if n <= order + 1:
            mantissa[n], exponent[n] = current, power
        before = (2 * n + 1) / argument * current - after
        shift = np.frexp(np.maximum(np.abs(before), np.abs(current)))[1].astype(np.int64)
        after, current = np.ldexp(current, -shift), np.ldexp(before, -shift)
        power = power + shift
    anchor, degree = _first_two(argument)
    at = np.arange(len(argument))
    factor, factor_power = np.frexp(anchor / mantissa[degree, at])
    return mantissa[: order + 1] * factor, exponent[: order + 1] - exponent[degree, at] + factor_power


def spherical_hankel(order: int, x: ArrayLike) -> tuple[Complex, Integer]:
    """Spherical Hankel functions h_n^(2)(x) = j_n - j·y_n = mantissa · 2^exponent, n = 0..order, x > 0.

    ``x`` (values,). Returns two arrays (order + 1, values). Upward recurrence (DLMF 10.51.1), stable for h_n.
    """
    argument = np.atleast_1d(np.asarray(x, dtype=np.float64))
    mantissa = np.empty((order + 1, len(argument)), dtype=np.complex128)
    exponent = np.empty((order + 1, len(argument)), dtype=np.int64)
    before = np.exp(-1j * argument) / argument  # h_{-1} = -j h_0 · j = e^{-jx}/x
    current = 1j * before
    power = np.zeros(len(argument), dtype=np.int64)
    for n in range(order + 1):
        mantissa[n], exponent[n] = current, power
        following = (2 * n + 1) / argument * current - before
        shift = np.frexp(np.abs(following))[1].astype(np.int64)
        before, current = _scaled(current, -shift), _scaled(following, -shift)
        power = power + shift
    return mantissa, exponent


def outgoing_radial(order: int, kr: ArrayLike, kr_scaling: float) -> Complex:
    """h_n^(2)(kr) / |h_n(kr_scaling)|, (order + 1, points): O(1) where kr is near kr_scaling."""
    mantissa, exponent = spherical_hankel(order, kr)
    size, size_exponent = spherical_hankel(order, kr_scaling)
    return _scaled(mantissa / np.abs(size), exponent - size_exponent)


def far_radial(order: int, wavenumber: ArrayLike, kr_scaling: ArrayLike) -> Complex:
    """j^{n+1} / (k |h_n(kr_scaling)|) in metres: the far field of the terms of outgoing_radial.

    (order + 1,) of one wave number, (order + 1, F) of several (F,). From h_n^(2)(x) → j^{n+1} e^{-jx}/x (DLMF 10.52).
    """
    size, size_exponent = spherical_hankel(order, kr_scaling)
    turned = TURNS[np.arange(order + 1) % 4, None] * np.ldexp(1 / np.abs(size), -size_exponent)
    far: Complex = turned / np.asarray(wavenumber)
    return far if np.ndim(wavenumber) else far[:, 0]


def _starting_degree(order: int, largest: float) -> int:
    """A degree from where the downward recurrence has settled to all digits at ``order``."""
    base = max(order + 1, int(np.ceil(largest)))
    return base + 20 + int(4 * np.sqrt(base) + 4 * np.cbrt(largest))


def _first_two(x: Real) -> tuple[Real, Integer]:
    """The larger of j_0 and j_1 in size, and which of the two it is."""
    j0 = np.sin(x) / x
    j1 = np.where(x < 0.1, x / 3 * (1 - x**2 / 10 * (1 - x**2 / 28 * (1 - x**2 / 54))), (j0 - np.cos(x)) / x)
    degree = (np.abs(j1) > np.abs(j0)).astype(np.int64)
    return np.where(degree == 1, j1, j0), degree


def _scaled(value: Complex, power: Integer) -> Complex:
    return np.ldexp(value.real, power) + 1j * np.ldexp(value.imag, power)
