"""Sums of delayed sources, Σ e^{-jωT} w, exact to rounding, by whichever road is shortest."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.fft import fft, next_fast_len

from scanproc.conventions import Complex, Real

HALF_BIN_RAD = 0.8
"""Largest phase, at the highest frequency, between a source and the middle of its bin."""

FEW_FREQUENCIES = 64
"""Up to so many a table of cosines and sines is quicker than the FFT."""

TERMS = 18
"""Terms of the exponential series within a bin: 0.8^18/18! is below 1e-17."""


def phasor_sums(travel_s: Real, weight: Real, frequency_hz: Real) -> Complex:
    """Σ_s e^{-jωT} w: times (points, S), weights (points, S, columns) -> (points, F, columns).

    Few sources: one matrix product per point. Many (rooms with all their images): sources are gathered
    in bins of time, with the moments that the exponential series about the middle of the bin needs.
    """
    span = float(np.ptp(travel_s)) if travel_s.size else 0.0
    bins = int(np.pi * frequency_hz.max() * span / HALF_BIN_RAD) + 2
    if travel_s.shape[1] > bins:
        return _binned(travel_s, weight, frequency_hz)
    by_point = _on_equal_steps if equal_steps(frequency_hz) else _one_by_one
    sums = [by_point(travel, w, frequency_hz) for travel, w in zip(travel_s, weight, strict=True)]
    return np.array(sums, np.complex128).reshape(len(travel_s), len(frequency_hz), weight.shape[2])


def equal_steps(frequency_hz: Real) -> bool:
    """Whether the frequencies are equally spaced to rounding (and enough to make use of it)."""
    if len(frequency_hz) < 9:
        return False
    even = np.linspace(frequency_hz[0], frequency_hz[-1], len(frequency_hz))
    return bool(np.max(np.abs(frequency_hz - even)) <= 4e-16 * frequency_hz[-1])


def _one_by_one(travel: Real, weight: Real, frequency: Real) -> Complex:
    phase = np.multiply.outer(2 * np.pi * frequency, travel)
    return np.asarray(np.cos(phase) @ weight - 1j * (np.sin(phase) @ weight), np.complex128)


def _on_equal_steps(travel: Real, weight: Real, frequency: Real) -> Complex:
    """e^{-jωT} as the product of a short table of fine steps and one of coarse steps."""
    count, columns = len(frequency), weight.shape[1]
    step = (frequency[-1] - frequency[0]) / (count - 1)
    inner = int(np.ceil(np.sqrt(count)))
    outer = -(-count // inner)
    fine = np.exp(-2j * np.pi * step * np.multiply.outer(np.arange(inner), travel))
    start = frequency[0] + step * inner * np.arange(outer)
    coarse = np.exp(-2j * np.pi * np.multiply.outer(travel, start))
    mixed = coarse[:, :, None] * weight[:, None, :]
    product = fine @ mixed.reshape(len(travel), outer * columns)
    by_step: Complex = product.reshape(inner, outer, columns).swapaxes(0, 1)
    return by_step.reshape(inner * outer, columns)[:count]


def _binned(travel: Real, weight: Real, frequency: Real) -> Complex:
    width, transform = _transform(frequency, float(np.ptp(travel)))
    start = travel.min()
    index = np.rint((travel - start) / width).astype(np.int64)
    offset = (travel - start) / width - index
    bins = int(index.max()) + 1
    series = _series(np.asarray(-2j * np.pi * frequency * width))
    begin = np.exp(-2j * np.pi * frequency * start)[:, None]
    sums = np.empty((len(travel), len(frequency), weight.shape[2]), complex)
    for point in range(len(travel)):
        moments = _moments(index[point], offset[point], weight[point], bins)
        at = transform(moments).reshape(len(frequency), TERMS, -1)
        sums[point] = begin * np.einsum("ft,ftc->fc", series, at)
    return sums


def _transform(frequency: Real, span: float) -> tuple[float, Callable[[Real], Complex]]:
    """Width of a bin, and Σ_m e^{-jωmΔ} x_m for (bins, columns) -> (F, columns): by FFT, or by table."""
    widest = HALF_BIN_RAD / (np.pi * frequency.max())
    if len(frequency) > FEW_FREQUENCIES and equal_steps(frequency):
        step = (frequency[-1] - frequency[0]) / (len(frequency) - 1)
        length = next_fast_len(int(np.ceil(1 / (step * widest))))
        width = 1 / (step * length)
        turn = np.exp(-2j * np.pi * frequency[0] * width * np.arange(int(span / width) + 2))
        return width, lambda x: _by_fft(turn[: len(x), None] * x, length)[: len(frequency)]
    phase = np.multiply.outer(2 * np.pi * frequency, widest * np.arange(int(span / widest) + 2))
    cosine, sine = np.cos(phase), np.sin(phase)
    return widest, lambda x: cosine[:, : len(x)] @ x - 1j * (sine[:, : len(x)] @ x)


def _by_fft(values: Complex, length: int) -> Complex:
    """Σ_m e^{-2πjim/length} x_m for i < length, however many values there are."""
    folded = np.zeros((-(-len(values) // length) * length, values.shape[1]), complex)
    folded[: len(values)] = values
    return np.asarray(fft(folded.reshape(-1, length, values.shape[1]).sum(axis=0), axis=0), np.complex128)


def _moments(index: Real, offset: Real, weight: Real, bins: int) -> Real:
    """Σ w·u^t by bin, (bins, TERMS · columns)."""
    columns = weight.shape[1]
    moments = np.empty((bins, TERMS, columns))
    for column in range(columns):
        power = weight[:, column].copy()
        for term in range(TERMS):
            moments[:, term, column] = np.bincount(index, power, bins)
            power *= offset
    return moments.reshape(bins, TERMS * columns)


def _series(slope: Complex) -> Complex:
    """slope^t / t! for each frequency, (F, TERMS)."""
    steps = slope[:, None] / np.arange(1, TERMS)
    return np.concatenate([np.ones((len(slope), 1), complex), np.cumprod(steps, axis=1)], axis=1)
