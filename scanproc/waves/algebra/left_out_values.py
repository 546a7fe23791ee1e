"""Errors at left-out points, value by value, for every truncation of a basis."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from scipy.linalg import qr, solve_triangular

from scanproc.conventions import Boolean, Complex, Real

LEAST_FREE = 1e-3
"""A point that decides its own value (leverage near one) says nothing; its error is not blown up beyond this."""


def left_out_values(
    basis: Real | Complex, data: Complex, ends: Sequence[int], used: Boolean
) -> Iterator[tuple[Complex, Complex]]:
    """For each truncation: the errors e and the predictions p - e at points that had no say in them.

    ``basis`` (points, columns), ``data`` complex (points, F), ``ends`` rising numbers of leading columns, ``used``
    (points,) marks the points that are fitted. A used point's error is leave-one-out, e = r/(1-h) (Allen 1974);
    a point that is not used is predicted from all that are. Each array is (points, F).
    """
    orthogonal, triangle = qr(basis[used], mode="economic", check_finite=False)
    every = np.empty(basis.shape, dtype=orthogonal.dtype)
    every[used] = orthogonal
    every[~used] = solve_triangular(triangle, basis[~used].T, trans="T", check_finite=False).T
    projection = orthogonal.conj().T @ data[used]
    residual = np.array(data)
    leverage = np.zeros(len(basis))
    start = 0
    for end in ends:
        part = slice(start, end)
        residual -= every[:, part] @ projection[part]
        leverage += np.where(used, np.sum(np.abs(every[:, part]) ** 2, axis=1), 0)
        error = residual / np.maximum(1 - leverage, LEAST_FREE)[:, None]
        yield error, data - error
        start = end
