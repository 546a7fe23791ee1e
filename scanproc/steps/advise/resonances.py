"""Resonances: poles that stand clear of the error bars in most directions.

A resonance rings everywhere with one frequency and one Q. Interference, diffraction and reflections move with the angle;
what they do to single directions is part of the background, from which a pole must stand out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.advice import Estimate, Resonance, Resonances
from scanproc.records.expansion import Expansion
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
CURVES = ("on axis", "listening window", "sound power")
FEWEST_FREQUENCIES = 24


@dataclass(frozen=True, eq=False)
class Responses:
    """Far-field ``value`` complex (directions, F) with delays taken out, over the smooth ``scale`` (F,) in Pa·m;
    ``noise`` (F,) the variance of its error bars, of the same scale; ``weight`` (directions,) sums to one."""

    frequency_hz: Real
    value: Complex
    noise: Real
    weight: Real
    scale: Real


def resonances(expansion: Expansion, turn: Turn = STRAIGHT) -> Resonances:
    """The resonances of a device, and how far they could be told. Raises ScanDataError for too few frequencies."""
    unit, weight = lebedev_grid(GRID_DEGREE)
    angle = turned_back(directions(), turn)
    value = far_field(expansion, np.concatenate([unit, angle]))
    variance = (weight / (4 * np.pi)) @ far_field_variance(expansion, unit)
    return found_in(expansion.frequency_hz, value, variance, weight / (4 * np.pi))


def found_in(frequency_hz: Real, value: Complex, variance: Real, weight: Real) -> Resonances:
    """The same from far-field values (directions + 70, F) in Pa·m: directions of ``weight`` (directions,), then the 70
    angles of the curves; ``variance`` (F,) in Pa²·m² is that of the errors, in the mean over directions."""
    if len(frequency_hz) < FEWEST_FREQUENCIES:
        raise ScanDataError(
            f"resonances need at least {FEWEST_FREQUENCIES} frequencies, the result has {len(frequency_hz)}: "
            "convert with more"
        )
    count = len(weight)
    evenly = _responses(frequency_hz, value[:count], variance, weight)
    pole, spread, background = _search(evenly)
    candidate = poles.tried(frequency_hz)
    highest = float(candidate[:, 1].max(initial=0.0))
    band = (float(frequency_hz[0]), float(frequency_hz[-1]))
    if not len(pole):
        return Resonances((), highest, band)
    told = _told(evenly, value[count:], pole, spread, background)
    return Resonances(tuple(sorted(told, key=lambda one: one.frequency_hz.value)), highest, band)


def _responses(frequency_hz: Real, value: Complex, variance: Real, weight: Real) -> Responses:
    octave = np.log2(frequency_hz)
    degree = max(1, round((octave[-1] - octave[0]) / 2))
    rms = np.sqrt(weight @ np.abs(value) ** 2)
    scale = np.exp(np.polynomial.Polynomial.fit(octave, np.log(rms), degree)(octave))
    return Responses(frequency_hz, _still(frequency_hz, value) / scale, variance / scale**2, weight, scale)


def _still(frequency_hz: Real, value: Complex) -> Complex:
    """Without the delay of each direction."""
    still: Complex = value * np.exp(2j * np.pi * frequency_hz * delays(frequency_hz, value)[:, None])
    return still


def _search(given: Responses) -> tuple[Real, Real, Background]:
    """Poles joined one by one while the best stands out, then left again while the weakest does not."""
    hz, candidate = given.frequency_hz, poles.tried(given.frequency_hz)
    needed = _needed(len(candidate))
    weighted = given.value * np.sqrt(given.weight)[:, None]
    background = learn(hz, _spread(weighted), given.noise)
    pole, spread = np.empty((0, 2)), np.empty((0, 2, 2))
    while len(pole) < MOST and len(candidate):
        middle = _middle(poles.standing(hz, candidate, pole, given.value, background), given.weight)
        if middle.max() < needed:
            break
        pole = np.vstack([pole, candidate[middle.argmax()]])
        pole, _ = poles.refined(hz, pole, weighted, background)
        made = (poles.shapes(hz, pole) @ poles.fit(hz, pole, weighted, background).strength).T
        background = learn(hz, _spread(weighted - made), given.noise, background.sizes)
    while len(pole):
        pole, spread = poles.refined(hz, pole, weighted, background)
        weakest = _weakest(given, pole, background)
        if weakest[1] >= needed:
            break
        pole = np.delete(pole, weakest[0], axis=0)
    return pole, spread, background


def _needed(candidates: int) -> float:
    """|R|²/variance that noise reaches in one of ten devices: ln(n/0.1) for n independent poles tried, |R|² of noise
    being exponential. This holds even where all directions say the same, as they do at low frequencies."""
    independent = candidates / (poles.PER_BANDWIDTH * poles.PER_DOUBLING)
    return float(np.log(max(independent, 1.0) / FALSE_PER_DEVICE))


def _weakest(given: Responses, pole: Real, background: Background) -> tuple[int, float]:
    """The pole of least standing, and its |R|²/variance; none where Q ends below what is sought."""
    found = poles.fit(given.frequency_hz, pole, given.value, background)
    square = np.abs(found.strength) ** 2 / np.real(np.diag(found.covariance))[:, None]
    middle = _middle(square, given.weight) * (pole[:, 1] >= poles.LOWEST_Q)
    return int(middle.argmin()), float(middle.min())


def _middle(square: Real, weight: Real) -> Real:
    """Weighted medians (rows,) of (rows, directions)."""
    order = np.argsort(square, axis=1)
    below = np.cumsum(weight[order], axis=1) < 0.5
    return square[np.arange(len(square)), order[np.arange(len(square)), below.sum(axis=1)]]


def _spread(weighted: Complex) -> Real:
    """R with RᵀR = Re Σ y yᴴ."""
    triangle: Real = np.linalg.qr(np.concatenate([weighted.real, weighted.imag]), mode="r")
    return triangle


def _told(
    given: Responses, at_angles: Complex, pole: Real, spread: Real, background: Background
) -> list[Resonance]:
    hz = given.frequency_hz
    everywhere = poles.fit(hz, pole, given.value, background)
    still = _still(hz, at_angles)
    curves = poles.fit(hz, pole, still / given.scale, background)
    variance = np.real(np.diag(everywhere.covariance))
    square = np.abs(everywhere.strength) ** 2 / variance[:, None]
    middle = _middle(square, given.weight)
    weights = average_weights()
    told = []
    for index, (at, q) in enumerate(pole):
        near = int(np.abs(np.log(hz / at)).argmin())
        shape = poles.shapes(hz[[near]], pole[[index]])[0, 0] * given.scale[near]
        part, error = curves.strength[index] * shape, np.sqrt(variance[index]) * abs(shape)
        levels = (_level(weights[name], still[:, near], part, error) for name in CURVES)
        frequency_error, q_error = np.sqrt(np.diag(spread[index]))
        told.append(
            Resonance(
                Estimate(float(at), float(at * frequency_error)),
                Estimate(float(q), float(q * q_error)),
                *levels,
                standing=float(np.sqrt(middle[index])),
                common=float(given.weight @ (square[index] > np.log(20))),
            )
        )
    return told


def _level(weight: Real, pressure: Complex, part: Complex, error: float) -> Estimate:
    """Level of Σ w|p|² over that of what is left without the part; errors of all directions count as one."""
    without = pressure - part
    power = max(float(weight @ np.abs(without) ** 2), 1e-300)
    level = DB_OF_POWER * np.log(max(float(weight @ np.abs(pressure) ** 2), 1e-300) / power)
    slope = np.sqrt(2) * DB_OF_POWER * float(weight @ np.abs(without)) / power
    return Estimate(float(level), float(slope * error))
