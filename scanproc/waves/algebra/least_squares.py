"""Least squares for every truncation of a basis at once, from one factorisation."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TypeAlias, TypeVar, cast

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, qr, solve_triangular

from scanproc.conventions import Complex, Real, Single
from scanproc.waves.algebra.dense import (
    gram_of_columns,
    inverse_of_upper,
    lower_factor,
    reciprocal_condition,
    row_power,
    solve_rows,
)

Matrix: TypeAlias = Real | Complex | Single
Basis = TypeVar("Basis", Real, Complex, Real | Complex, Matrix)

LEAST_INDEPENDENCE = 1e-3
"""A column that lies nearer to the span of those before it than this share of its length is not told apart."""
LEAST_FREEDOM = 1e-9
"""A point whose leverage is nearer to one than this is fitted whatever it holds, and cannot be left out."""
LARGEST_CONDITION = 1e3
"""Of a basis whose Gram matrix is factorised, in the 1-norm, which is some 30 times that in the 2-norm: its square
costs a few of sixteen digits."""
DATA_COLUMNS_AT_ONCE = 96
"""Data columns per block, so that a block of residuals stays in the processor's cache."""


@dataclass(frozen=True, eq=False)
class NestedFit:
    """Fits of data (points, F) by the leading ``ends[o]`` columns of a basis, for every o.

    ``triangle`` (columns, columns) upper triangular; ``projection`` (columns, F) = Qᴴ data; ``leverage``
    (orders, points), the diagonal of each hat matrix. Sums over points, each (orders, F): ``residual_power``
    Σ|r_i|², ``held_out_power`` Σ|r_i/(1-h_i)|² (leave-one-out, Allen 1974), ``noise_power`` the mean of
    |r_i|²/(1-h_i), which estimates the variance of one datum. ``data_power`` (F,) Σ|p_i|².
    """

    ends: tuple[int, ...]
    triangle: Matrix
    projection: Complex
    leverage: Real
    residual_power: Real
    held_out_power: Real
    noise_power: Real
    data_power: Real

    @cached_property
    def usable(self) -> int:
        """How many truncations the points can tell apart, each point judged by others.

        On a regular grid high orders may repeat low ones, a term may have its zeros at all points, so that rounding is
        all that is left of its column beside others that join with it, or one point alone decide a term.
        """
        diagonal, length = np.abs(np.diag(self.triangle)), np.sqrt(row_power(self.triangle.T))
        starts = (0, *self.ends[:-1])
        longest = np.repeat(np.maximum.reduceat(length, starts), np.diff((0, *self.ends)))
        nothing = length < np.sqrt(np.finfo(length.dtype).eps) * longest
        dependent = (diagonal < LEAST_INDEPENDENCE * length) | nothing
        column = int(np.argmax(dependent)) if dependent.any() else len(diagonal)
        told_apart = int(np.searchsorted(self.ends, column, side="right"))
        judged_by_others = int(np.sum(self.leverage.max(axis=1) < 1 - LEAST_FREEDOM))
        return min(told_apart, judged_by_others)

    @cached_property
    def inverse(self) -> Matrix:
        """R⁻¹; its leading blocks are those of the truncations. Raises LinAlgError when two columns are the same."""
        return inverse_of_upper(self.triangle)

    @cached_property
    def unit_variance(self) -> Real:
        """Variances of the coefficients for data of variance one, (orders, columns): the diagonals of all (AᴴA)⁻¹."""
        added = [
            row_power(self.inverse[:, a:b]) for a, b in zip((0, *self.ends[:-1]), self.ends, strict=True)
        ]
        return np.cumsum(added, axis=0)

    def held_out_db(self) -> Real:
        """10·log10(Σ|e|²/Σ|p|²), (orders, F); NaN for truncations that are not usable."""
        error = decibels(self.held_out_power / self.data_power)
        error[self.usable :] = np.nan
        return error


def nested_fit(
    basis: Matrix,
    data: Complex | Single,
    ends: Sequence[int],
    *,
    overwrite: bool = False,
) -> NestedFit:
    """Least-squares fits of all truncations of ``basis`` from one factorisation into Q and R.

    ``basis`` (points, columns) real or complex; ``data`` complex (points, F), both of double or both of single
    precision; ``ends`` rising numbers of leading columns, each below the number of points. With z = Qᴴ p the
    residual of one truncation is that of the one before less Q_n z_n, and the leverage grows by Σ|Q_n|².
    """
    return fit_by(*orthogonalised(basis, overwrite), data, ends)


def fit_by(
    orthogonal: Matrix,
    triangle: Matrix,
    data: Complex | Single,
    ends: Sequence[int],
    *,
    in_turn: bool = False,
) -> NestedFit:
    """The fits from Q and R. ``in_turn``: each block of columns is projected on what those before it left, which
    matters where Q is orthonormal to a few digits only (modified Gram-Schmidt; Bjorck 1967, from memory)."""
    starts = (0, *ends[:-1])
    leverage = np.cumsum([row_power(orthogonal[:, a:b]) for a, b in zip(starts, ends, strict=True)], axis=0)
    shape = (len(ends), data.shape[1])
    fit = NestedFit(
        ends=tuple(ends),
        triangle=triangle,
        projection=np.empty((ends[-1], shape[1]), dtype=np.complex128),
        leverage=leverage,
        residual_power=np.empty(shape),
        held_out_power=np.empty(shape),
        noise_power=np.empty(shape),
        data_power=np.sum(np.abs(data) ** 2, axis=0),
    )
    for start in range(0, shape[1], DATA_COLUMNS_AT_ONCE):
        _fit_columns(orthogonal, data, slice(start, start + DATA_COLUMNS_AT_ONCE), fit, in_turn)
    return fit


