"""Spherical-harmonic expansion of a scan's pressures, with the held-out error of every order."""

from __future__ import annotations

from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Boolean, Complex, Integer, Real, mode_count
from scanproc.records.expansion import Expansion, join
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.steps.field.crossfade import about
from scanproc.steps.field.order import checked_order, highest_order
from scanproc.steps.field.uncertainty import far_field_error_db
from scanproc.steps.field.view import density, relative_wavenumber, view_from, wavenumbers
from scanproc.steps.fit.box import Box
from scanproc.steps.fit.informed import Device, fit_informed, make_model
from scanproc.steps.fit.plan import Estimator, prepare, weights_at
from scanproc.steps.fit.truncated import Progress, fit_any, fit_shell, on_shell

Values = TypeVar("Values", Real, Complex)

ERROR_CORRELATION = 0.5
"""Of a truncated and an informed fit of the same points. On the capped sphere and the boundary-element box it was 0.25
in the mean of 300 fits (standard deviation 0.25); each fit's own prediction being a little low, one half made the
mixture's right."""


def fit(
    scan: Scan,
    *,
    order: int | None = None,
    max_order: int | None = None,
    centre_m: ArrayLike | None = None,
    estimator: Estimator = "auto",
    driver_m: ArrayLike = (),
    progress: Progress | None = None,
) -> Expansion:
    """The outgoing expansion of a scan.

    ``order`` fixes the order; otherwise it is chosen per frequency by held-out (leave-one-out) error, up to
    ``max_order`` and to what the points can carry. ``centre_m`` (3,) fixes the expansion centre; otherwise it is
    found band by band, or is the scan's origin where the order is fixed. ``estimator``: "truncated" is least squares
    up to the order; "informed" is regression on what a device of the scan's ``device_size_m`` can radiate, with
    drivers at ``driver_m`` (drivers, 3) if they are known; "auto" takes in each band the one that predicts the
    lower far-field error.

    On one shell about the centre the angular matrix is real and the same at every frequency, so one QR serves all
    truncated fits; any other geometry takes one complex QR per frequency.

    Raises ScanDataError when the points are too few, or too few for ``order``, or one lies on the centre.
    """
    report = progress or _silent
    if centre_m is None and order is not None:
        centre_m = (0.0, 0.0, 0.0)
    if centre_m is not None and (estimator == "truncated" or order is not None):
        view = view_from(scan.setup.position_m, centre_m)
        if on_shell(scan, view):
            limit = (
                highest_order(scan.points, max_order) if order is None else checked_order(order, scan.points)
            )
            return fit_shell(scan, view, limit, None if order is None else _fixed(order, scan), None, report)
    plan = prepare(
        scan, order=order, max_order=max_order, centre_m=centre_m, estimator=estimator, driver_m=driver_m
    )
    return fit_planned(scan, plan, progress=report)


def fit_planned(scan: Scan, plan: FitPlan, *, progress: Progress | None = None) -> Expansion:
    """The expansion of a scan, or of a block of its frequencies, as a plan says."""
    report = progress or _silent
    at = plan.at(scan.frequency_hz)
    parts = [_fit_run(scan, plan, at, run, report) for run in _runs(plan.centre_m[at], plan.informed[at] > 0)]
    return join(parts)


def pieces(frequency_hz: Real, plan: FitPlan) -> list[slice]:
    """Slices of the given frequencies that are best fitted as one: long where the centre stays, else single ones."""
    at = plan.at(frequency_hz)
    long = []
    for run in _runs(plan.centre_m[at], plan.informed[at] > 0):
        step = run.stop - run.start if plan.informed[at[run.start]] == 0 else 1
        long += [slice(a, min(a + step, run.stop)) for a in range(run.start, run.stop, step)]
    return long


def _fit_run(scan: Scan, plan: FitPlan, at: Integer, run: slice, progress: Progress) -> Expansion:
    """Neighbouring frequencies about one centre, all with or all without the informed fit."""
    part = scan.take_frequencies(run)
    view = view_from(scan.setup.position_m, plan.centre_m[at[run.start]])
    orders = plan.order[at[run]]
    share = plan.informed[at[run]]
    sensor = plan.sensor_noise[at[run]]
    quiet = _silent if share.max() else progress
    truncated = None
    if share.min() < 1:
        if on_shell(part, view):
            truncated = fit_shell(part, view, highest_order(scan.points), orders, sensor, quiet)
        else:
            truncated = fit_any(part, view, orders, sensor, quiet)
    if share.max() == 0:
        assert truncated is not None
        return truncated
    informed = join([_fit_informed(part, plan, view.centre_m, i, progress) for i in range(len(share))])
    return informed if truncated is None else mixed(truncated, informed, share)


