"""Orthogonal and triangular factors of complex columns, by three real products where four are usual."""

from __future__ import annotations

import numpy as np
from scipy.linalg import LinAlgError

from scanproc.conventions import Complex, Real, Single
from scanproc.waves.algebra.dense import gram_of_columns, lower_factor, solve_rows
from scanproc.waves.algebra.least_squares import Matrix, badly_conditioned, well_conditioned_factor

COLUMNS_AT_ONCE = 256
"""Wide enough for products at full rate; within a block they are made of four."""
FEWEST_COLUMNS = 700
"""Up to as many the parts cost as much time as they save."""


def orthogonalised_in_single(basis: Real | Complex) -> tuple[Matrix, Matrix]:
    """Q (points, columns) and R (columns, columns) upper triangular, in single precision.

    ``basis`` (points, columns). Many complex columns go block by block: each loses what those before it hold
    (Gram-Schmidt) and is made orthonormal by the Cholesky factor of its Gram matrix. In practice Q is as orthonormal as
    by a Cholesky factor of the whole, which serves the rest. A complex product is made of three real ones, which
    are as exact for the matrix as a whole (Higham, SIAM J. Matrix Anal. Appl. 13 (1992) 681, from memory). Raises
    LinAlgError where the columns are not told apart well.
    """
    if np.isrealobj(basis) or basis.shape[1] <= FEWEST_COLUMNS:
        rows: Matrix = basis.astype(np.float32) if np.isrealobj(basis) else basis.astype(np.complex64)
        lower, upper = well_conditioned_factor(rows)
        return solve_rows(lower, rows, overwrite=True), upper
    orthogonal, triangle = _block_by_block(basis)
    if badly_conditioned(triangle):
        raise LinAlgError("the columns are not told apart well")
    return orthogonal, triangle


def _block_by_block(basis: Real | Complex) -> tuple[Single, Single]:
    points, columns = basis.shape
    orthogonal: Single = np.empty((points, columns), dtype=np.complex64, order="F")
    triangle: Single = np.zeros((columns, columns), dtype=np.complex64)
    # Real part, imaginary part and their difference (of the block: sum), each with Q's columns as rows.
    done = np.empty((3, (columns - 1) // COLUMNS_AT_ONCE * COLUMNS_AT_ONCE, points), dtype=np.float32)
    block, product = np.empty((2, 3, COLUMNS_AT_ONCE, points), dtype=np.float32)
    for start in range(0, columns, COLUMNS_AT_ONCE):
        new = slice(start, min(start + COLUMNS_AT_ONCE, columns))
        left = block[:, : new.stop - start]
        left[0], left[1] = basis.real[:, new].T, basis.imag[:, new].T
        if start:
            shared = _take_away(done[:, :start], left, product[:, : new.stop - start])
            triangle.real[:start, new], triangle.imag[:start, new] = shared[0].T, shared[1].T
        made = orthogonal[:, new]
        made.T.real, made.T.imag = left[0], left[1]
        triangle[new, new] = _make_orthonormal(made)
        if new.stop < columns:
            done[0, new], done[1, new] = made.T.real, made.T.imag
            np.subtract(done[0, new], done[1, new], out=done[2, new])
    return orthogonal, triangle


def _make_orthonormal(columns: Single) -> Single:
    """Replaces columns in Fortran order by Q in place; returns R."""
    lower = lower_factor(gram_of_columns(columns))
    solve_rows(lower, columns, overwrite=True)
    triangle: Single = np.tril(lower).conj().T
    return triangle


def _take_away(done: Single, left: Single, product: Single) -> tuple[Single, Single]:
    """Subtracts from the rows ``left`` what they share with the rows ``done``, in place; returns both parts of that,
    (rows left, rows done), the coefficients Qᴴ A."""
    np.add(left[0], left[1], out=left[2])
    real, second, imaginary = (part @ other.T for part, other in zip(left, done, strict=True))
    imaginary += second - real
    real += second
    for part, other, out in zip((real, imaginary, real - imaginary), done, product, strict=True):
        np.matmul(part, other, out=out)
    left[0] += product[1] - product[0]
    left[1] += product[2]
    left[1] -= product[0]
    left[1] -= product[1]
    return real, imaginary
