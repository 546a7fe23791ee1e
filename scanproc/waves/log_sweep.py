"""Logarithmic sweeps x(t) = a(t) cos φ(t) with φ(t) = 2π f₀ L e^{t/L} + β, and what a sweep of n times their phase is.

What a weak non-linearity makes of such a sweep is a sum of sweeps a(t) cos(nφ(t)), each through a filter of its own.
nφ(t) runs L ln n ahead of φ(t), so that every harmonic has its time apart (A. Farina, AES 108th Convention, 2000).
Taking nφ(t) itself as the drive gives each filter with its true phase, whatever the start of the sweep; that is what
synchronised sweeps are built for (A. Novak, P. Lotton, L. Simon, J. Audio Eng. Soc. 63, 2015, 786).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.fft import next_fast_len
from scipy.optimize import least_squares
from scipy.signal import hilbert

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError

HALF = 0.5
"""The sweep is where its envelope exceeds this share of its highest."""
ENDS = 0.02
"""Share of its length at either end where the envelope's fade bends the phase: not used to tell its law."""
SAMPLES = 20_000
PHASE_RAD = 0.05
"""Largest median departure from the law: five times as much is a quarter of a radian of the fifth harmonic."""
LARGEST = 300.0
"""Exponents beyond this are no sweep's, and overflow."""


@dataclass(frozen=True, eq=False)
class LogSweep:
    """``growth_s``: L, the time in which the frequency grows by e; ``start_hz``: f₀, ``offset_rad``: β; ``amplitude``
    (K,) of the sweep by its frequency ``amplitude_hz`` (K,); ``lowest_hz`` and ``highest_hz`` where it begins and
    ends; ``samples`` of the drive."""

    growth_s: float
    start_hz: float
    offset_rad: float
    amplitude_hz: Real
    amplitude: Real
    lowest_hz: float
    highest_hz: float
    samples: int
    sampling_rate_hz: float

    def gap_s(self, order: int) -> float:
        """How long harmonic ``order`` comes before the next lower one: L ln(n/(n-1))."""
        return float(self.growth_s * np.log(order / (order - 1)))


def find_log_sweep(drive: Real, sampling_rate_hz: float) -> LogSweep:
    """The law of a logarithmic sweep (samples,), from its analytic signal. Raises ScanDataError for any other."""
    signal = hilbert(drive, int(next_fast_len(2 * len(drive))))[: len(drive)]
    envelope = np.abs(signal)
    if not envelope.max() > 0:
        raise _no_sweep("it is silent")
    inside = np.flatnonzero(envelope > HALF * envelope.max())
    phase = np.unwrap(np.angle(signal))
    first, last = int(inside[0]), int(inside[-1])
    cut = int(ENDS * (last - first))
    if last - first < 64 or phase[last - cut] - phase[first + cut] < 20 * np.pi:
        raise _no_sweep("it holds too little sound")
    time = np.arange(len(drive)) / sampling_rate_hz
    used = slice(first + cut, last - cut, max(1, (last - first) // SAMPLES))
    growth, start, offset = _law(time[used], phase[used])
    law = 2 * np.pi * start * growth * np.exp(np.minimum(time / growth, LARGEST)) + offset
    missed = float(np.median(np.abs(phase[used] - law[used])))
    if not (growth > 0 and missed < PHASE_RAD):
        raise _no_sweep(f"its phase departs from the law of one by {missed:.2g} rad")
    frequency = start * np.exp(np.minimum(time / growth, LARGEST))
    if frequency[last] < 2 * frequency[first]:
        raise _no_sweep("it spans less than an octave")
    ends = float(frequency[first]), float(frequency[last])
    amplitude = _smooth(np.log2(frequency), envelope)
    return LogSweep(growth, start, offset, *amplitude, *ends, len(drive), sampling_rate_hz)


def harmonic_spectrum(sweep: LogSweep, order: int, frequency_hz: Real) -> Complex:
    """The sum of a(t) cos(nφ(t)) e^{-j2πft} over samples, by stationary phase, (F,); zero where the sweep does not go.

    f_s a(t) √(L/f)/2 e^{j(nφ(t) - 2πft + π/4)} at the time t when nφ passes f (Novak et al. 2015, eq. 16, from memory);
    the next term is 1/(24πfL) of it. The ends of the sweep leave no ripples in it, unlike in a transform of samples.
    """
    start, growth = sweep.start_hz, sweep.growth_s
    frequency = np.maximum(frequency_hz, 1e-3)
    time = growth * np.log(frequency / (order * start))
    amplitude = np.interp(np.log(frequency / order), np.log(sweep.amplitude_hz), sweep.amplitude, 0, 0)
    phase = (
        growth * frequency * 2 * np.pi + order * sweep.offset_rad - 2 * np.pi * frequency * time + np.pi / 4
    )
    size = sweep.sampling_rate_hz * amplitude * np.sqrt(growth / frequency) / 2
    return np.asarray(size * np.exp(1j * phase), np.complex128)


def _smooth(octave: Real, envelope: Real) -> tuple[Real, Real]:
    """Frequencies and means of the envelope over sixths of an octave: it ripples with every period near the ends."""
    number = np.floor(6 * (octave - octave[0])).astype(np.int64)
    count = np.bincount(number)
    middle, mean = (
        np.bincount(number, values)[count > 0] / count[count > 0] for values in (octave, envelope)
    )
    return 2**middle, mean


def _law(time: Real, phase: Real) -> tuple[float, float, float]:
    """L, f₀ and β of φ(t) = 2π f₀ L e^{t/L} + β by least squares, first along the logarithm of dφ/dt."""
    speed = np.maximum(np.gradient(phase, time), 1e-3)
    slope, height = np.polyfit(time, np.log(speed / (2 * np.pi)), 1)
    if slope <= 0:
        raise _no_sweep("its frequency does not rise")

    def left(law: Real) -> Real:
        growth, start = np.exp(law[:2])
        return 2 * np.pi * start * growth * np.exp(np.minimum(time / growth, LARGEST)) + law[2] - phase

    begin = np.array([-np.log(slope), height, 0.0])
    begin[2] = -np.mean(left(begin))
    scale = np.array([1e-3, 1e-3, 1.0])
    found = least_squares(left, begin, x_scale=scale, method="trf", xtol=1e-14, ftol=1e-14, gtol=1e-14)
    return float(np.exp(found.x[0])), float(np.exp(found.x[1])), float(found.x[2])


def _no_sweep(why: str) -> ScanDataError:
    return ScanDataError(
        f"the drive signal is no logarithmic sweep ({why}): harmonics can be told from such sweeps only; play one, or "
        "keep none (drive.harmonics = 0)"
    )
