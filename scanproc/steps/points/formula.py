"""The far-field error that any points would leave, from points and weights alone.

The posterior variance of the device's far field does not depend on the pressures; what these tell, how loud each block
is and how far left-out points depart from what is predicted for them, is known from a fit of all points.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Integer, Real
from scanproc.steps.field.uncertainty import PATTERN_ORDER
from scanproc.steps.fit.expand import OneFit
from scanproc.steps.model.field_model import FieldModel, covariance, far_covariance, model_at, sound_factor
from scanproc.waves.algebra.gaussian_fit import Factor, whole_factor
from scanproc.waves.algebra.least_squares import decibels
from scanproc.waves.directions import lebedev_grid


@dataclass(frozen=True, eq=False)
class FarError:
    """What a fit at one frequency knows: ``error_db`` of all its points, dB re the far field's rms.

    ``weight`` (blocks,) of the model's blocks and ``noise`` (points,), relative to the mean square at those points;
    ``variance`` as :func:`mean_variance`. ``factor``: of what is heard at the points, where a fit has made it.
    """

    model: FieldModel
    weight: Real
    noise: Real
    error_db: float
    variance: float
    factor: Factor | None = None

    def with_parts(self, parts: Sequence[Integer]) -> list[float]:
        """Errors with some of the points (indices) each, dB."""
        direction, solid_angle = sphere()
        cross, prior = far_covariance(self.model, self.weight, direction)
        if self.factor is None:
            heard = noisy_covariance(self.model, self.weight, self.noise)
        else:
            heard = self.factor.covariance()
        found = []
        for chosen in parts:
            factor = whole_factor(heard[np.ix_(chosen, chosen)])
            variance = factor.variance(cross[:, chosen].copy(), prior)
            found.append(self._error(float(solid_angle @ variance) / (4 * np.pi)))
        return found

    def at(self, position_m: Real) -> float:
        """Error with points at other positions (points, 3) instead, as noisy as these are in the mean, dB."""
        noise = np.full(len(position_m), np.mean(self.noise))
        return self._error(mean_variance(model_at(self.model, position_m), self.weight, noise))

    def _error(self, variance: float) -> float:
        return self.error_db + float(decibels(np.asarray(variance / self.variance)))


def far_error(fit: OneFit) -> FarError:
    """The formula for other points than those of a fit."""
    found, weight = fit.found, fit.model.weights(fit.weights)
    return FarError(
        fit.model, weight, fit.noise, found.far_field_error_db, found.far_variance, found.regression.factor
    )


def mean_variance(model: FieldModel, weight: Real, noise: Real) -> float:
    """Mean over the sphere of the far field's variance with the model's points, before any calibration.

    Relative to the mean square of the pressures at the points that the blocks' levels are told for.
    """
    direction, solid_angle = sphere()
    cross, prior = far_covariance(model, weight, direction)
    variance = sound_factor(model, weight, noise).variance(cross, prior)
    return float(solid_angle @ variance) / (4 * np.pi)


def mean_prior(model: FieldModel, weight: Real) -> float:
    """The same before any point is heard."""
    direction, solid_angle = sphere()
    _, prior = far_covariance(model_at(model, model.position_m[:1]), weight, direction)
    return float(solid_angle @ prior) / (4 * np.pi)


def noisy_covariance(model: FieldModel, weight: Real, noise: Real) -> Complex:
    """Covariance of what is heard at the model's points, their noise (points,) included, (points, points)."""
    sound = covariance(model, weight, float(np.min(noise)))
    sound[np.diag_indices(len(sound))] += noise
    return sound


def sphere() -> tuple[Real, Real]:
    """Directions and solid angles over which a variance is averaged."""
    return lebedev_grid(2 * PATTERN_ORDER + 2)
