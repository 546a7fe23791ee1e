"""Complex spectra between the frequencies at which they are known, and what that costs.

A cubic spline over log f, after the delay of each angle is taken out; it is put back afterwards. Where the delay is
known (a microphone's distance) it is given; else it is the lag at which neighbouring frequencies agree best.
"""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError
from scanproc.waves.smoothing import smoothed

COMMON_LAGS_S = np.linspace(-0.1, 0.1, 20001)
"""Delays that are tried for all angles together (a device's own signal processing may take so long)."""
LAGS_S = np.linspace(-4e-3, 4e-3, 801)
"""Delays about the common one that are tried for each angle."""
FULL_GAIN = 1 / 16
"""A cubic spline's error goes as the fourth power of the spacing: what halving it gains at most."""
THIRD, OCTAVE = 3.0, 1.0


def interpolated(have_hz: Real, value: Complex, frequency_hz: Real, lag_s: Real | None = None) -> Complex:
    """Complex values (angles, F) at other frequencies; ``lag_s`` (angles,) is taken out meanwhile, or what is found."""
    lag = (delays(have_hz, value) if lag_s is None else lag_s)[:, None]
    found: Complex = spline(have_hz, value, lag)(np.log(frequency_hz))
    found *= np.exp(-2j * np.pi * frequency_hz * lag)
    return found


def delays(frequency_hz: Real, value: Complex) -> Real:
    """The delay (angles,) in s that best explains how phase moves from each frequency to the next."""
    step = value[:, 1:] * value[:, :-1].conj()
    size = np.abs(step)
    step = np.divide(step, np.sqrt(size), out=np.zeros_like(step), where=size > 0)
    width = np.asarray(2j * np.pi * np.diff(frequency_hz)[:, None], np.complex128)
    common = _common(step.sum(axis=0), width)
    turn = np.exp(width * (common + LAGS_S))
    lag: Real = common + LAGS_S[np.argmax((step @ turn).real, axis=1)]
    return lag


def _common(step: Complex, width: Complex) -> float:
    """The delay that suits all angles together; none where it explains hardly more than no delay does."""
    near = (step @ np.exp(width * LAGS_S)).real
    far = np.concatenate([(step @ np.exp(width * part)).real for part in np.array_split(COMMON_LAGS_S, 40)])
    return float(COMMON_LAGS_S[far.argmax()]) if far.max() > 1.2 * near.max() else 0.0


def interpolation_error(have_hz: Real, value: Complex, frequency_hz: Real, lag_s: Real | None = None) -> Real:
    """Rms error (angles, F) to expect of :func:`interpolated`, in the unit of ``value``; zero at known frequencies.

    Each known frequency is told from its neighbours, spaced twice as wide. What the spacing that there is gains over
    that is taken to be what twice the spacing gained over four times, a sixteenth at most. In between, the error of a
    cubic goes as 16 t²(1-t)².
    """
    if np.array_equal(have_hz, frequency_hz):
        return np.zeros((len(value), len(frequency_hz)))
    lag = delays(have_hz, value) if lag_s is None else lag_s
    twice = _left_out(have_hz, value, lag, 2)
    gained = np.ones(len(have_hz))
    if len(have_hz) >= 17:
        four = _left_out(have_hz, value, lag, 4)
        finer, wider = (smoothed(have_hz, np.mean(one**2, axis=0), OCTAVE) for one in (twice, four))
        gained = np.sqrt(np.divide(finer, wider, out=gained, where=wider > 0))
    local = np.sqrt(smoothed(have_hz, twice**2, THIRD)) * np.clip(gained, FULL_GAIN, 1)
    place, at = np.log(have_hz), np.log(frequency_hz)
    left = np.clip(np.searchsorted(place, at, side="right") - 1, 0, len(place) - 2)
    t = np.clip((at - place[left]) / (place[left + 1] - place[left]), 0, 1)
    error: Real = np.stack([np.interp(at, place, row) for row in local]) * 16 * t**2 * (1 - t) ** 2
    return error


def _left_out(have_hz: Real, value: Complex, lag_s: Real, step: int) -> Real:
    """|error| (angles, F) of a spline through every ``step``-th frequency; at those kept, that of the nearest one."""
    count = len(have_hz)
    if count < 4 * step + 1:
        return np.abs(value) * (count < 9)  # nothing is known of the error: as large as the value
    missed = np.full(value.shape, np.nan)
    for start in range(step):
        kept = np.arange(start, count, step)
        out = kept[:-1] + step // 2
        told = interpolated(have_hz[kept], value[:, kept], have_hz[out], lag_s)
        missed[:, out] = np.abs(told - value[:, out])
    known = np.flatnonzero(np.isfinite(missed[0]))
    nearest = known[np.abs(np.arange(count)[:, None] - known).argmin(axis=1)]
    return missed[:, nearest]


def spline(have_hz: Real, value: Complex, lag: Real) -> CubicSpline:
    """A spline over log f through values (angles, F) whose delays (angles, 1) are taken out."""
    if len(have_hz) < 4:
        raise ScanDataError(f"at least 4 frequencies are needed to find others between, got {len(have_hz)}")
    return CubicSpline(np.log(have_hz), value * np.exp(2j * np.pi * have_hz * lag), axis=1)
