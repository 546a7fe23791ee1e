"""What a band of a planned scan is expected to sound like: usual weights, or those of an earlier scan."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Real, mode_degrees
from scanproc.steps.fit.posterior import GRADIENT_STEP
from scanproc.steps.fit.weights import NOISE, USUAL_NOISE, weights_at
from scanproc.steps.model.dictionary import columns_at
from scanproc.steps.model.field_model import (
    ROOM,
    USUAL_ROOM,
    Device,
    FieldModel,
    make_model,
    model_at,
    split,
    variance_at_points,
)
from scanproc.steps.model.room_waves import Scattering
from scanproc.steps.planning.earlier import Earlier
from scanproc.steps.planning.usual_weights import usual_weights
from scanproc.steps.points.bands import LEAST_EXPLAINED
from scanproc.steps.points.formula import FarError, mean_prior, mean_variance
from scanproc.waves.algebra.dense import row_power

USUAL_SNR_DB = -10 * float(np.log10(USUAL_NOISE))
USUAL_ROOM_DB = 10 * float(np.log10(USUAL_ROOM))
LEAST_NOISE = 0.01
"""Of the noise that was learnt, where errors of places and level account for all of it; as in the fit."""


@dataclass(frozen=True)
class Conditions:
    """``snr_db`` of the mean square over the points, ``arm_mm``: rms error of a position in each axis, ``room_db``:
    level of the room's sound at the points over the device's. None: usual, or as the earlier scan had it."""

    snr_db: float | None = None
    arm_mm: float | None = None
    room_db: float | None = None


@dataclass(frozen=True, eq=False)
class Expected:
    """The error's ``formula`` for planned points, whose mean ``noise`` is told by "places", "level" and "noise";
    ``arm_mm`` behind the first, for points like ``at_m`` (points, 3). With a ``reason`` nothing can be told."""

    formula: FarError
    noise: Mapping[str, float]
    arm_mm: float
    at_m: Real
    reason: str = ""

    def seen_at(self, at_m: Real) -> Expected:
        """The same for points (points, 3) elsewhere: where the sound is steeper, errors of places cost more."""
        if not self.noise["places"]:
            return self
        model, weight = self.formula.model, self.formula.weight
        steeper = mean_slope(model, weight, at_m) / mean_slope(model, weight, self.at_m)
        noise = {**self.noise, "places": self.noise["places"] * steeper}
        spread = np.full(len(self.formula.noise), sum(noise.values()))
        return replace(self, formula=replace(self.formula, noise=spread), noise=noise, at_m=at_m)


def usual(device: Device, wavenumber: float, at_m: Real, given: Conditions) -> Expected:
    """For a device that nobody has scanned, with points like ``at_m`` (points, 3); no room if no level is given."""
    arm_mm, snr_db = given.arm_mm or 0.0, USUAL_SNR_DB if given.snr_db is None else given.snr_db
    model = make_model(at_m, wavenumber, device, None if given.room_db is None else Scattering())
    weight = _with_room(model, usual_weights(model), at_m, given.room_db)
    noise = {
        "places": (arm_mm / 1000) ** 2 * mean_slope(model, weight, at_m) if arm_mm else 0.0,
        "level": 0.0,
        "noise": _level(model, weight, at_m) * 10 ** (-snr_db / 10),
    }
    spread = np.full(len(at_m), sum(noise.values()))
    return Expected(FarError(model, weight, spread, 0.0, mean_prior(model, weight)), noise, arm_mm, at_m)


def as_before(earlier: Earlier, index: int, at_m: Real, given: Conditions) -> Expected:
    """The same by the weights, noise and error of an earlier scan in its band ``index``.

    Its own points have the error that its conversion predicted; others differ from that by the variances. The noise
    learnt holds what errors of places and level account for. Weights need not add up to one, the mean square at the
    earlier points: levels and slopes are told by theirs there.
    """
    frequency, k = float(earlier.frequency_hz[index]), float(earlier.wavenumber_rad_m[index])
    plan, error_db = earlier.plan_at(frequency), float(earlier.error_db[index])
    device = Device(earlier.box, plan.place_m)
    named = weights_at(plan, frequency, k)
    model = make_model(
        earlier.position_m, k, device, None if plan.scattering is None else Scattering(*plan.scattering)
    )
    weight = model.weights(named)
    own = _level(model, weight, model.position_m)
    had = {
        "places": _slope_noise(model, weight, model.position_m, plan.position_error_m) / own,
        "level": plan.level_error**2,
    }
    known = sum(had.values())
    had["noise"] = max(named[NOISE] - known, LEAST_NOISE * named[NOISE])
    points = len(earlier.position_m)
    variance = mean_variance(model, weight, np.full(points, sum(had.values())))
    if given.room_db is not None:
        model = model if model.room else make_model(earlier.position_m, k, device, Scattering())
        weight = _with_room(model, model.weights(named)[: len(_of_device(model))], at_m, given.room_db)
    level = _level(model, weight, at_m) / own
    arm_m = plan.position_error_m if given.arm_mm is None else given.arm_mm / 1000
    noise = {
        "places": _slope_noise(model, weight, at_m, arm_m) / own,
        "level": had["level"] * level,
        "noise": had["noise"] if given.snr_db is None else level * 10 ** (-given.snr_db / 10),
    }
    formula = FarError(model, weight, np.full(points, sum(noise.values())), error_db, variance)
    return Expected(formula, noise, 1000 * arm_m, at_m, _reason(named[NOISE], error_db))


def mean_slope(model: FieldModel, weight: Real, position_m: Real) -> float:
    """Mean square over positions (positions, 3) of the sound's slope along all three axes, 1/m², before any point is
    heard; relative as the weights are. A room's waves have that of plane ones, k²."""
    of_columns, of_degrees, of_room = split(model, weight)
    k, scaling = model.wavenumber, model.scaling_m
    by_mode = model.degrees.by_degree(of_degrees)[mode_degrees(model.degrees.order)]
    step, total = GRADIENT_STEP / k, 0.0
    for axis in np.eye(3):
        ahead, behind = position_m + step * axis, position_m - step * axis
        columns = columns_at(model.dictionary, ahead, k, scaling) - columns_at(
            model.dictionary, behind, k, scaling
        )
        modes = model.degrees.columns_at(ahead) - model.degrees.columns_at(behind)
        total += float(np.mean(row_power(columns * np.sqrt(of_columns)) + np.abs(modes) ** 2 @ by_mode))
    return total / (2 * step) ** 2 + k**2 * of_room


def _slope_noise(model: FieldModel, weight: Real, at_m: Real, error_m: float) -> float:
    return error_m**2 * mean_slope(model, weight, at_m) if error_m else 0.0


def _reason(noise: float, error_db: float) -> str:
    if 1 - noise < LEAST_EXPLAINED:
        return "the earlier scan's points explain less than half of the sound there"
    return "" if error_db < 0 else "the earlier scan shows nothing of the far field there"


def _of_device(model: FieldModel) -> Real:
    return model.usual[: len(model.usual) - (ROOM in model.names)]


def _with_room(model: FieldModel, of_device: Real, at_m: Real, room_db: float | None) -> Real:
    """Weights of all blocks (blocks,) with the room so loud over the device at positions (points, 3)."""
    if room_db is None:
        return of_device
    silent = np.append(of_device, 0.0)
    return np.append(of_device, 10 ** (room_db / 10) * _level(model, silent, at_m))


def _level(model: FieldModel, weight: Real, at_m: Real) -> float:
    """Mean square of the sound at positions (points, 3), relative as the weights are."""
    return float(np.mean(variance_at_points(model_at(model, at_m), weight)))
