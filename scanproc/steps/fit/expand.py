"""Spherical-harmonic expansion of a scan's pressures."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Integer, Real
from scanproc.records.fitted.expansion import Expansion, join
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.fitted.point_errors import PointErrors
from scanproc.records.measured.scan import Scan
from scanproc.steps.each import in_turn
from scanproc.steps.field.order import checked_order, highest_order
from scanproc.steps.field.residuals import band_middles, left_over, point_errors
from scanproc.steps.field.view import density, view_from
from scanproc.steps.fit.near import near_field
from scanproc.steps.fit.placement import sensor_share
from scanproc.steps.fit.plan import (
    Estimator,
    fitted,
    fitted_again,
    planned_model,
    prepare,
    truncation_centre,
)
from scanproc.steps.fit.posterior import Posterior
from scanproc.steps.fit.scattering import learn_scattering, useful_frequencies
from scanproc.steps.fit.truncated import Progress, fit_any, fit_shell, on_shell
from scanproc.steps.fit.weights import learn
from scanproc.steps.model.field_model import FieldModel
from scanproc.steps.model.room_waves import Scattering
from scanproc.waves.algebra.gaussian_fit import USUAL_COUNT

SURPRISING = 2.0
"""Left-out errors whose power exceeds the predicted one by this factor: weights are learnt anew at that frequency.

Twice the variance of errors that are at least ``USUAL_COUNT`` in number has odds of one in a hundred by chance."""
ALIKE = 0.1
"""Weights whose natural logarithms differ by less give the same fit."""


def fit(
    scan: Scan,
    *,
    order: int | None = None,
    max_order: int | None = None,
    centre_m: ArrayLike | None = None,
    estimator: Estimator = "auto",
    driver_m: ArrayLike = (),
    room: bool = False,
    progress: Progress | None = None,
) -> Expansion:
    """The outgoing expansion of a scan.

    By default the posterior of all that a device of the scan's ``device_size_m`` can radiate, about its middle; with
    drivers at ``driver_m`` (drivers, 3) if they are known, else sought; ``room`` adds what arrives from outside to the
    model. ``estimator`` "truncated" is least squares up to an order about ``centre_m`` (3,), unless given the stated
    middle of the device or else the scan's origin; the order is ``order``, or chosen by held-out (leave-one-out) error
    up to ``max_order`` and to what the points can carry.

    On one shell about the centre the angular matrix is real and the same at every frequency, so one QR serves all
    truncated fits; any other geometry takes one complex QR per frequency.

    Raises ScanDataError when the points are too few, or too few for ``order``, or one lies on the centre.

    >>> int(sp.fit(scan, order=4).order.max())
    4
    """
    report = progress or _silent
    if estimator == "truncated" or order is not None:
        view = view_from(scan.setup.position_m, truncation_centre(scan.setup, centre_m))
        if on_shell(scan, view):
            limit = (
                highest_order(scan.points, max_order) if order is None else checked_order(order, scan.points)
            )
            orders = None if order is None else np.full(len(scan.frequency_hz), order, dtype=np.int64)
            found = fit_shell(scan, view, limit, orders, None, report)
            return _with_residual(found, scan, scan.frequency_hz)
    plan = prepare(
        scan,
        order=order,
        max_order=max_order,
        centre_m=centre_m,
        estimator=estimator,
        place_m=driver_m,
        scattering=_scattering(scan) if room else None,
    )
    return fit_planned(scan, plan, progress=report)


def fit_planned(scan: Scan, plan: FitPlan, *, progress: Progress | None = None) -> Expansion:
    """The expansion of a scan, or of a block of its frequencies, as a plan says."""
    report = progress or _silent
    if not plan.truncated:
        return join([_fit_one(scan, plan, index, report) for index in range(len(scan.frequency_hz))])
    at = plan.at(scan.frequency_hz)
    view = view_from(scan.setup.position_m, plan.centre_m)
    if on_shell(scan, view):
        limit = highest_order(scan.points)
        found = fit_shell(scan, view, limit, plan.order[at], plan.sensor_noise[at], report)
    else:
        found = fit_any(scan, view, plan.order[at], plan.sensor_noise[at], report)
    return _with_residual(found, scan, plan.frequency_hz)


def pieces(frequency_hz: np.ndarray, plan: FitPlan) -> list[slice]:
    """Slices of the given frequencies that are best fitted as one: all where an order is fitted, else single ones."""
    count = len(frequency_hz)
    return [slice(0, count)] if plan.truncated else [slice(at, at + 1) for at in range(count)]


@dataclass(frozen=True, eq=False)
class OneFit:
    """One frequency: its ``model``, the ``weights`` by name and ``noise`` (points,) used, re the mean square of the
    pressures, and what was ``found``."""

    model: FieldModel
    weights: Mapping[str, float]
    noise: Real
    found: Posterior


def fit_one(scan: Scan, plan: FitPlan, index: int) -> OneFit:
    """The posterior of a scan's frequency by its ``index``.

    Where what leaving out shows contradicts the weights that neighbours told, this frequency's own are learnt, and
    taken if they agree better.
    """
    pressure = scan.pressure_pa[:, index]
    model, weights = planned_model(plan, scan, index)
    found = fitted(model, pressure, weights)
    if found.regression.calibration > SURPRISING and scan.points >= USUAL_COUNT:
        learnt = learn([model], [pressure])
        if _differ(learnt, weights):
            both = (found, weights), (fitted(model, pressure, learnt), learnt)
            found, weights = min(both, key=lambda one: abs(np.log(one[0].regression.calibration)))
    sensor = float(sensor_share(scan.take_frequencies(slice(index, index + 1)))[0])
    found, noise = fitted_again(model, pressure, weights, plan, sensor, found)
    return OneFit(model, weights, noise, found)


def _differ(some: Mapping[str, float], others: Mapping[str, float]) -> bool:
    """Whether a block is louder in some weights than in others by more than ``ALIKE``."""
    return any(abs(np.log(some[name] / others.get(name, np.inf))) > ALIKE for name in some)


def _fit_one(scan: Scan, plan: FitPlan, index: int, progress: Progress) -> Expansion:
    """The posterior of one frequency as an expansion."""
    one, alone = fit_one(scan, plan, index), scan.take_frequencies(slice(index, index + 1))
    near = near_field(one.model, one.model.weights(one.weights), scan.pressure_pa[:, index], one.noise)
    progress(1)
    hz = scan.frequency_hz[[index]]
    return replace(
        _expansion(scan, hz, one.model.wavenumber, one.model.scaling_m, plan, one.found),
        valid_radius_m=np.array([one.found.valid_radius_m]),
        near_field=[near],
        residual=_residual(alone, one.found.residual_pa[:, None], plan.frequency_hz),
    )


def _with_residual(expansion: Expansion, scan: Scan, all_hz: Real) -> Expansion:
    return replace(expansion, residual=_residual(scan, left_over(expansion, scan), all_hz))


def _residual(scan: Scan, left_pa: Complex, all_hz: Real) -> PointErrors | None:
    """What is left over at those of the scan's frequencies that are nearest the middle of a third-octave band."""
    return point_errors(scan, left_pa).among(all_hz[band_middles(all_hz)])


