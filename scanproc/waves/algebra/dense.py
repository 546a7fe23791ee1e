"""Products and triangular solves of dense matrices that leave the interpreter to other threads.

SciPy's own wrappers of these routines hold the interpreter's lock, so that threads wait for each other; the same
BLAS called through ctypes does not. Matrices are real or complex, of double or single precision; tall ones, of many
rows, may be in C or in Fortran order and are not copied for it, square ones and what is returned are in C order.
"""

from __future__ import annotations

import ctypes
from typing import Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import LinAlgError, cython_blas, cython_lapack

from scanproc.conventions import Real

Matrix = TypeVar("Matrix", bound=NDArray[Any])


def gram_of_columns(matrix: Matrix, scale: float = 1.0) -> Matrix:
    """``scale`` AᴴA (columns, columns); only the lower triangle is filled."""
    rows, columns = matrix.shape
    if not in_fortran_order(matrix):
        return _gram(matrix, b"N", columns, rows, scale)
    # What BLAS takes for A's rows are its columns, so what it yields is the conjugate.
    found = _gram(matrix.T, b"T" if np.isrealobj(matrix) else b"C", columns, rows, scale)
    return found if np.isrealobj(found) else np.conjugate(found, out=found)


def gram_of_rows(matrix: Matrix) -> Matrix:
    """A Aᴴ (rows, rows); only the lower triangle is filled."""
    rows, columns = matrix.shape
    return _gram(matrix, b"T" if np.isrealobj(matrix) else b"C", rows, columns, 1.0)


def whole_of(lower: Matrix) -> Matrix:
    """A Hermitian matrix from its lower triangle, whatever stands above."""
    whole = np.tril(lower)
    whole += np.tril(lower, -1).conj().T
    return cast(Matrix, whole)


def lower_factor(matrix: Matrix) -> Matrix:
    """L with L Lᴴ the given matrix, whose lower triangle is read and overwritten.

    Above the diagonal stands what stood there. Raises LinAlgError when the matrix is not positive definite.
    """
    factor, info = _row_major(matrix), ctypes.c_int(0)
    _call(cython_lapack, letter(factor) + "potrf", [b"U", len(factor), factor, len(factor), info])
    if info.value:
        raise LinAlgError("the matrix is not positive definite")
    return factor


def reciprocal_condition(upper: Matrix) -> float:
    """About 1/(|U| |U⁻¹|) in the 1-norm of a row-major upper triangle, zero where it is singular."""
    triangle = _row_major(upper)
    size, real = len(triangle), triangle.real.dtype
    found, info = np.zeros(1, dtype=real), ctypes.c_int(0)
    work = np.empty(3 * size, dtype=triangle.dtype)
    other = np.empty(size, dtype=np.int32 if np.isrealobj(triangle) else real)
    # Read by columns it is a lower triangle, transposed; the other norm of that one is the 1-norm of this.
    arguments = [b"I", b"L", b"N", size, triangle, size, found, work, other, info]
    _call(cython_lapack, letter(triangle) + "trcon", arguments)
    return float(found[0])


def solve_rows(lower: Matrix, rows: Matrix, *, overwrite: bool = False) -> Matrix:
    """(L*)⁻¹ applied to each row of ``rows`` (count, n), L* the complex conjugate of ``lower`` (n, n).

    So A ↦ A L⁻ᴴ for a matrix of rows A, in the order that A has.
    """
    if in_fortran_order(rows):
        return _solve_columns(lower, rows, overwrite)
    keep = overwrite and rows.flags.c_contiguous
    solved = rows if keep else cast(Matrix, np.array(rows, order="C"))
    count, size = solved.shape
    turned = b"T" if np.isrealobj(solved) else b"C"
    one = np.ones(1, dtype=solved.dtype)
    triangle = _row_major(lower).astype(solved.dtype, copy=False)
    arguments = [b"L", b"U", turned, b"N", size, count, one, triangle, size, solved, size]
    _call(cython_blas, letter(solved) + "trsm", arguments)
    return solved


def _solve_columns(lower: Matrix, rows: Matrix, overwrite: bool) -> Matrix:
    """solve_rows for rows in Fortran order, which BLAS solves from the right."""
    solved = rows if overwrite else rows.copy(order="F")
    count, size = solved.shape
    one = np.ones(1, dtype=solved.dtype)
    triangle = np.ascontiguousarray(lower.conj(), dtype=solved.dtype)
    arguments = [b"R", b"U", b"N", b"N", count, size, one, triangle, size, solved, count]
    _call(cython_blas, letter(solved) + "trsm", arguments)
    return solved