def orthogonalised(basis: Basis, overwrite: bool = False) -> tuple[Basis, Basis]:
    """Q (points, columns) of orthonormal columns and R (columns, columns) upper triangular with basis = Q R.

    Where the columns are told apart well, R is the Cholesky factor of their Gram matrix: twice as fast as Householder
    reflections, and Q is orthonormal to the condition squared times rounding (Yamamoto et al., ETNA 44 (2015) 306,
    from memory). Otherwise reflections.
    """
    try:
        lower, triangle = well_conditioned_factor(basis)
    except LinAlgError:
        found: tuple[Basis, Basis] = qr(basis, mode="economic", overwrite_a=overwrite, check_finite=False)
        return found
    return solve_rows(lower, basis, overwrite=overwrite), triangle


def well_conditioned_factor(basis: Basis) -> tuple[Basis, Basis]:
    """The Cholesky factor of the columns' Gram matrix, and R, its conjugate transpose; raises LinAlgError when they
    would cost more than a few digits."""
    lower = lower_factor(gram_of_columns(basis))
    triangle = np.triu(lower.T)
    np.conjugate(triangle, out=triangle)
    if badly_conditioned(triangle):
        raise LinAlgError("the columns are not told apart well")
    return lower, triangle


def badly_conditioned(triangle: Matrix) -> bool:
    """Whether the condition exceeds ``LARGEST_CONDITION`` with columns of length one: how long they are costs a
    Cholesky factor no digits (Higham, Accuracy and Stability of Numerical Algorithms, 2nd ed., theorem 10.6, from
    memory)."""
    length = cast(Real, np.sqrt(row_power(triangle.T)).astype(triangle.real.dtype))
    return reciprocal_condition(triangle / length) < 1 / LARGEST_CONDITION


def coefficients(
    fit: NestedFit, truncation: int, columns: slice | NDArray[np.int64] = slice(None)
) -> Complex:
    """Coefficients of the given truncation (an index into ``fit.ends``), (ends[truncation], F)."""
    count = fit.ends[truncation]
    solution: Complex = solve_triangular(
        fit.triangle[:count, :count], fit.projection[:count, columns], check_finite=False
    )
    return solution


def all_coefficients(fit: NestedFit, columns: slice | NDArray[np.int64] = slice(None)) -> Iterator[Complex]:
    """The coefficients of every truncation in turn, (ends[truncation], F)."""
    projection = fit.projection[:, columns]
    found: Complex = np.zeros_like(projection)
    for start, end in zip((0, *fit.ends[:-1]), fit.ends, strict=True):
        found[:end] += fit.inverse[:end, start:end] @ projection[start:end]
        yield found[:end]


def functional_variance(fit: NestedFit, truncation: int, functional: Real | Complex) -> Real:
    """Variances of linear functionals of the coefficients for data of variance one.

    ``functional`` (values, ends[truncation]): each row f gives f·c. Returns (values,).
    """
    count = fit.ends[truncation]
    inverse = fit.inverse[:count, :count]
    if inverse.dtype == np.complex64:
        return row_power(functional.astype(np.complex64) @ inverse)
    return row_power(functional @ inverse)


def decibels(power_ratio: Real) -> Real:
    """10·log10, -inf where the ratio is zero."""
    with np.errstate(divide="ignore", invalid="ignore"):
        level: Real = 10 * np.log10(power_ratio)
    return level


def _fit_columns(
    orthogonal: Matrix, data: Complex | Single, block: slice, fit: NestedFit, in_turn: bool
) -> None:
    """Fills in one block of data columns of ``fit``."""
    residual: Matrix = cast(Complex, np.array(data[:, block], order="C"))
    kind = residual.dtype
    if np.isrealobj(orthogonal):
        residual = cast(Real, residual.view(residual.real.dtype))
    if in_turn:
        projection = np.empty((orthogonal.shape[1], residual.shape[1]), dtype=residual.dtype)
    else:
        projection = _projected(residual, orthogonal)
    start = 0
    for index, end in enumerate(fit.ends):
        part = orthogonal[:, start:end]
        if in_turn:
            projection[start:end] = _projected(residual, part)
        residual -= part @ projection[start:end]
        start = end
        free = np.maximum(1 - fit.leverage[index], LEAST_FREEDOM)
        weights = np.stack([np.ones_like(free), 1 / free**2, 1 / (free * len(free))])
        sums = _weighted_power(weights, residual)
        fit.residual_power[index, block] = sums[0]
        fit.held_out_power[index, block] = sums[1]
        fit.noise_power[index, block] = sums[2]
    fit.projection[:, block] = cast(Complex, projection.view(kind))


def _projected(residual: Matrix, orthogonal: Matrix) -> Matrix:
    """Qᴴ r, without a copy of Q for its conjugate."""
    return np.ascontiguousarray((residual.conj().T @ orthogonal).conj().T)


def _weighted_power(weights: Real, residual: Matrix) -> Real:
    """Σ_i w_i |r_i|² per complex data column, (weights, F)."""
    pairs = cast(Real, residual.view(residual.real.dtype))
    sums = weights @ (pairs * pairs)
    total: Real = sums[:, 0::2] + sums[:, 1::2]
    return total
