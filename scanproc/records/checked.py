"""Turns what a record is given into read-only arrays of a known shape, or says what is wrong with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from scanproc.conventions import Boolean, Complex, Integer, Real, Words
from scanproc.errors import ScanDataError

Number = TypeVar("Number", np.float64, np.complex128, np.int64)

LONGEST, LONGEST_TEXT = 6, 60
"""Of what is shown in a representation: entries, letters."""

Shape = Sequence[int | str]
"""Lengths by axis; a word stands for any length."""


def real_array(name: str, value: ArrayLike, shape: Shape, *, finite: bool = True) -> Real:
    """A read-only float64 array, finite unless ``finite`` is off (NaN then means "not defined")."""
    array = _as_array(name, value, np.float64, "fiu", "real numbers")
    _check(name, array, shape, finite)
    return _frozen(array, value)


def complex_array(name: str, value: ArrayLike, shape: Shape) -> Complex:
    """A read-only, finite complex128 array."""
    array = _as_array(name, value, np.complex128, "cfiu", "numbers")
    _check(name, array, shape, True)
    return _frozen(array, value)


def integer_array(name: str, value: ArrayLike, shape: Shape) -> Integer:
    """A read-only int64 array."""
    array = _as_array(name, value, np.int64, "iu", "whole numbers")
    _check(name, array, shape, True)
    return _frozen(array, value)


def boolean_array(name: str, value: ArrayLike, shape: Shape) -> Boolean:
    """A read-only array of truth values; whole numbers other than zero are true."""
    array = integer_array(name, np.asarray(value).astype(np.int64), shape) != 0
    array.flags.writeable = False
    return array


def text_array(name: str, value: ArrayLike, shape: Shape) -> Words:
    """A read-only array of texts."""
    array = np.array(value, dtype=np.str_)
    _check_shape(name, array, shape)
    array.flags.writeable = False
    return array


def increasing(name: str, array: Real) -> None:
    """Raises unless the values rise from one to the next."""
    step = np.diff(array)
    if np.any(step <= 0):
        at = int(np.argmax(step <= 0))
        raise ScanDataError(
            f"{name} must increase, but entry {at + 1} is {array[at + 1]:g} after {array[at]:g}: "
            "sort the frequencies and drop repeats"
        )


def finite(name: str, value: float) -> float:
    """The value as a float; raises unless it is a finite number."""
    if isinstance(value, bool | np.bool_) or not isinstance(value, int | float | np.integer | np.floating):
        raise ScanDataError(f"{name} must be a number, got {value!r}")
    if not np.isfinite(value):
        raise ScanDataError(f"{name} must be finite, got {value:g}")
    return float(value)


def positive(name: str, value: float) -> float:
    """The value as a float; raises unless it is finite and above zero."""
    number = finite(name, value)
    if number <= 0:
        raise ScanDataError(f"{name} must be above zero, got {number:g}")
    return number


def within(name: str, value: float, low: float, high: float) -> float:
    """The value as a float; raises unless it is finite and lies between the two."""
    number = finite(name, value)
    if not low <= number <= high:
        raise ScanDataError(f"{name} must lie between {low:g} and {high:g}, got {number:g}: correct it")
    return number


def all_within(name: str, array: Real | Integer, low: float, high: float) -> None:
    """Raises unless all values lie between the two."""
    if array.size and (array.min() < low or array.max() > high):
        odd = array.min() if array.min() < low else array.max()
        raise ScanDataError(f"{name} must lie between {low:g} and {high:g}, got {odd:g}: correct it")


def _as_array(name: str, value: ArrayLike, kind: type[Number], accepted: str, noun: str) -> NDArray[Number]:
    try:
        given = np.asarray(value)
    except ValueError as error:
        raise ScanDataError(f"{name} must hold {noun}, got rows of unequal length") from error
    if given.size and given.dtype.kind not in accepted:
        raise ScanDataError(f"{name} must hold {noun}, got {given.dtype}")
    return given.astype(kind, copy=False)


def _check_shape(name: str, array: NDArray[Any], shape: Shape) -> None:
    matches = array.ndim == len(shape) and all(
        isinstance(want, str) or got == want for got, want in zip(array.shape, shape, strict=True)
    )
    if not matches:
        wanted = " x ".join(str(length) for length in shape)
        got = " x ".join(str(length) for length in array.shape) or "a single value"
        raise ScanDataError(f"{name} must have the shape {wanted}, got {got}")


def _check(name: str, array: NDArray[Any], shape: Shape, finite: bool) -> None:
    _check_shape(name, array, shape)
    if finite and not np.all(np.isfinite(array)):
        bad = ~np.isfinite(array)
        first = tuple(int(i) for i in np.argwhere(bad)[0])
        where = f"entry {first[0]}" if len(first) == 1 else f"entry {first}"
        raise ScanDataError(
            f"{name} holds {int(bad.sum())} values that are not finite (NaN or infinite), "
            f"the first at {where}: drop or repeat those points"
        )


def _frozen(array: NDArray[Number], given: ArrayLike) -> NDArray[Number]:
    if array.flags.writeable and isinstance(given, np.ndarray) and np.may_share_memory(array, given):
        array = array.copy()
    view = array.view()
    view.flags.writeable = False
    return view


Record = TypeVar("Record")


def short_repr(kind: type[Record]) -> type[Record]:
    """Gives a dataclass a representation of one line: arrays by their shape, long values cut."""

    def told(self: Any) -> str:
        parts = (f"{one.name}={_briefly(getattr(self, one.name))}" for one in fields(self))
        return f"{type(self).__name__}({', '.join(parts)})"

    kind.__repr__ = told  # type: ignore[method-assign]
    return kind


def _briefly(value: Any) -> str:
    if isinstance(value, np.ndarray):
        if value.ndim == 1 and value.size > 1 and value.dtype.kind == "f":
            return f"<{value.size} values {value[0]:.4g} .. {value[-1]:.4g}>"
        return f"<{value.dtype.kind if value.dtype.kind != 'c' else 'complex'} {' x '.join(map(str, value.shape))}>"
    if isinstance(value, tuple | list | dict) and len(value) > LONGEST:
        return f"<{len(value)} entries>"
    text = repr(value)
    return text if len(text) <= LONGEST_TEXT else f"{text[: LONGEST_TEXT - 3]}..."
