"""Whether a point heard what is heard at its stated place, or somewhere beside it.

A point off by d misses by g·d, with g the gradient of the field that the other points imply, at every frequency
with the same d. So d follows by least squares from all frequencies at once, and an error too small to stand out at
any one of them may still be beyond doubt. The field itself is never exact (edges near the points); what a
displacement of ``TOLERATED_M`` explains accuses nobody: the test asks how much better the best displacement
explains a point than the best one within that distance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2

from scanproc.conventions import Boolean, Complex, Integer, Real
from scanproc.records.scan import Scan
from scanproc.steps.check.prediction import Field, Prediction

TOLERATED_M = 1.5e-3
"""An arm is as good as that (common practice, no source)."""
CHANCE = 1e-3
"""Chance that noise alone makes a good point stand out."""
TAIL_SHARE, TAIL = 0.98, 3.0
"""The bar is no lower than so many times what this share of the points stay below, where the field is less known."""
STEP_M, STEPS = 1e-4, 16
FARTHEST_M, PLAUSIBLE_M = 0.15, 0.05
"""Position errors are looked for up to the first distance; the second is the prior deviation of each coordinate,
which keeps a coordinate that the sound hardly shows from running away."""


@dataclass(frozen=True, eq=False)
class Displacement:
    """Per point: ``excess`` (points,), and ``noticed_m`` (points,).

    ``excess``: power, in units of noise, that the best displacement explains beyond what one of ``TOLERATED_M`` does;
    ``noticed_m``: how far off, in the direction that changes the sound least, a point must be to be noticed.
    """

    excess: Real
    noticed_m: Real

    def beyond(self, used: Boolean) -> Boolean:
        """The points that are elsewhere beyond doubt, (points,)."""
        tail = TAIL * float(np.quantile(self.excess[used], TAIL_SHARE))
        return np.asarray(self.excess > max(least_excess(), tail))


def least_excess() -> float:
    """What noise alone exceeds with ``CHANCE``: half of χ² with three degrees of freedom (complex noise)."""
    return float(chi2.isf(CHANCE, 3)) / 2


def displacement(scan: Scan, prediction: Prediction, field: Field) -> Displacement:
    """The test of all points; ``prediction`` and ``field`` are of this scan."""
    position = scan.setup.position_m
    noise = prediction.usual(position) / np.sqrt(np.log(2))
    gradient = field_gradient(field, position) / noise[..., None]
    missed = prediction.error / noise
    normal = np.real(np.einsum("pfi,pfj->pij", gradient.conj(), gradient))
    value, axes = np.linalg.eigh(normal)
    value = np.maximum(value, 1e-12 * np.maximum(value[:, -1:], 1e-300))
    target = np.einsum("pij,pi->pj", axes, np.real(np.einsum("pfi,pf->pi", gradient.conj(), missed)))
    excess = np.sum(target**2 / value, axis=1) - _explained_within(value, target, TOLERATED_M)
    return Displacement(excess, TOLERATED_M + np.sqrt(least_excess() / value[:, 0]))


def _explained_within(value: Real, target: Real, radius: float) -> Real:
    """Power explained by the best d with |d| ≤ radius, (points,), in the principal axes of the normal matrix.

    d = target / (value + λ); λ by bisection (More and Sorensen 1983, the trust-region subproblem).
    """
    low, high = np.zeros(len(value)), np.linalg.norm(target, axis=1) / radius
    for _ in range(60):
        middle = (low + high) / 2
        outside = np.sum((target / (value + middle[:, None])) ** 2, axis=1) > radius**2
        low, high = np.where(outside, middle, low), np.where(outside, high, middle)
    moved = target / (value + high[:, None])
    power: Real = np.sum(2 * target * moved - value * moved**2, axis=1)
    return power


def displaced(scan: Scan, field: Field, points: Integer, weight: Real) -> tuple[Real, Real]:
    """Where points seem to have been, less where they are said to be, and the power left.

    ``weight`` (F,) is one over the squared median error. By damped Gauss-Newton steps (Levenberg 1944), all points at
    once.
    """
    start, given, root = scan.setup.position_m[points], scan.pressure_pa[points], np.sqrt(weight)
    prior = 1 / (2 * np.log(2) * PLAUSIBLE_M**2)
    moved, damping = np.zeros((len(points), 3)), np.ones(len(points))
    missed = root * (given - field.at(start))
    least = np.sum(np.abs(missed) ** 2, axis=1)
    for _ in range(STEPS):
        gradient = root[:, None] * field_gradient(field, start + moved)
        normal = np.real(np.einsum("pfi,pfj->pij", gradient.conj(), gradient)) + prior * np.eye(3)
        target = np.real(np.einsum("pfi,pf->pi", gradient.conj(), missed)) - prior * moved
        damped = normal + damping[:, None, None] * prior * np.eye(3)
        tried = moved + np.linalg.solve(damped, target[..., None])[..., 0]
        near = np.linalg.norm(tried, axis=1) <= FARTHEST_M
        tried = np.where(near[:, None], tried, moved)
        then = root * (given - field.at(start + tried))
        power = np.sum(np.abs(then) ** 2, axis=1) + prior * np.sum(tried**2, axis=1)
        better = near & (power < least)
        moved[better], missed[better], least[better] = tried[better], then[better], power[better]
        damping = np.where(better, damping / 4, damping * 8)
    return moved, np.sum(np.abs(missed) ** 2, axis=1)


def field_gradient(field: Field, position_m: Real) -> Complex:
    """The field's gradient (positions, F, 3) in Pa/m, by differences."""
    told = field.at(position_m)
    beside = [(field.at(position_m + STEP_M * axis) - told) / STEP_M for axis in np.eye(3)]
    return np.stack(beside, axis=-1)
