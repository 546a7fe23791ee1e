"""Impulse responses to complex spectra."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.measured.scan import ImpulseScan, Scan
from scanproc.waves.bands import octave_fractions

AUDIBLE_HZ = (20.0, 20000.0)
HIGHEST_OF_RATE = 0.45
"""Highest frequency taken, as a part of the sampling rate: the converters' filters begin there."""


def spectra(impulse: ImpulseScan, frequency_hz: ArrayLike) -> Scan:
    """The scan's spectra at any frequencies (F,), Hz: P(f) = Σ_i h_i e^{-j2πf(t_0 + i/f_s)}.

    The sum takes every sample as it is, so silence around the response changes nothing; t_0 is
    ``time_zero_s``. Raises ScanDataError at frequencies above half the sampling rate.

    >>> sp.spectra(sp.ImpulseScan(scan.setup, np.eye(40, 64), 8000.0), np.array([500.0])).pressure_pa.shape
    (40, 1)
    """
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    half = impulse.sampling_rate_hz / 2
    if frequency.size and frequency.max() > half:
        raise ScanDataError(
            f"frequencies must stay below half the sampling rate ({half:g} Hz), got {frequency.max():g} Hz: "
            "lower the highest frequency"
        )
    return Scan(impulse.setup, frequency, _transform(impulse, frequency))


def usual_frequencies(
    samples: int,
    sampling_rate_hz: float,
    per_octave: int,
    lowest_hz: float | None = None,
    highest_hz: float | None = None,
) -> Real:
    """Evenly spaced on a logarithmic axis (F,), Hz, over what responses of so many samples can show.

    Unless stated, from one period in the length of the response (no lower than 20 Hz) to 0.45 of the sampling
    rate (no higher than 20 kHz). Raises ScanDataError when nothing is left.
    """
    lowest = lowest_hz or max(AUDIBLE_HZ[0], sampling_rate_hz / samples)
    highest = highest_hz or min(AUDIBLE_HZ[1], HIGHEST_OF_RATE * sampling_rate_hz)
    frequency = octave_fractions(lowest, highest, per_octave)
    if not len(frequency):
        raise ScanDataError(
            f"no frequency lies between {lowest:g} and {highest:g} Hz at {per_octave} per octave: "
            f"the responses are {samples} samples at {sampling_rate_hz:g} Hz; widen the band"
        )
    return frequency


def _transform(impulse: ImpulseScan, frequency: Real) -> Complex:
    samples = impulse.impulse_response_pa.shape[1]
    time = impulse.time_zero_s + np.arange(samples) / impulse.sampling_rate_hz
    phase = 2 * np.pi * time[:, None] * frequency
    response = impulse.impulse_response_pa
    pressure = np.empty((impulse.points, len(frequency)), dtype=np.complex128)
    pressure.real = response @ np.cos(phase)
    pressure.imag = response @ -np.sin(phase)
    return pressure
