"""What impulse responses show by themselves: clipping, noise before the sound, arrival, a cut tail."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Boolean, Integer, Real
from scanproc.records.scan import ImpulseScan

ARRIVED = 0.2
"""The sound has arrived when a response first reaches this part of its peak (common practice, no source)."""
FLAT_RUN = 3
"""So many samples in a row at the very peak are a flat top."""
FLAT = 1e-5
TAIL_SHARE = 0.05


@dataclass(frozen=True, eq=False)
class ResponseFacts:
    """Facts by point, (points,) each.

    ``peak_pa``; ``arrival_s`` relative to the drive; ``noise_pa`` rms before the arrival, NaN where there is no time
    before; ``tail_pa`` rms of the last part; ``clipped``.
    """

    peak_pa: Real
    arrival_s: Real
    noise_pa: Real
    tail_pa: Real
    clipped: Boolean


def response_facts(impulse: ImpulseScan) -> ResponseFacts:
    """The facts of some points."""
    response = impulse.impulse_response_pa
    size = np.abs(response)
    peak = size.max(axis=1)
    first = np.argmax(size >= ARRIVED * np.maximum(peak, 1e-300)[:, None], axis=1)
    tail = response[:, -max(1, int(TAIL_SHARE * response.shape[1])) :]
    return ResponseFacts(
        peak_pa=peak,
        arrival_s=impulse.time_zero_s + first / impulse.sampling_rate_hz,
        noise_pa=_before(response, first),
        tail_pa=np.sqrt(np.mean(tail**2, axis=1)),
        clipped=flat_tops(response, peak),
    )


def joined(parts: Sequence[ResponseFacts]) -> ResponseFacts:
    """Facts of blocks of points put together."""
    names = ("peak_pa", "arrival_s", "noise_pa", "tail_pa", "clipped")
    return ResponseFacts(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def flat_tops(response: Real, peak: Real) -> Boolean:
    """Which responses (points, samples) stay at their peak for ``FLAT_RUN`` samples or more."""
    top = np.abs(response) >= (1 - FLAT) * peak[:, None]
    runs = top[:, : top.shape[1] - FLAT_RUN + 1].copy()
    for shift in range(1, FLAT_RUN):
        runs &= top[:, shift : top.shape[1] - FLAT_RUN + 1 + shift]
    return np.asarray(runs.any(axis=1) & (peak > 0))


def _before(response: Real, arrival: Integer) -> Real:
    """Rms of the first three quarters of the time before the arrival."""
    noise = np.full(len(response), np.nan)
    for point, sample in enumerate(arrival):
        quiet = response[point, : int(0.75 * sample)]
        if len(quiet) >= 8:
            noise[point] = np.sqrt(np.mean(quiet**2))
    return noise


def spectral_noise(facts: ResponseFacts, samples: int, frequencies: int) -> Real | None:
    """Noise of spectra over all samples (F,), Pa, from the rms before the arrival: √samples times that rms.

    None when too few responses have time before the sound.
    """
    known = facts.noise_pa[np.isfinite(facts.noise_pa)]
    if len(known) < 8:
        return None
    return np.full(frequencies, float(np.median(known)) * np.sqrt(samples))