def _expansion(
    scan: Scan, frequency_hz: np.ndarray, wavenumber: float, scaling_m: float, plan: FitPlan, found: Posterior
) -> Expansion:
    held_out = np.full((found.order + 1, 1), np.nan)
    held_out[found.order] = found.held_out_db
    order: Integer = np.array([found.order])
    return Expansion(
        frequency_hz=frequency_hz,
        order=order,
        centre_m=plan.box_centre_m[None],
        scaling_radius_m=np.array([scaling_m]),
        wavenumber_rad_m=np.array([wavenumber]),
        coefficients_pa=found.coefficients_pa[:, None],
        held_out_db=held_out,
        far_field_error_db=np.array([found.far_field_error_db]),
        coefficient_variance_pa2=found.uncertainty.variance_pa2,
        variance_pattern=found.uncertainty.pattern,
        average_covariance=found.average_covariance[:, :, None],
        estimator=np.ones(1, dtype=np.int64),
        points=scan.points,
        drive_voltage_v=scan.setup.drive_voltage_v,
        air_density_kg_m3=density(scan.setup),
    )


def _scattering(scan: Scan) -> Scattering:
    chosen = useful_frequencies(scan.setup, scan.frequency_hz)
    return learn_scattering(scan.take_frequencies(chosen), in_turn) if len(chosen) else Scattering()


def _silent(_: int) -> None:
    pass
