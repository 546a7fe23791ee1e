"""What impulse responses show by themselves: clipping, noise before the sound, arrival, a cut tail."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.fft import irfft, rfft, rfftfreq

from scanproc.conventions import Boolean, Integer, Real
from scanproc.records.measured.scan import ImpulseScan

ARRIVED = 0.2
"""The sound has arrived when a response first reaches this part of its peak (common practice, no source)."""
FLAT_RUN = 3
"""So many samples in a row at the very peak are a flat top."""
FLAT = 1e-5
TAIL_SHARE = 0.05
QUIET_SAMPLES, QUIET_SHARE = 16, 0.75
OCTAVES = 8
SWEEP_SHARE, SWEEP_CORRELATION = 0.2, 0.9


@dataclass(frozen=True, eq=False)
class ResponseFacts:
    """Facts by point, (points,) each.

    ``peak_pa``; ``arrival_s`` relative to the drive; ``quiet_s`` how much of the record before serves to judge the
    noise; ``tail_pa`` rms of the last part; ``clipped``.
    """

    peak_pa: Real
    arrival_s: Real
    quiet_s: Real
    tail_pa: Real
    clipped: Boolean


def response_facts(impulse: ImpulseScan) -> ResponseFacts:
    """The facts of some points."""
    response = impulse.impulse_response_pa
    peak = np.abs(response).max(axis=1)
    first = _arrival(response, peak)
    tail = response[:, -max(1, int(TAIL_SHARE * response.shape[1])) :]
    return ResponseFacts(
        peak_pa=peak,
        arrival_s=impulse.time_zero_s + first / impulse.sampling_rate_hz,
        quiet_s=np.asarray(QUIET_SHARE * first / impulse.sampling_rate_hz, np.float64),
        tail_pa=np.sqrt(np.mean(tail**2, axis=1)),
        clipped=flat_tops(response, peak),
    )


def joined(parts: Sequence[ResponseFacts]) -> ResponseFacts:
    """Facts of blocks of points put together."""
    names = ("peak_pa", "arrival_s", "quiet_s", "tail_pa", "clipped")
    return ResponseFacts(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def flat_tops(response: Real, peak: Real) -> Boolean:
    """Which responses (points, samples) stay at their peak for ``FLAT_RUN`` samples or more."""
    top = np.abs(response) >= (1 - FLAT) * peak[:, None]
    runs = top[:, : top.shape[1] - FLAT_RUN + 1].copy()
    for shift in range(1, FLAT_RUN):
        runs &= top[:, shift : top.shape[1] - FLAT_RUN + 1 + shift]
    return np.asarray(runs.any(axis=1) & (peak > 0))


def _arrival(response: Real, peak: Real) -> Integer:
    return np.argmax(np.abs(response) >= ARRIVED * np.maximum(peak, 1e-300)[:, None], axis=1)


def noise_before(impulse: ImpulseScan, frequency_hz: Real) -> Real:
    """Power per sample before the sound arrives, by point and frequency (some points, F), Pa².

    |Σ w p e^{-jωt}|² / Σ w² with a Hann window w over the first three quarters of the time before the sound. Only of
    points that leave at least ``QUIET_SAMPLES`` of it, and of none when most leave less.
    """
    response = impulse.impulse_response_pa
    first = _arrival(response, np.abs(response).max(axis=1))
    length = int(QUIET_SHARE * np.quantile(first, 0.05)) if len(first) else 0
    if length < QUIET_SAMPLES:
        return np.empty((0, len(frequency_hz)))
    window = np.hanning(length)
    turn = np.exp(-2j * np.pi * np.outer(np.arange(length) / impulse.sampling_rate_hz, frequency_hz))
    quiet = response[QUIET_SHARE * first >= length, :length] * window
    power: Real = np.abs(quiet @ turn) ** 2 / np.sum(window**2)
    return power


def spectral_noise(power: Real, samples: int) -> Real | None:
    """Noise of spectra over all samples (F,), Pa, from what :func:`noise_before` found at all points.

    √(samples · mean power), the mean from the median of powers that scatter like those of normal noise (median over
    mean = ln 2). None when too few responses have time before the sound.
    """
    if len(power) < 8:
        return None
    noise: Real = np.sqrt(samples * np.median(power, axis=0) / np.log(2))
    return noise


def is_sweep(recording: Real, sampling_rate_hz: float) -> bool:
    """Whether recordings (points, samples) are of a rising sweep: each octave sounds after the one below.

    The middle in time of an octave's energy must rise with the octave, over at least ``SWEEP_SHARE`` of the record in
    all and evenly (``SWEEP_CORRELATION``), octaves weighted by energy. In a response all octaves start together, and
    the lower ones ring longer.
    """
    samples = recording.shape[1]
    spectrum, grid = rfft(recording, axis=1), rfftfreq(samples, 1 / sampling_rate_hz)
    power, middle = np.zeros(OCTAVES), np.zeros(OCTAVES)
    for octave in range(OCTAVES):
        top = sampling_rate_hz / 2 ** (OCTAVES - octave)
        part = np.where((grid >= top / 2) & (grid < top), spectrum, 0)
        energy = np.sum(irfft(part, samples, axis=1) ** 2, axis=0)
        power[octave] = energy.sum()
        middle[octave] = energy @ np.arange(samples) / max(power[octave], 1e-300) / samples
    if not power.any():
        return False
    spread = np.cov(np.arange(OCTAVES), middle, aweights=power, bias=True)
    rise = spread[0, 1] * np.sqrt(
        12 / max(spread[0, 0], 1e-300)
    )  # between the ends of an even spread of octaves
    even = spread[0, 1] > SWEEP_CORRELATION * np.sqrt(spread[0, 0] * spread[1, 1])
    return bool(even and rise > SWEEP_SHARE)
