"""Sums over all degrees by the addition theorem: Σ_n a_n(r) b_n(r')* P_n(cos γ) without a column for each mode."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from scanproc.conventions import Complex, Integer, Real

ENTRIES_AT_ONCE = 40_000
"""So many entries of the matrix at a time stay in the processor's cache."""
FEW_RADII = 4
"""Points on so few spheres at most are taken sphere by sphere, where the radial factors are numbers."""


def legendre_kernel(unit: Real, radial: Complex, other_unit: Real, other_radial: Complex) -> Complex:
    """Σ_n radial_n(i) other_n(j)* P_n(u_i · u_j), (points, other points).

    ``unit`` (points, 3) and ``other_unit``: directions from the common place; ``radial`` complex (degrees, points) and
    ``other_radial``: what each degree has there. With (2n+1)/(4π) in one of them this is Σ_nm of the products of all
    modes (DLMF 14.30.9).
    """
    return next(
        grouped_kernels(unit, radial, other_unit, other_radial, np.zeros(len(radial), dtype=np.int64))
    )


def grouped_kernels(
    unit: Real, radial: Complex, other_unit: Real, other_radial: Complex, group: Integer
) -> Iterator[Complex]:
    """The same for each group of degrees on its own; ``group`` (degrees,) rises from 0."""
    kernels = np.zeros((int(group[-1]) + 1, len(unit), len(other_unit)), dtype=np.complex128)
    for rows, columns in _patches(radial, other_radial):
        left, right = radial[:, rows], other_radial[:, columns].conj()
        flat = _is_constant(left) and _is_constant(right)
        step = max(1, ENTRIES_AT_ONCE // max(1, len(columns)))
        for start in range(0, len(rows), step):
            here = slice(start, start + step)
            cosine = np.clip(unit[rows[here]] @ other_unit[columns].T, -1, 1)
            at = np.ix_(rows[here], columns)
            for number, one in enumerate(_sums(cosine, left[:, here], right, group, flat)):
                kernels[number][at] = one
    yield from kernels


def _sums(
    cosine: Real, left: Complex, right: Complex, group: Integer, flat: bool
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
        if flat:
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
