"""Errors of single points: what the arm's inaccuracy and the scatter of gain add to the microphone's noise."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from scanproc.conventions import Complex, Real

NOISE_SPREAD = 1.0
"""Natural log of the factor by which the noise, re the sound, departs from one frequency to another: where a frequency
tells nothing of it, its neighbours do."""
SMALLEST_RELATIVE = 1e-10
"""Of any variance, re the mean square of the pressures."""


@dataclass(frozen=True, eq=False)
class Heard:
    """One frequency as a fit with plain noise saw it, re the rms of its pressures.

    ``error`` complex (points,) left out, ``field_variance`` (points,) what of its variance is not noise;
    ``slope_per_m`` complex (points, 3) of the fitted pressure; ``level`` (points,) |p|² of the fitted pressure;
    ``noise`` learnt.
    """

    error: Complex
    field_variance: Real
    slope_per_m: Complex
    level: Real
    noise: float


@dataclass(frozen=True, eq=False)
class PointNoise:
    """``position_m``: standard deviation of the points' places along each axis; ``level``: relative one of their gain;
    ``noise`` (F,): the rest, re the mean square of the pressures. ``gain``: by how much the log likelihood of the
    left-out errors rises against plain noise."""

    position_m: float
    level: float
    noise: Real
    gain: float


def learn_point_noise(heard: Sequence[Heard], sensor: Real) -> PointNoise:
    """One standard deviation of places and one of gains for all frequencies (F,), a noise for each, by likelihood.

    ``sensor`` (F,): the least that each noise is, re the mean square of the pressures, NaN where nothing is known.

    Left-out errors are taken as independent. A displaced point errs with the slope of the field, that is with
    frequency; a gain with the level; both differ from point to point where plain noise does not.
    """
    count = sum(len(one.error) for one in heard)

    def split(x: Real) -> tuple[float, float, Real]:
        return float(np.exp(x[0])), float(np.exp(x[1])), np.exp(x[2:])

    def loss(x: Real) -> float:
        place, gain, noise = split(x)
        total = 0.0
        for one, own in zip(heard, noise, strict=True):
            slope = np.sum(np.abs(one.slope_per_m) ** 2, axis=1)
            variance = one.field_variance + own + place * slope + gain * one.level
            total += float(np.sum(np.log(variance) + np.abs(one.error) ** 2 / variance))
        off = x[2:] - x[2:].mean()
        return (total + 0.5 * float(off @ off) / NOISE_SPREAD**2) / count

    plain = np.log([max(one.noise, SMALLEST_RELATIVE) for one in heard])
    nothing = np.log(SMALLEST_RELATIVE)
    slope = np.mean([np.mean(np.sum(np.abs(one.slope_per_m) ** 2, axis=1)) for one in heard])
    first = np.concatenate([[np.log(np.exp(plain).mean() / slope), np.log(np.exp(plain).mean()) - 2], plain])
    least = [nothing if np.isnan(one) else np.log(one) for one in sensor]
    bounds = [(nothing - np.log(slope), 0.0), (nothing, 0.0)] + [(low, 1.0) for low in least]
    found = minimize(loss, first, method="L-BFGS-B", bounds=bounds, options={"maxfun": 20000})
    base = minimize(
        lambda y: loss(np.concatenate([[bounds[0][0], nothing], y])),
        plain,
        method="L-BFGS-B",
        bounds=bounds[2:],
        options={"maxfun": 20000},
    )
    place, gain, noise = split(found.x)
    return PointNoise(float(np.sqrt(place)), float(np.sqrt(gain)), noise, count * float(base.fun - found.fun))


def displacements(
    heard: Sequence[Heard], moved_m: Real, sigma_m: float, variance: Sequence[Real]
) -> tuple[Real, Real]:
    """Steps (points, 3) from where points are taken to be, ``moved_m`` from their reported places, and what is left of
    the variance of each, (points, 3).

    Weighted least squares over the frequencies with the prior N(0, ``sigma_m``²) about the reported places. Each
    frequency's left-out errors weigh by ``variance`` (points,), that of everything but the point's own displacement.
    """
    points = len(moved_m)
    normal = np.tile(np.eye(3) / sigma_m**2, (points, 1, 1))
    right = -moved_m / sigma_m**2
    for one, spread in zip(heard, variance, strict=True):
        weight = 2 / spread
        outer = one.slope_per_m.conj()[:, :, None] * one.slope_per_m[:, None, :]
        normal += weight[:, None, None] * outer.real
        right = right + weight[:, None] * np.real(one.slope_per_m.conj() * one.error[:, None])
    inverse = np.linalg.inv(normal)
    return np.einsum("ijk,ik->ij", inverse, right), np.einsum("ijj->ij", inverse)
