"""What the sound on the reference axis does over time: phase, delay, impulse and step response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.farfield.grid import impulse_responses
from scanproc.steps.farfield.interpolation import delays, spline
from scanproc.steps.field.extrapolate import far_field

AXIS = np.array([[1.0, 0.0, 0.0]])
STEPS_PER_OCTAVE = 96
BEYOND_OCTAVES = 12
STEEPEST = 4.0
"""Order of the steepest fall beyond the band: below it a vented box falls so (Small 1973, from memory)."""
SAMPLING_RATE_HZ = 48000.0
SAMPLES = 16384


@dataclass(frozen=True, eq=False)
class AxisPhase:
    """Of the far field on the axis, all (F,): ``phase_rad`` with the travel from the scan's origin and the further
    delay ``delay_s`` taken out, unwrapped; ``minimum_rad``: the phase of the minimum-phase system of the same level
    that goes on beyond the band as it leaves it, and the ``lowest_rad`` and ``highest_rad`` that it takes when beyond
    one end of the band the level stays, and beyond the other falls by ``STEEPEST``; ``group_delay_s``: -dφ/dω re the
    travel from the scan's origin, ``delay_s`` included."""

    phase_rad: Real
    minimum_rad: Real
    lowest_rad: Real
    highest_rad: Real
    group_delay_s: Real
    delay_s: float


def axis_phase(expansion: Expansion) -> AxisPhase | None:
    """Phases of the far field on the axis; None of fewer than four frequencies."""
    hz = expansion.frequency_hz
    if len(hz) < 4:
        return None
    pressure = far_field(expansion, AXIS)
    lag = delays(hz, pressure)
    curve = spline(hz, pressure, lag[:, None])
    place = np.log(hz)
    value: Complex = curve(place)[0]
    slope: Complex = curve(place, 1)[0]
    turned = lag[0] - np.imag(slope / value) / (2 * np.pi * hz)
    phase = np.unwrap(np.angle(value))
    level = np.log(np.abs(value))
    least = minimum_phase(hz, level)
    highest = np.maximum(least, minimum_phase(hz, level, STEEPEST, 0.0))
    lowest = np.minimum(least, minimum_phase(hz, level, 0.0, -STEEPEST))
    whole = 2 * np.pi * np.round(np.median(phase - least) / (2 * np.pi))
    return AxisPhase(phase - whole, least, lowest, highest, turned, float(lag[0]))


def minimum_phase(
    frequency_hz: Real, log_level: Real, below: float | None = None, above: float | None = None
) -> Real:
    """Phase (F,) in rad of the minimum-phase system whose level is e^``log_level`` (F,).

    φ(u₀) = (1/π) ∫ dL/du ln coth|(u - u₀)/2| du over u = ln f (Bode, Network Analysis and Feedback Amplifier Design,
    1945, ch. 14). ``below`` and ``above``: slopes d ln level / d ln f beyond the band, None for that of the outermost
    third of an octave.
    """
    place = np.log(frequency_hz)
    step = np.log(2) / STEPS_PER_OCTAVE
    inside = np.arange(place[0], place[-1] + step / 2, step)
    level = np.interp(inside, place, log_level)
    beyond = BEYOND_OCTAVES * STEPS_PER_OCTAVE
    slope = np.diff(level) / step
    third = max(1, STEPS_PER_OCTAVE // 3)
    first = float(np.mean(slope[:third])) if below is None else below
    last = float(np.mean(slope[-third:])) if above is None else above
    slope = np.concatenate([np.full(beyond, first), slope, np.full(beyond, last)])
    away = np.arange(-len(slope), len(slope) + 1)
    weight = np.diff(_integrated(step * away))
    index = np.arange(len(slope)) - beyond - np.arange(len(inside))[:, None] + len(slope)
    found: Real = np.interp(place, inside, weight[index] @ slope / np.pi)
    return found


def _integrated(away: Real) -> Real:
    """∫₀^x ln coth|u/2| du, odd in x: with ln coth(u/2) = 2 Σ e^{-nu}/n over odd n, 2 Σ (1 - e^{-nx})/n²."""
    odd = np.arange(1, 2000, 2)
    size = np.abs(away)[:, None]
    found: Real = np.sign(away) * np.sum(2 * -np.expm1(-odd * size) / odd**2, axis=1)
    return found


def axis_responses(expansion: Expansion) -> tuple[Real, Real, Real] | None:
    """Time in s from the arrival at 1 m from the scan's origin, impulse response and step response (samples,) each,
    re their own largest values; None of fewer than four frequencies."""
    if len(expansion.frequency_hz) < 4:
        return None
    pressure = far_field(expansion, AXIS)
    directions = DirectionSet("axis", AXIS, expansion.frequency_hz, pressure, np.zeros(pressure.shape))
    found = impulse_responses(directions, SAMPLING_RATE_HZ, SAMPLES)
    impulse = found.response_pa_m[0]
    time = (np.arange(SAMPLES) - found.time_zero_sample) / SAMPLING_RATE_HZ
    step = np.cumsum(impulse)
    return time, impulse / np.abs(impulse).max(), step / np.abs(step).max()
