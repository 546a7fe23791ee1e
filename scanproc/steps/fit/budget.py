"""Which part of the sound limits a fit: the predicted error taken apart, and what each cure would leave."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.linalg import cho_solve

from scanproc.conventions import Complex, Real
from scanproc.records.fitted.budget import CAUSES
from scanproc.steps.field.uncertainty import PATTERN_ORDER
from scanproc.steps.model.field_model import FieldModel, covariance, far_covariance, part_of, split
from scanproc.waves.algebra.gaussian_fit import WholeFactor, whole_factor
from scanproc.waves.directions import lebedev_grid

SMALLEST_NOISE = 1e-9
MOST_POINTS = 1000


def error_budget(model: FieldModel, weight: Real, noise: Mapping[str, Real]) -> tuple[Real, Real]:
    """Shares of the far field's error power by ``CAUSES``, and what each cure leaves, re the whole.

    ``noise``: variances (points,) re the mean square of the pressures by the names of the causes "places", "level" and
    "noise". The estimate is linear in what is heard, G p, so its error is the sum of G K_b Gᴴ over all that is not the
    device and of what G loses of the device itself. Of many points ``MOST_POINTS`` are taken, each as if it had been
    measured as often as stands for those left out.
    """
    points = len(model.position_m)
    if points > MOST_POINTS:
        chosen = np.sort(np.random.default_rng(0).permutation(points)[:MOST_POINTS])
        model = part_of(model, chosen)
        noise = {name: variance[chosen] * MOST_POINTS / points for name, variance in noise.items()}
    direction, solid_angle = lebedev_grid(2 * PATTERN_ORDER + 2)
    cross, prior = far_covariance(model, weight, direction)
    diagonal = np.sum(list(noise.values()), axis=0)
    sound = covariance(model, weight)
    _, _, of_room = split(model, weight)

    def whole(covered: Complex, variance: Real) -> tuple[WholeFactor, float]:
        covered = covered.copy()
        covered[np.diag_indices(len(covered))] += np.maximum(variance, SMALLEST_NOISE)
        factor = whole_factor(covered)
        return factor, float(solid_angle @ factor.variance(cross.copy(), prior)) / (4 * np.pi)

    def share_of(variance: Real) -> float:
        return float(solid_angle @ (np.abs(gains) ** 2 @ variance)) / (4 * np.pi) / total

    def cured(covered: Complex, variance: Real) -> float:
        return whole(covered, variance)[1] / total

    factor, total = whole(sound, diagonal)
    gains = cho_solve((factor.triangle, True), cross.conj().T, check_finite=False).conj().T
    shares = {name: share_of(variance) for name, variance in noise.items()}
    cures = {
        name: cured(sound, diagonal - variance) if np.any(variance) else 1.0
        for name, variance in noise.items()
    }
    shares["room"], cures["room"] = 0.0, 1.0
    if model.room is not None:
        room = of_room * model.room.covariance()
        through = np.einsum("ij,ij->i", gains @ room, gains.conj()).real
        shares["room"] = float(solid_angle @ through) / (4 * np.pi) / total
        cures["room"] = cured(sound - room, diagonal)
    known = max(1.0, sum(shares.values()))  # rounding, where the error is eight digits below the sound
    shares = {name: share / known for name, share in shares.items()}
    shares["points"] = max(0.0, 1 - sum(shares.values()))
    cures["points"] = 1 - shares["points"]
    return np.array([shares[c] for c in CAUSES]), np.array([cures[c] for c in CAUSES])
