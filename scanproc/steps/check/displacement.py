"""Whether a point heard what is heard at its stated place, or somewhere beside it.

A point off by d misses by g·d, with g the gradient of the field that the other points imply, at every frequency
with the same d. So d follows by least squares from all frequencies at once, and an error too small to stand out at
any one of them may still be beyond doubt. What a displacement of ``TOLERATED_M`` explains accuses nobody: the test
asks how much better the best displacement explains a point than the best one within that distance.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Integer, Real
from scanproc.steps.check.chance import most_explained
from scanproc.steps.check.left_out import LeftOut

TOLERATED_M = 1.5e-3
"""An arm is as good as that (common practice, no source)."""
STEP_M, STEPS = 1e-4, 16
FARTHEST_M, PLAUSIBLE_M = 0.15, 0.05
"""Position errors are looked for up to the first distance; the second is the prior deviation of each coordinate,
which keeps a coordinate that the sound hardly shows from running away."""
PRIOR = 1 / (2 * PLAUSIBLE_M**2)


@dataclass(frozen=True, eq=False)
class Displacement:
    """Per point: ``excess``, ``chance`` and ``noticed_m``, all (points,).

    ``excess``: power, in units of the usual error's, that the best displacement explains beyond what one of
    ``TOLERATED_M`` does; ``chance``: what a good point may show of that; ``noticed_m``: how far off, in the direction
    that changes the sound least, a point must be to be noticed.
    """

    excess: Real
    chance: Real
    noticed_m: Real


def displacement(found: LeftOut, usual: Real, freedom: float) -> Displacement:
    """The test of all points; ``usual`` (points, F) is the variance of their errors, of so many degrees of freedom."""
    deviation = np.sqrt(usual)
    every = np.arange(len(usual))
    gradient = gradient_of(found, every, np.zeros((len(usual), 3))) / deviation[..., None]
    missed = found.error / deviation
    normal = np.real(np.einsum("pfi,pfj->pij", gradient.conj(), gradient)) + PRIOR * np.eye(3)
    value, axes = np.linalg.eigh(normal)
    target = np.einsum("pij,pi->pj", axes, np.real(np.einsum("pfi,pf->pi", gradient.conj(), missed)))
    explained = np.sum(target**2 / value, axis=1)
    left = np.sum(np.abs(missed) ** 2, axis=1) - explained
    points, frequencies = usual.shape
    both = left, np.array(float(frequencies))
    chance, usually = (most_explained(one, points, frequencies, freedom) for one in both)
    excess = explained - _explained_within(value, target, TOLERATED_M)
    return Displacement(excess, chance, TOLERATED_M + np.sqrt(usually / value[:, 0]))


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


def displaced(found: LeftOut, points: Integer, weight: Real) -> tuple[Real, Real]:
    """Where points (indices) seem to have been, less where they are said to be, and the power left.

    ``weight`` (points, F) is one over the variance of their errors. By damped Gauss-Newton steps (Levenberg 1944), all
    points at once.
    """
    root, error = np.sqrt(weight), found.error[points]
    stated = found.device_field(points, np.zeros((len(points), 3)))
    moved, damping = np.zeros((len(points), 3)), np.ones(len(points))
    missed = root * error
    least = np.sum(np.abs(missed) ** 2, axis=1)
    for _ in range(STEPS):
        gradient = root[..., None] * gradient_of(found, points, moved)
        normal = np.real(np.einsum("pfi,pfj->pij", gradient.conj(), gradient)) + PRIOR * np.eye(3)
        target = np.real(np.einsum("pfi,pf->pi", gradient.conj(), missed)) - PRIOR * moved
        damped = normal + damping[:, None, None] * PRIOR * np.eye(3)
        tried = moved + np.linalg.solve(damped, target[..., None])[..., 0]
        near = np.linalg.norm(tried, axis=1) <= FARTHEST_M
        tried = np.where(near[:, None], tried, moved)
        then = root * (error - found.device_field(points, tried) + stated)
        power = np.sum(np.abs(then) ** 2, axis=1) + PRIOR * np.sum(tried**2, axis=1)
        better = near & (power < least)
        moved[better], missed[better], least[better] = tried[better], then[better], power[better]
        damping = np.where(better, damping / 4, damping * 8)
    return moved, np.sum(np.abs(missed) ** 2, axis=1)


def gradient_of(found: LeftOut, points: Integer, moved_m: Real) -> Complex:
    """The field's gradient (points, F, 3) in Pa/m where points (indices) would be if off by that, by differences."""
    here = found.device_field(points, moved_m)
    beside = [(found.device_field(points, moved_m + STEP_M * axis) - here) / STEP_M for axis in np.eye(3)]
    return np.stack(beside, axis=-1)
