"""Resonances: poles that stand clear of the error bars in most directions.

A resonance rings everywhere with one frequency and one Q. Interference, diffraction and reflections move with the
angle; what they do to single directions is part of the background, from which a pole must stand out.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from scanproc.conventions import Complex, Integer, Real
from scanproc.records.answers.advice import Estimate, Resonance, Resonances
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.advise import poles
from scanproc.steps.advise.background import Background, learn
from scanproc.steps.farfield.curves import average_weights
from scanproc.steps.farfield.error_bars import DB_OF_POWER
from scanproc.steps.farfield.interpolation import delays
from scanproc.steps.farfield.sets import STRAIGHT, Turn, turned_back
from scanproc.steps.field.extrapolate import far_field, far_field_variance
from scanproc.waves.directions import lebedev_grid
from scanproc.waves.orbit_sets import directions

GRID_DEGREE = 17
"""Directions in which a resonance must show: 110, evenly."""
FALSE_PER_DEVICE = 0.1
MOST = 12
CURVES = ("on axis", "listening window")
ROUNDING = 1e-12
"""Of pressures in single precision, squared: no response is known better."""
FEWEST_FREQUENCIES = 24
"""With fewer a background cannot be learnt."""
BESIDE_OCTAVES = 1.0
"""The background of an octave is learnt from so much more on either side."""
SHOWING = 3.0
"""Error bars by which the sound power must show a resonance."""


@dataclass(frozen=True, eq=False)
class Responses:
    """Far-field ``value`` complex (directions, F) with delays taken out, over its smooth level; ``at_angles`` (70, F)
    the same at the angles of the curves; ``noise`` (F,) the variance of the error bars, of the same scale; ``weight``
    (directions,) sums to one."""

    frequency_hz: Real
    value: Complex
    at_angles: Complex
    noise: Real
    weight: Real

    def within(self, low: float, high: float) -> Responses:
        """Frequencies between two ends in octaves re 1 Hz."""
        octave = np.log2(self.frequency_hz)
        inside = (octave >= low) & (octave <= high)
        value, angles = self.value[:, inside], self.at_angles[:, inside]
        return Responses(self.frequency_hz[inside], value, angles, self.noise[inside], self.weight)


def resonances(expansion: Expansion, turn: Turn = STRAIGHT) -> Resonances:
    """The resonances of a device, and how far they could be told: up to a Q of 0 with too few frequencies."""
    unit, weight = lebedev_grid(GRID_DEGREE)
    angle = turned_back(directions(), turn)
    value = far_field(expansion, np.concatenate([unit, angle]))
    variance = (weight / (4 * np.pi)) @ far_field_variance(expansion, unit)
    return found_in(expansion.frequency_hz, value, variance, weight / (4 * np.pi))


def found_in(frequency_hz: Real, value: Complex, variance: Real, weight: Real) -> Resonances:
    """The same from far-field values (directions + 70, F) in Pa·m: directions of ``weight`` (directions,), then the 70
    angles of the curves; ``variance`` (F,) in Pa²·m² is that of the errors, in the mean over directions."""
    band = (float(frequency_hz[0]), float(frequency_hz[-1]))
    candidate = poles.tried(frequency_hz) if len(frequency_hz) >= FEWEST_FREQUENCIES else np.empty((0, 2))
    if not len(candidate):
        return Resonances((), 0.0, band)
    given = _responses(frequency_hz, value, variance, weight)
    told: list[Resonance] = []
    for zone in _zones(frequency_hz):
        told += _found_in_zone(given, zone, _needed(len(candidate)))
    return Resonances(_each_once(told), float(candidate[:, 1].max()), band)


def _zones(frequency_hz: Real) -> list[tuple[float, float]]:
    """Octaves or somewhat less, together the whole band, in octaves re 1 Hz."""
    low, high = np.log2(frequency_hz[[0, -1]])
    edge = np.linspace(low, high, int(np.ceil(high - low)) + 1)
    return list(pairwise(edge.tolist()))


def _found_in_zone(given: Responses, zone: tuple[float, float], needed: float) -> list[Resonance]:
    """Of an octave, against a background learnt from it and its neighbours."""
    near = given.within(zone[0] - BESIDE_OCTAVES, zone[1] + BESIDE_OCTAVES)
    pole, spread, background = search(near, needed)
    told = _told(near, pole, spread, background) if len(pole) else []
    margin = 0.05  # a pole on the edge is found from both sides, and kept once
    inside = (zone[0] - margin, zone[1] + margin)
    return [one for one in told if inside[0] <= np.log2(one.frequency_hz.value) <= inside[1]]


def _each_once(told: list[Resonance]) -> tuple[Resonance, ...]:
    kept: list[Resonance] = []
    for one in sorted(told, key=lambda one: -one.standing):
        apart = (
            abs(np.log(one.frequency_hz.value / other.frequency_hz.value)) * other.q.value for other in kept
        )
        if all(gap > 0.5 for gap in apart):
            kept.append(one)
    return tuple(sorted(kept, key=lambda one: one.frequency_hz.value))


def _responses(frequency_hz: Real, value: Complex, variance: Real, weight: Real) -> Responses:
    octave = np.log2(frequency_hz)
    degree = max(1, round((octave[-1] - octave[0]) / 2))
    rms = np.sqrt(weight @ np.abs(value[: len(weight)]) ** 2)
    scale = np.exp(np.polynomial.Polynomial.fit(octave, np.log(rms), degree)(octave))
    still = _still(frequency_hz, value) / scale
    noise = np.maximum(variance / scale**2, ROUNDING)
    return Responses(frequency_hz, still[: len(weight)], still[len(weight) :], noise, weight)


def _still(frequency_hz: Real, value: Complex) -> Complex:
    """Without the delay of each direction."""
    still: Complex = value * np.exp(2j * np.pi * frequency_hz * delays(frequency_hz, value)[:, None])
    return still


def search(given: Responses, needed: float) -> tuple[Real, Real, Background]:
    """Poles (poles, 2), the covariance of their logarithms (poles, 2, 2), the background.

    The best candidate joins, the background is learnt anew from what the poles leave (a resonance not yet known makes
    it look livelier than it is), and all must stand out from that; else the last one leaves and the search ends.
    """
    hz, candidate = given.frequency_hz, poles.tried(given.frequency_hz)
    weighted = given.value * np.sqrt(given.weight)[:, None]
    background = learn(hz, _spread(weighted), given.noise)
    pole, spread = np.empty((0, 2)), np.empty((0, 2, 2))
    while len(pole) < MOST and len(candidate):
        middle = _middle(poles.standing(hz, candidate, pole, given.value, background), given.weight)
        more, _ = poles.refined(hz, np.vstack([pole, candidate[middle.argmax()]]), weighted, background)
        made = (poles.shapes(hz, more) @ poles.fit_pole(hz, more, weighted, background).strength).T
        quieter = learn(hz, _spread(weighted - made), given.noise)
        more, apart = poles.refined(hz, more, weighted, quieter)
        if _weakest(given, more, quieter) < needed:
            break
        pole, spread, background = more, apart, quieter
    return pole, spread, background


def _needed(candidates: int) -> float:
    """|R|²/variance that noise reaches in one of ten devices: ln(n/0.1) for n independent poles tried, |R|² of noise
    being exponential. This holds even where all directions say the same, as they do at low frequencies."""
    independent = candidates / (poles.PER_BANDWIDTH * poles.PER_DOUBLING)
    return float(np.log(max(independent, 1.0) / FALSE_PER_DEVICE))


def _weakest(given: Responses, pole: Real, background: Background) -> float:
    """The least |R|²/variance among poles, in the middle direction; none where Q ends below what is sought."""
    found = poles.fit_pole(given.frequency_hz, pole, given.value, background)
    square = np.abs(found.strength) ** 2 / np.real(np.diag(found.covariance))[:, None]
    return float((_middle(square, given.weight) * (pole[:, 1] >= poles.LOWEST_Q)).min())


def _middle(square: Real, weight: Real) -> Real:
    """Weighted medians (rows,) of (rows, directions)."""
    order = np.argsort(square, axis=1)
    below = np.cumsum(weight[order], axis=1) < 0.5
    return square[np.arange(len(square)), order[np.arange(len(square)), below.sum(axis=1)]]


def _spread(weighted: Complex) -> Real:
    """R with RᵀR = Re Σ y yᴴ."""
    triangle: Real = np.linalg.qr(np.concatenate([weighted.real, weighted.imag]), mode="r")  # type: ignore[assignment]
    return triangle


def _told(given: Responses, pole: Real, spread: Real, background: Background) -> list[Resonance]:
    hz = given.frequency_hz
    everywhere = poles.fit_pole(hz, pole, given.value, background)
    at_angles = poles.fit_pole(hz, pole, given.at_angles, background).strength
    variance = np.real(np.diag(everywhere.covariance))
    square = np.abs(everywhere.strength) ** 2 / variance[:, None]
    middle = _middle(square, given.weight)
    weights = average_weights()
    told = []
    for index, (at, q) in enumerate(pole):
        around = _nearest(hz, at * (1 + np.array([0, -0.5, 0.5]) / q))
        shape, error = poles.shapes(hz[around], pole[[index]])[:, 0], float(np.sqrt(variance[index]))
        without = given.at_angles[:, around] - at_angles[index][:, None] * shape
        axis, window = (_level(weights[name], without, at_angles[index], error) for name in CURVES)
        strength = everywhere.strength[index]
        rest = given.value[:, around] - strength[:, None] * shape
        plain = _level(given.weight, rest[:, [0, 0, 0]], strength, error)
        if abs(plain.value) < SHOWING * plain.error:
            continue
        power = _level(given.weight, rest, strength, error)
        frequency_error, q_error = np.sqrt(np.diag(spread[index]))
        told.append(
            Resonance(
                Estimate(float(at), float(at * frequency_error)),
                Estimate(float(q), float(q * q_error)),
                axis,
                window,
                power,
                standing=float(np.sqrt(middle[index])),
                common=float(given.weight @ (square[index] > np.log(20))),
            )
        )
    return told


def _nearest(hz: Real, place: Real) -> Integer:
    nearest: Integer = np.abs(np.log(hz / place[:, None])).argmin(axis=1)
    return nearest


def _level(weight: Real, around: Complex, part: Complex, error: float) -> Estimate:
    """Level of Σ w|p|² at the pole's own frequency over that without it; errors of all directions count as one.

    ``around`` (directions, 3): what is left without the pole at its frequency and at both ends of its bandwidth. What
    that changes by in between, a pole that multiplies the response and one that adds to it differ by.
    """
    without = around[:, 0]
    power = max(float(weight @ np.abs(without) ** 2), 1e-300)
    changes = float(weight @ np.abs(around[:, 2] - around[:, 1]) ** 2) / 4 / power
    unsure = np.hypot(error, np.sqrt(changes * float(weight @ np.abs(part) ** 2) / weight.sum()))
    whole = max(float(weight @ np.abs(without + part) ** 2), 1e-300)
    level = DB_OF_POWER * np.log(whole / power)
    slope = np.sqrt(2) * DB_OF_POWER * float(weight @ np.abs(without + part)) / whole
    return Estimate(float(level), float(slope * unsure))
