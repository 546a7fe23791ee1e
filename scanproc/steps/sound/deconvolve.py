"""Recorded sweeps to impulse responses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError

FADE_OCTAVES = 0.5
"""Width of the squared cosine beyond each end of the band."""


@dataclass(frozen=True, eq=False)
class Inverse:
    """What turns a recording into a response: one over the drive's spectrum within a band.

    ``filter`` complex (bins,) for transforms of length ``length``.
    """

    filter: Complex
    length: int
    sampling_rate_hz: float


def inverse_of(
    drive: Real, samples: int, sampling_rate_hz: float, band_hz: tuple[float, float], floor_db: float
) -> Inverse:
    """The inverse of a drive signal for recordings of so many samples.

    X*/(|X|² + ε) with ε = max|X|² · 10^(``floor_db``/10), times a window that falls to zero half an octave beyond
    ``band_hz``. Harmonics of a rising sweep come out before the response, at negative times (Farina 2000).
    Raises ScanDataError when the drive has nothing in the band.
    """
    length = int(next_fast_len(samples + len(drive), real=True))
    spectrum = rfft(drive, length)
    power = np.abs(spectrum) ** 2
    frequency = rfftfreq(length, 1 / sampling_rate_hz)
    window = band_window(frequency, band_hz)
    if not np.any(power[window > 0.5] > 1e-12 * max(float(power.max()), 1e-300)):
        raise ScanDataError(
            f"the drive signal is silent between {band_hz[0]:g} and {band_hz[1]:g} Hz: check drive.file and band"
        )
    floor = float(power.max()) * 10 ** (floor_db / 10)
    return Inverse(window * np.conj(spectrum) / (power + floor), length, sampling_rate_hz)


def deconvolved(recording: Real, inverse: Inverse, before_s: float, length_s: float) -> Real:
    """Responses (points, samples) from ``before_s`` ahead of the drive, ``length_s`` long.

    The band's lower end rings before the response, too, about one period long: what ``before_s`` cuts off is missing
    there.
    """
    whole = irfft(rfft(recording, inverse.length, axis=1) * inverse.filter, inverse.length, axis=1)
    before = round(before_s * inverse.sampling_rate_hz)
    samples = min(inverse.length, round(length_s * inverse.sampling_rate_hz))
    return np.asarray(np.roll(whole, before, axis=1)[:, :samples], np.float64)


def corrected(response: Real, sampling_rate_hz: float, frequency_hz: Real, ratio: Complex) -> Real:
    """Impulse responses (points, samples) divided by a transfer function, circularly."""
    samples = response.shape[1]
    grid = rfftfreq(samples, 1 / sampling_rate_hz)
    divided = rfft(response, axis=1) / at(grid, frequency_hz, ratio)
    return np.asarray(irfft(divided, samples, axis=1), np.float64)


def at(wanted_hz: Real, frequency_hz: Real, ratio: Complex) -> Complex:
    """A transfer function at other frequencies: level and unwrapped phase along the logarithm of frequency.

    Beyond its ends the level stays, the phase, too.
    """
    place = np.log(np.maximum(wanted_hz, 1e-3))
    known = np.log(frequency_hz)
    level = np.interp(place, known, np.log(np.abs(ratio)))
    phase = np.interp(place, known, np.unwrap(np.angle(ratio)))
    return np.asarray(np.exp(level + 1j * phase), np.complex128)


def band_window(frequency_hz: Real, band_hz: tuple[float, float]) -> Real:
    """One within the band, a squared cosine over half an octave beyond either end, else zero."""
    octave = np.log2(np.maximum(frequency_hz, 1e-3))
    below, above = np.log2(band_hz[0]) - octave, octave - np.log2(band_hz[1])
    beyond = np.clip(np.maximum(below, above) / FADE_OCTAVES, 0, 1)
    window: Real = np.cos(np.pi / 2 * beyond) ** 2
    return window
