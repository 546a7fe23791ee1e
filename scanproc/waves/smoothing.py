"""Means over fractional-octave windows of curves known at some frequencies."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import Real
from scanproc.waves.bands import band_centres, band_edges

Number = TypeVar("Number", np.float64, np.complex128)


def smoothed(frequency_hz: Real, value: NDArray[Number], per_octave: float) -> NDArray[Number]:
    """Mean over f·G^(∓1/2b) around each frequency, (..., F), even over log f; G = 10^(3/10), b = ``per_octave``.

    Between frequencies the value is a straight line over log f; at the ends the window is cut short on both sides
    alike, so that a slope is kept.
    """
    place = np.log10(frequency_hz)
    half = np.minimum(0.15 / per_octave, np.minimum(place - place[0], place[-1] - place))
    return means(place, value, place - half, place + half)


def band_means(frequency_hz: Real, value: NDArray[Number], per_octave: int) -> tuple[Real, NDArray[Number]]:
    """Mid-band frequencies (bands,) of the bands of IEC 61260-1 that the data cover, and means (..., bands)."""
    centre = band_centres(per_octave, float(frequency_hz[0]), float(frequency_hz[-1]))
    low, high = (np.clip(edge, frequency_hz[0], frequency_hz[-1]) for edge in band_edges(centre, per_octave))
    return centre, means(np.log10(frequency_hz), value, np.log10(low), np.log10(high))


def means(place: Real, value: NDArray[Number], low: Real, high: Real) -> NDArray[Number]:
    """Means of a piecewise straight line with knots (K,) and values (..., K) over intervals (I,), (..., I)."""
    area = np.zeros(value.shape, dtype=value.dtype)
    np.cumsum(np.diff(place) * (value[..., 1:] + value[..., :-1]) / 2, axis=-1, out=area[..., 1:])
    width = high - low
    wide = width > 1e-12
    part = _area(place, value, area, high) - _area(place, value, area, low)
    at_point = _line(place, value, (low + high) / 2)
    result: NDArray[Number] = np.where(wide, part / np.where(wide, width, 1), at_point)
    return result


def _line(place: Real, value: NDArray[Number], at: Real) -> NDArray[Number]:
    left = _left(place, at)
    share = (at - place[left]) / (place[left + 1] - place[left])
    result: NDArray[Number] = value[..., left] * (1 - share) + value[..., left + 1] * share
    return result


def _area(place: Real, value: NDArray[Number], area: NDArray[Number], at: Real) -> NDArray[Number]:
    left = _left(place, at)
    result: NDArray[Number] = (
        area[..., left] + (at - place[left]) * (value[..., left] + _line(place, value, at)) / 2
    )
    return result


def _left(place: Real, at: Real) -> NDArray[np.intp]:
    return np.clip(np.searchsorted(place, at, side="right") - 1, 0, len(place) - 2)
