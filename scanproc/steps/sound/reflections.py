"""The first reflection as the responses themselves show it."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.records.measured.scan import ImpulseScan
from scanproc.steps.sound.gate import direct_s, latency_s

BAND_HZ = (1000.0, 6000.0)
"""Where the direct sound is short and reflections stand out."""
SMOOTHING_S = 0.5e-3
RISE_DB = 10.0
"""A reflection lifts the falling envelope by this much above its lowest value so far."""
WEAKEST_DB = -40.0
"""Rises that stay below this, re the direct sound, are taken for noise."""
LATEST = 0.9
"""Share of the record in which a reflection is looked for."""
SHARE_OF_POINTS = 0.05
"""At fewer points than this a rise is no reflection."""
EARLIEST_SHARE = 0.01
"""The gate ends before the reflection at all points but this share."""


def gap_s(impulse: ImpulseScan) -> float | None:
    """Time from the direct sound until energy rises again at any but a few points; None where it never does.

    An estimate. Raises ScanDataError when the rise comes with the direct sound.
    """
    after = reflection_after_s(impulse)
    seen = np.isfinite(after)
    if np.mean(seen) < SHARE_OF_POINTS:
        return None
    length = float(np.quantile(after[seen], EARLIEST_SHARE)) - SMOOTHING_S / 2
    if length <= 0:
        raise ScanDataError(
            "the impulse responses show no gap between the direct sound and the first reflection: "
            "state the end of the gate (room.gate_end_s) or set room.method"
        )
    return length


def reflection_after_s(impulse: ImpulseScan) -> Real:
    """Time from the direct sound to the first rise of the envelope (points,), inf where there is none."""
    energy = _envelope(impulse)
    samples = energy.shape[1]
    time = impulse.time_zero_s + np.arange(samples) / impulse.sampling_rate_hz
    arrival, last = direct_s(impulse.setup, latency_s(impulse)), int(LATEST * samples)
    after = np.full(impulse.points, np.inf)
    for point, envelope in enumerate(energy):
        peak = int(np.argmax(envelope[time < arrival[point] + 2e-3]))
        tail = envelope[peak:last]
        rise = tail > np.minimum.accumulate(tail) * 10 ** (RISE_DB / 10)
        rise &= tail > tail[0] * 10 ** (WEAKEST_DB / 10)
        if rise.any():
            after[point] = time[peak + int(np.argmax(rise))] - arrival[point]
    return after


def _envelope(impulse: ImpulseScan) -> Real:
    """Squared envelope of the responses within ``BAND_HZ``, smoothed, (points, samples)."""
    samples = impulse.impulse_response_pa.shape[1]
    frequency = np.fft.fftfreq(samples, 1 / impulse.sampling_rate_hz)
    octave = (
        np.log2(np.maximum(frequency, 1.0) / BAND_HZ[0]),
        np.log2(np.maximum(frequency, 1.0) / BAND_HZ[1]),
    )
    band = np.sin(np.pi / 2 * np.clip(octave[0] + 0.5, 0, 1)) * np.cos(
        np.pi / 2 * np.clip(octave[1] + 0.5, 0, 1)
    )
    spectrum = np.fft.fft(impulse.impulse_response_pa, axis=1)
    power = np.abs(np.fft.ifft(spectrum * band**2, axis=1)) ** 2
    width = max(1, round(SMOOTHING_S * impulse.sampling_rate_hz))
    kernel = np.hanning(width + 2)
    smoother = np.fft.fft(np.roll(np.pad(kernel, (0, samples - len(kernel))), -(len(kernel) // 2)))
    smooth: Real = np.fft.ifft(np.fft.fft(power, axis=1) * smoother, axis=1).real
    return np.maximum(smooth, 0)
