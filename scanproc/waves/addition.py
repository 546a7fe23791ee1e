"""Sums over all degrees by the addition theorem: Σ_n a_n(r) b_n(r')* P_n(cos γ) without a column for each mode."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.polynomial.legendre import legval
from scipy.interpolate import CubicSpline

from scanproc.conventions import Complex, Integer, Real

ENTRIES_AT_ONCE = 40_000
"""So many entries of the matrix at a time stay in the processor's cache."""
TABLE_STEPS = 150
"""A table of a sum over degrees has so many steps for each degree."""
TABLE_PAYS = 1000
"""A table is made where each of its degrees serves so many entries."""
FEW_RADII = 4
"""Points on so few spheres at most are taken sphere by sphere, where the radial factors are numbers."""


def legendre_kernel(unit: Real, radial: Complex, other_unit: Real, other_radial: Complex) -> Complex:
    """Σ_n radial_n(i) other_n(j)* P_n(u_i · u_j), (points, other points).

    ``unit`` (points, 3) and ``other_unit``: directions from the common place; ``radial`` complex (degrees, points) and
    ``other_radial``: what each degree has there. With (2n+1)/(4π) in one of them this is Σ_nm of the products of all
    modes (DLMF 14.30.9).
    """
    together = np.zeros(len(radial), dtype=np.int64)
    kernel = np.empty((len(unit), len(other_unit)), dtype=np.complex128)
    for rows, columns in _patches(radial, other_radial):
        left, right = radial[:, rows], other_radial[:, columns].conj()
        on_spheres = _is_constant(left) and _is_constant(right)
        large = len(rows) * len(columns) > TABLE_PAYS * len(radial)
        table = _table(left[:, 0] * right[:, 0]) if on_spheres and large else None
        for some, here, cosine in _pieces(unit, rows, other_unit, columns):
            if table is None:
                kernel[here] = next(_sums(cosine, left[:, some], right, together, on_spheres))
            else:
                kernel[here] = _looked_up(table, cosine)
    return kernel


def grouped_kernels(
    unit: Real, radial: Complex, other_unit: Real, other_radial: Complex, group: Integer
) -> Iterator[Complex]:
    """The same for each group of degrees on its own; ``group`` (degrees,) rises from 0."""
    kernels = np.zeros((int(group[-1]) + 1, len(unit), len(other_unit)), dtype=np.complex128)
    for rows, columns in _patches(radial, other_radial):
        left, right = radial[:, rows], other_radial[:, columns].conj()
        on_spheres = _is_constant(left) and _is_constant(right)
        for some, here, cosine in _pieces(unit, rows, other_unit, columns):
            for number, one in enumerate(_sums(cosine, left[:, some], right, group, on_spheres)):
                kernels[number][here] = one
    yield from kernels


def _pieces(
    unit: Real, rows: Integer, other_unit: Real, columns: Integer
) -> Iterator[tuple[slice, tuple[Integer, ...], Real]]:
    """Some rows at a time: which of ``rows``, their place in the matrix, the cosines (some, columns)."""
    step = max(1, ENTRIES_AT_ONCE // max(1, len(columns)))
    for start in range(0, len(rows), step):
        some = slice(start, start + step)
        cosine = np.clip(unit[rows[some]] @ other_unit[columns].T, -1, 1)
        yield some, np.ix_(rows[some], columns), cosine


def _table(factor: Complex) -> Complex:
    """Cubics (steps, 4) in the angle for Σ_n factor_n P_n(cos γ), on even steps from 0 to π.

    A sum of cosines up to the highest degree: splines of so fine steps miss it by a billionth of its largest value.
    """
    steps = max(8, int(np.ceil(TABLE_STEPS * len(factor))))
    angle = np.linspace(0, np.pi, steps + 1)
    value = legval(np.cos(angle), factor)
    spline = CubicSpline(angle, value, bc_type=((1, 0.0), (1, 0.0)))
    scale = (np.pi / steps) ** np.arange(3, -1, -1)
    rows = (spline.c * scale[:, None]).T
    real = np.all(np.abs(factor.imag) <= 1e-12 * np.abs(factor))
    return np.ascontiguousarray(rows.real if real else rows)


def _looked_up(table: Complex | Real, cosine: Real) -> Complex | Real:
    place = np.arccos(cosine) * (len(table) / np.pi)
    step = np.minimum(place.astype(np.int32), len(table) - 1)
    place -= step
    row = table[step]
    value: Complex | Real = ((row[..., 0] * place + row[..., 1]) * place + row[..., 2]) * place + row[..., 3]
    return value


def _sums(
    cosine: Real, left: Complex, right: Complex, group: Integer, on_spheres: bool
) -> Iterator[Complex | Real]:
    """Legendre's recurrence (DLMF 14.10.3) and the sum of each group in turn."""
    before, current = np.ones_like(cosine), cosine
    total: Complex | Real = np.zeros(())
    for n in range(len(left)):
        if n and group[n] != group[n - 1]:
            yield total
            total = np.zeros(())
        if n == 0:
            polynomial = before
        elif n == 1:
            polynomial = current
        else:
            following = cosine * current
            following *= (2 * n - 1) / n
            before = before * ((1 - n) / n)
            before += following
            before, current = current, before
            polynomial = current
        if on_spheres:
            factor = left[n, 0] * right[n, 0]
            term = polynomial * (factor.real if abs(factor.imag) < 1e-12 * abs(factor) else factor)
        else:
            term = (left[n][:, None] * right[n]) * polynomial
        total = total + term
    yield total


def _patches(radial: Complex, other: Complex) -> Iterator[tuple[Integer, Integer]]:
    """Rows and columns whose radial factors do not change, if they are few; else all at once."""
    rows, columns = _spheres(radial), _spheres(other)
    if max(len(rows), len(columns)) > FEW_RADII:
        yield np.arange(radial.shape[1]), np.arange(other.shape[1])
        return
    for one in rows:
        for two in columns:
            yield one, two


def _spheres(radial: Complex) -> list[Integer]:
    strongest = radial[int(np.argmax(np.abs(radial).max(axis=1)))]
    _, which = np.unique(np.round(strongest / np.abs(strongest).max(), 12), return_inverse=True)
    count = int(which.max(initial=-1)) + 1
    return [np.flatnonzero(which == number) for number in range(min(count, FEW_RADII + 1))]


def _is_constant(radial: Complex) -> bool:
    return bool(np.all(np.abs(radial - radial[:, :1]) <= 1e-11 * np.abs(radial[:, :1])))
