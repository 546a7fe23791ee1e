"""What every point should have heard according to all the others, by the model of the fit, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Boolean, Complex, Integer, Real
from scanproc.records.measured.scan import Scan
from scanproc.steps.field.view import wavenumbers
from scanproc.steps.fit.posterior import Strengths, field_at, field_strengths
from scanproc.steps.fit.weights import NOISE, learn
from scanproc.steps.model.box import device_box
from scanproc.steps.model.field_model import (
    Device,
    FieldModel,
    covariance_with,
    make_model,
    part_of,
    sound_factor,
    variance_at_points,
)
from scanproc.steps.model.room_waves import Scattering
from scanproc.waves.algebra.gaussian_fit import USUAL_COUNT, regress

Weights = Mapping[str, float]

AROUND = 12
"""Neighbours whose errors tell how sure the prediction is about a point, besides what the model says."""
WORST_LEFT_OUT = 0.25
"""A fault shows at most frequencies: those at which a point is worst, up to this share of all, do not count."""
HARMLESS = 1 / 300
"""Part of the typical pressure below which an error is never more than usual: three times it, -40 dB at one point,
cannot be seen in any far field."""
SURPRISING = 2.0
"""Errors whose power is off by more than this factor from what was predicted contradict the prediction."""
SMALLEST_DB = -140.0


@dataclass(frozen=True, eq=False)
class LeftOut:
    """At the frequencies (F,) of a scan: ``error`` complex (points, F), heard less expected from all other points in
    ``used`` (points,), and its ``variance`` (points, F) as predicted, Pa².

    ``size`` (F,) is the median pressure of the points in use; ``weights`` are those of the model's blocks.
    """

    used: Boolean
    error: Complex
    variance: Real
    size: Real
    models: Sequence[FieldModel]
    strengths: Sequence[Strengths]
    weights: Sequence[Weights]

    @property
    def level_db(self) -> Real:
        """Typical error re typical pressure, (F,)."""
        typical = np.median(np.abs(self.error[self.used]), axis=0)
        return 20 * np.log10(np.maximum(typical / self.size, 10 ** (SMALLEST_DB / 20)))

    def usual(self, near: Integer) -> Real:
        """The variance of each point's error, (points, F): as predicted, or more where the points ``near`` (points, n)
        it miss by more; never below what is harmless."""
        variance = np.maximum(self.variance, (HARMLESS * self.size) ** 2)
        missed = np.mean(np.abs(self.error) ** 2 / variance, axis=1)
        count = near.shape[1]
        around = (count * np.median(missed[near], axis=1) + USUAL_COUNT) / (count + USUAL_COUNT)
        return variance * np.maximum(around, 1.0)[:, None]

    def device_field(self, points: Integer, moved_m: Real) -> Complex:
        """The device's sound, Pa (points, F), where points (indices) would be if off by ``moved_m`` (points, 3)."""
        both = zip(self.models, self.strengths, strict=True)
        return np.stack([field_at(one, of, one.position_m[points] + moved_m) for one, of in both], axis=1)


def models_of(scan: Scan) -> list[FieldModel]:
    """The fit's model at each frequency: sound from anywhere on the device, and of the room unless there is none."""
    box = device_box(scan.setup)
    device = Device(box, box.centre_m[None])
    room = None if scan.setup.environment == "anechoic" else Scattering()
    k = wavenumbers(scan.setup, scan.frequency_hz)
    return [make_model(scan.setup.position_m, float(one), device, room) for one in k]


def expected(
    scan: Scan, models: Sequence[FieldModel], used: Boolean, weights: Sequence[Weights] = ()
) -> LeftOut:
    """Predictions of all points from those in ``used`` (points,).

    The models' ``weights`` are learnt where none are given, or where what is left out contradicts them, as it does
    those that were learnt with faulty points.
    """
    chosen, parts, kept = np.flatnonzero(used), [], []
    for index, model in enumerate(models):
        pressure = scan.pressure_pa[:, index]
        named = weights[index] if weights else None
        part = None if named is None else _expected_at(model, named, pressure, used)
        if named is None or part is None or not 1 / SURPRISING < _shown(part, chosen) < SURPRISING:
            named = learn([part_of(model, chosen)], [pressure[chosen]])
            part = _expected_at(model, named, pressure, used)
        parts.append(part)
        kept.append(named)
    size = np.median(np.abs(scan.pressure_pa[chosen]), axis=0)
    return LeftOut(
        used,
        np.stack([error for error, _, _ in parts], axis=1),
        np.stack([variance for _, variance, _ in parts], axis=1),
        np.maximum(size, 1e-300),
        models,
        [strengths for _, _, strengths in parts],
        kept,
    )


def _shown(part: tuple[Complex, Real, Strengths], chosen: Integer) -> float:
    """The median squared error of the points in use over its prediction; about one of errors as predicted."""
    error, variance, _ = part
    return float(np.median(np.abs(error[chosen]) ** 2 / variance[chosen]) / np.log(2))


def _expected_at(
    model: FieldModel, named: Weights, pressure: Complex, used: Boolean
) -> tuple[Complex, Real, Strengths]:
    """Errors and their variances of all points (points,), and the sources of the device's field."""
    chosen, rest = np.flatnonzero(used), np.flatnonzero(~used)
    rms = max(float(np.sqrt(np.mean(np.abs(pressure[chosen]) ** 2))), 1e-300)
    part, weight, noise = part_of(model, chosen), model.weights(named), named[NOISE]
    found = regress(sound_factor(part, weight, np.full(len(chosen), noise)), pressure[chosen] / rms)
    error, variance = np.empty(len(used), np.complex128), np.empty(len(used))
    error[chosen], variance[chosen] = found.held_out, found.held_out_variance
    if len(rest):
        cross = np.ascontiguousarray(covariance_with(model, weight, rest)[chosen].conj().T)
        error[rest] = pressure[rest] / rms - cross @ found.solved
        prior = variance_at_points(part_of(model, rest), weight)
        variance[rest] = noise + found.variance(cross, prior)
    return rms * error, rms**2 * variance, field_strengths(part, weight, rms * found.solved)


def score(found: LeftOut, usual: Real) -> Real:
    """Power of each point's error over the usual one, (points,), over the frequencies that count."""
    ratio = np.sort(np.abs(found.error) ** 2 / usual, axis=1)
    counted = ratio.shape[1] - int(WORST_LEFT_OUT * ratio.shape[1])
    mean: Real = np.mean(ratio[:, :counted], axis=1)
    return mean