def _fit_informed(scan: Scan, plan: FitPlan, centre_m: Real, index: int, progress: Progress) -> Expansion:
    """The informed fit of one frequency as an expansion."""
    frequency = scan.frequency_hz[[index]]
    k = wavenumbers(scan.setup, frequency)
    device = Device(Box(plan.box_centre_m, plan.box_size_m), plan.driver_m)
    # A device-sized array sees each point's own wave number as a small change of its distance.
    position = centre_m + (scan.setup.position_m - centre_m) * relative_wavenumber(scan.setup)[:, None]
    weight = weights_at(plan, float(frequency[0]), float(k[0]))
    sensor_noise = float(plan.sensor_noise[plan.at(frequency)[0]])
    model = make_model(position, float(k[0]), device, centre_m)
    found = fit_informed(model, scan.pressure_pa[:, index], weight, sensor_noise)
    held_out = np.full((found.order + 1, 1), np.nan)
    held_out[found.order] = found.held_out_db
    progress(1)
    expansion = Expansion(
        frequency_hz=frequency,
        order=np.array([found.order]),
        centre_m=centre_m[None],
        scaling_radius_m=np.array([model.radius_m]),
        wavenumber_rad_m=k,
        coefficients_pa=found.coefficients_pa[:, None],
        held_out_db=held_out,
        far_field_error_db=np.array([found.far_field_error_db]),
        coefficient_variance_pa2=found.uncertainty.variance_pa2,
        variance_pattern=found.uncertainty.pattern,
        estimator=np.ones(1, dtype=np.int64),
        points=scan.points,
        drive_voltage_v=scan.setup.drive_voltage_v,
        air_density_kg_m3=density(scan.setup),
    )
    return _with_middle(expansion, scan, plan, index)


def _with_middle(informed: Expansion, scan: Scan, plan: FitPlan, index: int) -> Expansion:
    """The informed fit of one frequency mixed with a truncated one about the device's middle, as the plan says."""
    at = plan.at(informed.frequency_hz)
    share = plan.middle[at]
    if share[0] == 0:
        return informed
    view = view_from(scan.setup.position_m, plan.box_centre_m)
    part = scan.take_frequencies(slice(index, index + 1))
    truncated = fit_any(part, view, plan.middle_order[at], plan.sensor_noise[at], _silent)
    return mixed(about(truncated, informed), informed, 1 - share)


def mixed(first: Expansion, second: Expansion, share: Real) -> Expansion:
    """A crossfade of two expansions about the same centres; ``share`` (F,) of the second, 0 to 1.

    Errors are taken to correlate by :data:`ERROR_CORRELATION` (those of two scans, in crossfade.py, as if they were
    one). Held-out errors are those of the estimator with the larger share; at the order used within the crossfade
    stands the larger of the two.
    """
    rows = max(len(first.coefficients_pa), len(second.coefficients_pa))
    degrees = max(len(first.coefficient_variance_pa2), len(second.coefficient_variance_pa2))
    orders = max(len(first.held_out_db), len(second.held_out_db))
    values = (1 - share) * _tall(first.coefficients_pa, rows) + share * _tall(second.coefficients_pa, rows)
    one = (1 - share) * np.sqrt(_tall(first.coefficient_variance_pa2, degrees))
    other = share * np.sqrt(_tall(second.coefficient_variance_pa2, degrees))
    variance = one**2 + other**2 + 2 * ERROR_CORRELATION * one * other
    order = np.where(
        share >= 1, second.order, np.where(share <= 0, first.order, np.maximum(first.order, second.order))
    )
    held_out = np.where(
        share < 0.5,
        _tall(first.held_out_db, orders, np.nan),
        _tall(second.held_out_db, orders, np.nan),
    )
    at = np.arange(len(share))
    used = np.maximum(first.held_out_db[first.order, at], second.held_out_db[second.order, at])
    held_out[order, at] = np.where((share > 0) & (share < 1), used, held_out[order, at])
    error = [
        far_field_error_db(values[:, [i]], variance[:, [i]], first.wavenumber_rad_m[[i]], float(radius))
        for i, radius in enumerate(first.scaling_radius_m)
    ]
    return Expansion(
        frequency_hz=first.frequency_hz,
        order=order,
        centre_m=first.centre_m,
        scaling_radius_m=first.scaling_radius_m,
        wavenumber_rad_m=first.wavenumber_rad_m,
        coefficients_pa=values[: mode_count(int(order.max()))],
        held_out_db=held_out,
        far_field_error_db=np.concatenate(error),
        coefficient_variance_pa2=variance,
        variance_pattern=(1 - share) * first.variance_pattern + share * second.variance_pattern,
        estimator=(share >= 0.5).astype(np.int64),
        points=first.points,
        drive_voltage_v=first.drive_voltage_v,
        air_density_kg_m3=first.air_density_kg_m3,
    )


def _runs(centre_m: Real, informed: Boolean) -> list[slice]:
    """Slices of neighbouring frequencies with the same centre and the same kind of fit."""
    same = np.all(centre_m[1:] == centre_m[:-1], axis=1) & (informed[1:] == informed[:-1])
    edges = [0, *(np.flatnonzero(~same) + 1).tolist(), len(centre_m)]
    return [slice(a, b) for a, b in pairwise(edges)]


def _tall(array: Values, rows: int, fill: float = 0.0) -> Values:
    return np.pad(array, ((0, rows - len(array)), (0, 0)), constant_values=fill)


def _fixed(order: int, scan: Scan) -> Integer:
    return np.full(len(scan.frequency_hz), order, dtype=np.int64)


def _silent(_: int) -> None:
    pass
