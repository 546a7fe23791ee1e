"""Turns what a record is given into read-only arrays of a known shape, or says what is wrong with it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from scanproc.conventions import Complex, Integer, Real
from scanproc.errors import ScanDataError

Shape = Sequence[int | str]
"""Lengths by axis; a word stands for any length."""


def real_array(name: str, value: ArrayLike, shape: Shape, *, finite: bool = True) -> Real:
    """A read-only float64 array, finite unless ``finite`` is off (NaN then means "not defined")."""
    array = _as_array(name, value, np.float64)
    _check(name, array, shape, finite)
    return _frozen(array, value)


def complex_array(name: str, value: ArrayLike, shape: Shape) -> Complex:
    """A read-only, finite complex128 array."""
    array = _as_array(name, value, np.complex128)
    _check(name, array, shape, True)
    return _frozen(array, value)


def integer_array(name: str, value: ArrayLike, shape: Shape) -> Integer:
    """A read-only int64 array."""
    given = np.asarray(value)
    if given.size and not np.issubdtype(given.dtype, np.integer):
        raise ScanDataError(f"{name} must hold whole numbers, got {given.dtype}")
    array = given.astype(np.int64, copy=False)
    _check(name, array, shape, True)
    return _frozen(array, value)


def increasing(name: str, array: Real) -> None:
    """Raises unless the values rise from one to the next."""
    step = np.diff(array)
    if np.any(step <= 0):
        at = int(np.argmax(step <= 0))
        raise ScanDataError(
            f"{name} must increase, but entry {at + 1} is {array[at + 1]:g} after {array[at]:g}: "
            "sort the frequencies and drop repeats"
        )


def positive(name: str, value: float) -> float:
    """The value as a float; raises unless it is finite and above zero."""
    number = float(value)
    if not (np.isfinite(number) and number > 0):
        raise ScanDataError(f"{name} must be above zero, got {number:g}")
    return number


def _as_array(name: str, value: ArrayLike, kind: type) -> NDArray[np.generic]:
    try:
        given = np.asarray(value)
        if np.issubdtype(given.dtype, np.complexfloating) and kind is np.float64:
            raise ScanDataError(f"{name} must be real, got {given.dtype}")
        return given.astype(kind, copy=False)
    except (TypeError, ValueError) as error:
        raise ScanDataError(f"{name} must hold numbers, got {np.asarray(value).dtype}") from error


def _check(name: str, array: NDArray[np.generic], shape: Shape, finite: bool) -> None:
    matches = array.ndim == len(shape) and all(
        isinstance(want, str) or got == want for got, want in zip(array.shape, shape, strict=True)
    )
    if not matches:
        wanted = " x ".join(str(length) for length in shape)
        got = " x ".join(str(length) for length in array.shape) or "a single value"
        raise ScanDataError(f"{name} must have the shape {wanted}, got {got}")
    if finite and not np.all(np.isfinite(array)):
        bad = ~np.isfinite(array)
        first = tuple(int(i) for i in np.argwhere(bad)[0])
        where = f"entry {first[0]}" if len(first) == 1 else f"entry {first}"
        raise ScanDataError(
            f"{name} holds {int(bad.sum())} values that are not finite (NaN or infinite), "
            f"the first at {where}: drop or repeat those points"
        )


def _frozen(array: NDArray[np.generic], given: ArrayLike) -> NDArray[np.generic]:
    if array is given and array.flags.writeable:
        array = array.copy()
    view = array.view()
    view.flags.writeable = False
    return view
