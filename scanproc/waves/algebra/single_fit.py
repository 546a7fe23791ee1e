"""Nested least squares factorised in single precision, which takes half the time, one truncation refined to double."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np
from scipy.linalg import LinAlgError, solve_triangular

from scanproc.conventions import Complex, Real
from scanproc.waves.algebra.least_squares import (
    NestedFit,
    fit_by,
)
from scanproc.waves.algebra.three_products import orthogonalised_in_single

FAINTEST_SHARE = 1e-10
"""Held-out errors below this share of the data's power drown in the rounding of single precision."""
REFINED = 1e-9
"""The last correction's share of the coefficients; what is left then is smaller by the same factor as corrections
are, at least three."""
MOST_ROUNDS = 8
LEAST_WORK = 1e8
"""Points times squared columns; in a smaller problem there is little to gain."""


def single_fit(
    basis: Real | Complex,
    data: Complex,
    ends: Sequence[int],
    truncation: int | None = None,
) -> NestedFit | None:
    """As nested_fit, from a factorisation in single precision; None where that would not do.

    ``basis`` (points, columns); ``data`` (points, F). The coefficients of the ``truncation`` (an index into ``ends``)
    are those of double precision, by iterative refinement (Wilkinson; Higham, Accuracy and Stability of Numerical
    Algorithms, ch. 12, from memory); those of others, errors and variances are right to three digits or better.
    """
    if len(basis) * ends[-1] ** 2 < LEAST_WORK:
        return None
    try:
        orthogonal, triangle = orthogonalised_in_single(basis)
    except LinAlgError:
        return None
    fit = fit_by(orthogonal, triangle, data.astype(np.complex64), ends, in_turn=True)
    if np.min(fit.held_out_power / fit.data_power) < FAINTEST_SHARE:
        return None
    if truncation is not None and not _refine(fit, basis, data, truncation):
        return None
    return fit


def _refine(fit: NestedFit, basis: Real | Complex, data: Complex, truncation: int) -> bool:
    """Corrects the projections, so that they give the coefficients of one truncation; False where it fails."""
    end = fit.ends[truncation]
    # In Fortran order, which LAPACK takes without a copy.
    triangle, part = np.asfortranarray(fit.triangle[:end, :end]), basis[:, :end]
    solve = partial(solve_triangular, triangle, check_finite=False)
    values = solve(fit.projection[:end].astype(np.complex64)).astype(np.complex128)
    before = np.inf
    for _ in range(MOST_ROUNDS):
        left = data - part @ values
        size = np.linalg.norm(left)
        right = (left.conj().T @ part).conj().T / size
        step = size * solve(solve(right.astype(np.complex64), trans="C")).astype(np.complex128)
        values += step
        now = float(np.linalg.norm(step) / np.linalg.norm(values))
        if now < REFINED:
            fit.projection[:end] = triangle.astype(np.complex128) @ values
            return True
        if now > 0.3 * before:
            return False
        before = now
    return False
