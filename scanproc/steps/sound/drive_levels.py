"""Sweeps at several drive levels to compression and harmonics by level."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from scanproc.conventions import REFERENCE_PRESSURE_PA, Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.measured.drive_levels import DriveLevels
from scanproc.steps.sound.deconvolve import deconvolved, inverse_of
from scanproc.steps.sound.harmonics import (
    Window,
    harmonic_inverse,
    harmonic_responses,
    harmonic_window,
    noise_density,
    window_of,
)
from scanproc.waves.bands import octave_fractions
from scanproc.waves.log_sweep import LogSweep, find_log_sweep

PER_OCTAVE = 12
LINES = 8
"""Frequencies of whose squared pressures each value is the mean: notches of the room weigh little."""
POWER_99 = float(np.log(100))
"""Power below which 99 % of circular complex errors of variance one lie."""
SAME_DB = 0.05
"""Drive levels nearer than this are the same level again."""


def drive_levels(
    recording: Real,
    drive_v: Real,
    names: Sequence[str],
    drive: Real,
    sampling_rate_hz: float,
    band_hz: tuple[float, float],
    before_s: float,
    length_s: float,
    highest_order: int,
    floor_db: float = -80.0,
) -> DriveLevels:
    """Compression and harmonics 2 to ``highest_order`` from recordings (levels, samples), Pa, of one logarithmic sweep.

    The band is what the sweep covers of ``band_hz``. ``drive_v`` (levels,) of full scale of the ``drive`` (samples,),
    in the order in which they were played. The responses last ``length_s`` from ``before_s`` ahead of the drive.
    Raises ScanDataError for any other drive, one that sweeps too fast, or silence.
    """
    sweep = find_log_sweep(drive, sampling_rate_hz)
    band_hz = (max(band_hz[0], sweep.lowest_hz), min(band_hz[1], sweep.highest_hz))
    hz, lines = _grid(band_hz)
    ahead = min(before_s, sweep.gap_s(2) / 2)
    inverse = inverse_of(drive, recording.shape[1], sampling_rate_hz, band_hz, floor_db)
    response = deconvolved(recording, inverse, ahead, length_s)
    power = _means(np.abs(_spectra(response, ahead, sampling_rate_hz, lines)) ** 2)
    if np.any(power <= 0):
        raise ScanDataError(f"{names[int(np.argmin(power.min(axis=1)))]} holds silence: record it again")
    level = 10 * np.log10(power) - 20 * np.log10(REFERENCE_PRESSURE_PA)
    share = 20 * np.log10(drive_v / drive_v[0])[:, None]
    compression = level[0] + share - level
    windows = [
        harmonic_window(sweep, order, band_hz, ahead, length_s) for order in range(2, highest_order + 1)
    ]
    found = [_harmonic(recording, sweep, window, lines) for window in windows]
    harmonic, floor = (np.stack(part) for part in zip(*found, strict=True))
    again = len(drive_v) > 2 and abs(share[-1, 0]) < SAME_DB
    with np.errstate(divide="ignore"):
        return DriveLevels(
            hz,
            drive_v,
            level,
            compression,
            np.array([window.order for window in windows], dtype=np.int64),
            10 * np.log10(harmonic / power),
            10 * np.log10(floor / power),
            10 * np.log10(_total(harmonic) / power),
            10 * np.log10(_total(floor) / power),
            -compression[-1] if again else None,
            tuple(names),
        )


def _harmonic(recording: Real, sweep: LogSweep, window: Window, lines: Real) -> tuple[Real, Real]:
    """Power of a harmonic by level and excitation frequency, and that below which 99 % of noise lies, (L, F) each; NaN
    beyond its band."""
    rate, own = sweep.sampling_rate_hz, window.order * lines
    inverse = harmonic_inverse(sweep, window, recording.shape[1])
    response = harmonic_responses(recording, inverse, window)
    inside = np.all((own >= window.lowest_hz) & (own <= window.highest_hz), axis=1)
    power, floor = (np.full((len(recording), len(lines)), np.nan) for _ in range(2))
    power[:, inside] = _means(np.abs(_spectra(response, window.before_s, rate, own[inside])) ** 2)
    energy = np.sum(window_of(response.shape[1], round(window.before_s * rate)) ** 2)
    for row, one in enumerate(response):
        density = noise_density(one[None], window.before_s, rate, own[inside].ravel())
        floor[row, inside] = POWER_99 * energy * _over_an_octave(density)
    return power, floor


def _grid(band_hz: tuple[float, float]) -> tuple[Real, Real]:
    """Middles (F,) of twelfths of an octave within a band, and frequencies evenly within each, (F, LINES)."""
    hz = octave_fractions(
        band_hz[0] * 2 ** (0.5 / PER_OCTAVE), band_hz[1] / 2 ** (0.5 / PER_OCTAVE), PER_OCTAVE
    )
    if not len(hz):
        raise ScanDataError(
            f"the band from {band_hz[0]:g} to {band_hz[1]:g} Hz is too narrow: widen [drive] in the settings"
        )
    step = (np.arange(LINES) + 0.5) / LINES - 0.5
    return hz, hz[:, None] * 2 ** (step / PER_OCTAVE)


def _spectra(response: Real, before_s: float, sampling_rate_hz: float, frequency_hz: Real) -> Complex:
    """The responses (levels, samples) at the frequencies (F, LINES): (levels, F, LINES)."""
    first = -round(before_s * sampling_rate_hz) / sampling_rate_hz
    time = first + np.arange(response.shape[1]) / sampling_rate_hz
    turned = [response @ np.exp(-2j * np.pi * time[:, None] * row) for row in frequency_hz]
    return np.stack(turned, axis=1) if turned else np.empty((len(response), 0, LINES), np.complex128)


def _means(power: Real) -> Real:
    found: Real = power.mean(axis=-1)
    return found


def _over_an_octave(density: Real) -> Real:
    """Means (F,) over the octave about each of (F · LINES,): a single recording tells noise poorly at one frequency."""
    count = PER_OCTAVE * LINES
    total = np.concatenate([[0.0], np.cumsum(density)])
    middle = LINES * np.arange(len(density) // LINES) + LINES // 2
    start, stop = np.maximum(middle - count // 2, 0), np.minimum(middle + count // 2, len(density))
    found: Real = (total[stop] - total[start]) / np.maximum(1, stop - start)
    return found


def _total(power: Real) -> Real:
    """Sum over the harmonics that are known; NaN where none is."""
    known = np.isfinite(power)
    return np.where(known.any(axis=0), np.where(known, power, 0.0).sum(axis=0), np.nan)
