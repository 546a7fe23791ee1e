"""Recorded logarithmic sweeps to the responses of their harmonics.

Divided by the spectrum of a sweep of n times the drive's phase (:mod:`scanproc.waves.log_sweep`), harmonic n comes out
like any response, at time zero; harmonic n+1 came before, n-1 comes after, each in a window of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len, rfftfreq

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.steps.sound.deconvolve import FADE_OCTAVES, Inverse, band_window, deconvolved
from scanproc.waves.log_sweep import LogSweep, harmonic_spectrum

CONVERTER = 0.95
"""Share of half the sampling rate where converters' filters begin: common practice, no source."""
EDGE_OCTAVES = 0.25
"""So far above the band's lower edge its ringing no longer matters."""
FADE_SHARE = 0.25
"""Share of a window over which it falls, and may rise, as a squared sine: what rings ahead of harmonic n-1 fades."""


@dataclass(frozen=True)
class Window:
    """Where harmonic ``order`` lies: from ``before_s`` ahead of the drive, ``length_s`` in all, and its band.

    ``lowest_hz``: the higher of what the sweep's start leaves of the harmonic and one period in the window after time
    zero, and a little above, since the window cuts what the band's edge rings; ``highest_hz``: where converters'
    filters begin, or the drive's band ends.
    """

    order: int
    before_s: float
    length_s: float
    lowest_hz: float
    highest_hz: float


def harmonic_window(
    sweep: LogSweep, order: int, band_hz: tuple[float, float], before_s: float, length_s: float
) -> Window:
    """The window of a harmonic, as ``before_s`` and ``length_s`` ask or as the neighbours allow.

    It begins at most halfway to harmonic n+1, and ends where that of n-1 begins. Raises ScanDataError when less than
    an octave is left of its band.
    """
    ahead = min(before_s, sweep.gap_s(order + 1) / 2)
    after = min(length_s - before_s, sweep.gap_s(order) - min(before_s, sweep.gap_s(order) / 2))
    edge = 2**FADE_OCTAVES
    lowest = 2**EDGE_OCTAVES * max(edge * order * max(band_hz[0], sweep.lowest_hz), 1 / after)
    highest = min(band_hz[1], CONVERTER * sweep.sampling_rate_hz / 2 / edge)
    if 2 * lowest > highest:
        fewer = order - 1 if order > 2 else 0
        raise ScanDataError(
            f"harmonic {order} can be told from {lowest:.0f} to {highest:.0f} Hz only: the drive sweeps from "
            f"{sweep.lowest_hz:.0f} to {sweep.highest_hz:.0f} Hz so fast that {1e3 * after:.1f} ms are left before "
            f"harmonic {order - 1}; sweep more slowly, or keep fewer (drive.harmonics = {fewer})"
        )
    return Window(order, ahead, ahead + after, lowest, highest)


def harmonic_inverse(sweep: LogSweep, window: Window, samples: int) -> Inverse:
    """What turns recordings of so many samples into responses of a harmonic."""
    length = int(next_fast_len(samples + sweep.samples, real=True))
    frequency = rfftfreq(length, 1 / sweep.sampling_rate_hz)
    band = band_window(frequency, (window.lowest_hz / 2**EDGE_OCTAVES, window.highest_hz))
    spectrum = harmonic_spectrum(sweep, window.order, frequency)
    inside = (band > 0) & (spectrum != 0)
    inverse = np.divide(band, spectrum, where=inside, out=np.zeros(len(band), np.complex128))
    return Inverse(inverse, length, sweep.sampling_rate_hz)


def harmonic_responses(recording: Real, inverse: Inverse, window: Window) -> Real:
    """Responses (points, samples) of a harmonic within its window.

    Their spectrum at nf is the harmonic's amplitude and phase over those of the drive at f, phases counted against n
    times the drive's (both as cosines).
    """
    found = deconvolved(recording, inverse, window.before_s, window.length_s)
    return found * window_of(found.shape[1], round(window.before_s * inverse.sampling_rate_hz))


def noise_density(response: Real, before_s: float, sampling_rate_hz: float, frequency_hz: Real) -> Real:
    """Power per sample of what comes ahead of time zero, mean of the points, (F,), Pa².

    Noise, the tail of harmonic n+1, and what the band's edge rings: whatever is not the harmonic. Times the sum of a
    squared window it is the mean square of spectra within that window. ``response`` (points, samples) as
    :func:`harmonic_responses` gives it.
    """
    before = round(before_s * sampling_rate_hz)
    fall = np.cos(np.pi / 2 * np.arange(before) / max(1, before)) ** 2
    turn = np.exp(-2j * np.pi * np.outer(np.arange(before) / sampling_rate_hz, frequency_hz))
    rise = window_of(response.shape[1], before)[:before]
    power = np.mean(np.abs((response[:, :before] * fall) @ turn) ** 2, axis=0)
    density: Real = power / np.sum((rise * fall) ** 2)
    return density


def window_of(samples: int, before: int) -> Real:
    """What the responses of a harmonic are multiplied by (samples,): up before time zero, down over the last quarter.

    ``before``: samples ahead of time zero.
    """
    rise = np.arange(samples) / max(1.0, min(FADE_SHARE * samples, before))
    fall = np.arange(samples, 0, -1) / max(1.0, FADE_SHARE * samples)
    window: Real = np.sin(np.pi / 2 * np.clip(np.minimum(rise, fall), 0, 1)) ** 2
    return window