def in_fortran_order(matrix: NDArray[Any]) -> bool:
    """Whether columns, not rows, lie in one piece."""
    return bool(matrix.flags.f_contiguous and not matrix.flags.c_contiguous)


def inverse_of_upper(upper: Matrix) -> Matrix:
    """U⁻¹, with zeros below the diagonal. Raises LinAlgError when a diagonal entry is zero."""
    return _inverse(np.triu(upper), b"L")


def inverse_of_lower(lower: Matrix) -> Matrix:
    """L⁻¹, with zeros above the diagonal. Raises LinAlgError when a diagonal entry is zero."""
    return _inverse(np.tril(lower), b"U")


def _inverse(triangle: NDArray[Any], as_columns: bytes) -> Any:
    """In place; ``as_columns``: which triangle BLAS sees, which reads by columns."""
    size, info = len(triangle), ctypes.c_int(0)
    _call(cython_lapack, letter(triangle) + "trtri", [as_columns, b"N", size, triangle, size, info])
    if info.value:
        raise LinAlgError("the matrix is singular")
    return triangle


def inverse_from(lower: Matrix) -> Matrix:
    """The inverse of L Lᴴ, whole, from ``lower``, which is overwritten."""
    size, info = len(lower), ctypes.c_int(0)
    _call(cython_lapack, letter(lower) + "potri", [b"U", size, lower, size, info])
    return whole_of(lower)


def row_power(matrix: NDArray[Any]) -> Real:
    """Σ_j |m_ij|² per row."""
    if in_fortran_order(matrix):
        columns = matrix.T.view(matrix.real.dtype)
        sums = np.einsum("ij,ij->j", columns, columns)
        return sums if np.isrealobj(matrix) else sums[0::2] + sums[1::2]
    if np.iscomplexobj(matrix) and matrix.strides[1] == matrix.itemsize:
        matrix = matrix.view(matrix.real.dtype)
    if np.isrealobj(matrix):
        return np.einsum("ij,ij->i", matrix, matrix)
    return np.einsum("ij,ij->i", matrix.real, matrix.real) + np.einsum("ij,ij->i", matrix.imag, matrix.imag)


def _gram(matrix: Matrix, turned: bytes, size: int, inner: int, scale: float) -> Matrix:
    """A row-major A is a column-major Aᵀ to BLAS, and what it yields, read by rows, the product wanted."""
    given = _row_major(matrix)
    product = cast(Matrix, np.zeros((size, size), dtype=given.dtype))
    if not inner:
        return product
    name = letter(given) + ("syrk" if np.isrealobj(given) else "herk")
    factor, nothing = (np.full(1, value, dtype=product.real.dtype) for value in (scale, 0.0))
    width = max(1, given.shape[1])
    _call(cython_blas, name, [b"U", turned, size, inner, factor, given, width, nothing, product, size])
    return product


def letter(matrix: NDArray[Any]) -> str:
    """By which BLAS names the kind of number: s, d, c or z."""
    return {"f": "s", "d": "d", "F": "c", "D": "z"}[matrix.dtype.char]


def _row_major(matrix: Matrix) -> Matrix:
    return cast(Matrix, np.ascontiguousarray(matrix))


def _call(module: Any, name: str, arguments: list[Any]) -> None:
    """A Fortran routine: every argument by reference."""
    passed = [_reference(argument) for argument in arguments]
    _routine(module, name, len(passed))(*passed)


def _reference(argument: Any) -> Any:
    if isinstance(argument, bytes):
        return ctypes.c_char_p(argument)
    if isinstance(argument, int):
        return ctypes.byref(ctypes.c_int(argument))
    if isinstance(argument, np.ndarray):
        return ctypes.c_void_p(argument.ctypes.data)
    return ctypes.byref(argument)


def _routine(module: Any, name: str, count: int) -> Any:
    """The address that SciPy gives to compiled code, as a function that releases the lock."""
    key = (name, count)
    if key not in _found:
        capsule = module.__pyx_capi__[name]
        names = ctypes.pythonapi.PyCapsule_GetName
        names.restype, names.argtypes = ctypes.c_char_p, [ctypes.py_object]
        pointer = ctypes.pythonapi.PyCapsule_GetPointer
        pointer.restype, pointer.argtypes = ctypes.c_void_p, [ctypes.py_object, ctypes.c_char_p]
        kind = ctypes.CFUNCTYPE(None, *[ctypes.c_void_p] * count)
        _found[key] = kind(pointer(capsule, names(capsule)))
    return _found[key]


_found: dict[tuple[str, int], Any] = {}
