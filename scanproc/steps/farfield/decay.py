"""How the sound on the reference axis falls after a short burst, counted in periods of each frequency."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.farfield.interpolation import delays, interpolation_error, spline
from scanproc.steps.farfield.on_axis import AXIS
from scanproc.steps.field.extrapolate import far_field, far_field_variance

WIDTH = float(np.log(2) / 3 / np.sqrt(8 * np.log(2)))
"""Standard deviation in ln f of the burst's spectrum: a third of an octave at half its height."""
REACH = 3.0
"""Widths to either side of a burst's frequency that it needs."""
DEEPEST_DB = -30.0
OWN_PERIODS = float(np.sqrt(-DEEPEST_DB * np.log(10) / 10) / (2 * np.pi * WIDTH))
"""In which the burst itself falls so deep: its envelope is exp(-(2π n σ)²/2) after n periods."""
PER_PERIOD = 4
STEPS_PER_WIDTH = 16


@dataclass(frozen=True, eq=False)
class Decay:
    """``level_db`` (periods, F): re the largest value at each frequency, so many ``period`` (periods,) after it; NaN
    below the error of the fit and of what is told between its frequencies, and after the end of the gate."""

    frequency_hz: Real
    period: Real
    level_db: Real


def axis_decay(expansion: Expansion, gate_s: float | None = None) -> Decay | None:
    """None where the frequencies are so far apart that the burst itself has not died before it would come again.

    A spectrum known at steps of Δ ln f repeats after 1/Δ ln f periods; half of that is shown.
    """
    hz = expansion.frequency_hz
    if len(hz) < 4:
        return None
    last = np.floor(0.5 / float(np.diff(np.log(hz)).max()))
    inside = (hz * np.exp(-REACH * WIDTH) >= hz[0]) & (hz * np.exp(REACH * WIDTH) <= hz[-1])
    if last < 2 * OWN_PERIODS or np.count_nonzero(inside) < 4:
        return None
    period = np.arange(int(PER_PERIOD * last) + 1) / PER_PERIOD
    level = _levels(expansion, hz[inside], period)
    hidden = level < _unsure_db(expansion)[inside]
    if gate_s is not None:
        hidden |= period[:, None] / hz[inside] > gate_s
    return Decay(hz[inside], period, np.where(hidden, np.nan, level))


def _unsure_db(expansion: Expansion) -> Real:
    """Errors (F,) of the fit and of what is told between its frequencies, re the level there."""
    hz, pressure = expansion.frequency_hz, far_field(expansion, AXIS)
    between = np.sqrt(hz[:-1] * hz[1:])
    told = np.interp(hz, between, interpolation_error(hz, pressure, between)[0])
    variance = far_field_variance(expansion, AXIS)[0] + told**2
    unsure: Real = 10 * np.log10(variance / np.abs(pressure[0]) ** 2 + 1e-30)
    return unsure


def _levels(expansion: Expansion, at_hz: Real, period: Real) -> Real:
    """Envelopes of bursts, (periods, F) in dB re their largest values, from these on."""
    hz, pressure = expansion.frequency_hz, far_field(expansion, AXIS)
    lag = delays(hz, pressure)
    curve = spline(hz, pressure, lag[:, None])
    u = np.linspace(-REACH, REACH, int(2 * REACH * STEPS_PER_WIDTH) + 1) * WIDTH
    burst = np.exp(-((u / WIDTH) ** 2) / 2 + u)
    around = np.arange(-len(period) // 2, len(period) + len(period) // 2) / PER_PERIOD
    turn = np.exp(2j * np.pi * around[:, None] * np.expm1(u))
    envelope = np.abs(turn @ (burst[:, None] * curve(np.log(at_hz) + u[:, None])[0]))
    first = envelope[: len(around) - len(period)].argmax(axis=0)
    fallen = np.take_along_axis(envelope, first + np.arange(len(period))[:, None], axis=0)
    level: Real = 20 * np.log10(np.maximum(fallen / fallen[0], 1e-12))
    return level
