"""Decides from a few frequencies how all of them are fitted: centre, order, estimator."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Boolean, Integer, Real
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.steps.each import Each, in_turn
from scanproc.steps.field.order import between, checked_order, choose_orders, highest_order
from scanproc.steps.field.uncertainty import far_field_error_db
from scanproc.steps.field.view import relative_wavenumber, view_from, wavenumbers
from scanproc.steps.fit.box import Box, device_box
from scanproc.steps.fit.centre import Centres, find_centres
from scanproc.steps.fit.dictionary import surface_kind
from scanproc.steps.fit.informed import Device, fit_informed, learn, make_model
from scanproc.steps.fit.truncated import (
    Trial,
    noise_share,
    on_shell,
    trial_result,
    try_orders,
    try_orders_on_shell,
)
from scanproc.waves.harmonics import real_harmonics

Estimator = Literal["auto", "truncated", "informed"]

SAMPLES_PER_OCTAVE = 3
LOW_ENOUGH_DB = -40.0
"""Where the truncated fit's held-out error is below this the informed fit is not tried."""
RUNGS = (18, 28, 40, 48)
"""Orders are tried up to the first of these; then the next, where the error still falls or is high."""
WELL_EXPLAINED_DB = -10.0
WITHIN_REACH = 0.6
"""No order below this share of k times the device's reach from the centre explains all that it radiates: then higher
ones are tried only as long as each rung lowers the error by ``LEAST_FALL_DB``."""
LEAST_FALL_DB = 0.5
MIDDLE_GAIN_DB = 3.0
"""A fit about the device's own middle competes where orders above those of the search gain at least this much about it
in held-out error, and explain the sound as well as ``MIDDLE_ERROR_DB``."""
MIDDLE_ERROR_DB = -20.0
CLEAR_GAIN_DB = 1.0
"""The informed fit is taken where it predicts at least this much less far-field error."""
ALIKE_DB = 12.0
"""The informed fit and one about the device's middle are mixed where their predicted errors differ by less: half of
each where they are the same. Their errors have little in common (on the capped sphere and the boundary-element box a
correlation of 0.25, half of the fits between 0.07 and 0.47), so the mixture is about as good as the better of the two
where the prediction picks the wrong one."""
HIGHEST_MIXED = 45
"""Only up to this order: beyond, the truncated fit of thousands of points takes several times as long as the informed
one."""


def sample_frequencies(frequency_hz: Real) -> Integer:
    """Indices of about ``SAMPLES_PER_OCTAVE`` frequencies per octave, the first and the last among them, (S,)."""
    octaves = np.log2(frequency_hz)
    count = int(np.ceil((octaves[-1] - octaves[0]) * SAMPLES_PER_OCTAVE)) + 1
    wanted = np.linspace(octaves[0], octaves[-1], count)
    return np.unique(np.abs(octaves[:, None] - wanted[None, :]).argmin(axis=0))


def prepare(
    scan: Scan,
    *,
    frequency_hz: Real | None = None,
    order: int | None = None,
    max_order: int | None = None,
    centre_m: ArrayLike | None = None,
    estimator: Estimator = "auto",
    driver_m: ArrayLike = (),
    each: Each = in_turn,
) -> FitPlan:
    """The plan for all ``frequency_hz`` (F,) of a scan, which itself may hold the sample frequencies only.

    ``order`` fixes the order and ``centre_m`` (3,) the centre; else both are found by held-out error, band by band
    (with a fixed order the centre is the scan's origin unless given).
    The informed fit competes unless ``estimator`` says otherwise or ``order`` is fixed. ``each`` maps a function over
    the samples, in turn or side by side.

    Raises ScanDataError when the points are too few, too few for ``order``, or one lies on the centre.
    """
    frequency = scan.frequency_hz if frequency_hz is None else frequency_hz
    chosen = sample_frequencies(scan.frequency_hz)
    sample = scan.take_frequencies(chosen)
    limit = highest_order(scan.points, max_order) if order is None else checked_order(order, scan.points)
    box = device_box(scan.setup)
    device = Device(box, np.asarray(driver_m, dtype=np.float64).reshape(-1, 3))
    centres = _centres(
        sample, device, (0.0, 0.0, 0.0) if centre_m is None and order is not None else centre_m, each
    )
    judged = _judge_all(sample, centres.centre_m, device, limit, order, each)
    sample_orders = (
        np.full(len(chosen), order, dtype=np.int64)
        if order is not None
        else choose_orders(judged.held_out_db, sample.frequency_hz)
    )
    tried = _estimators(
        sample, judged, sample_orders, centres, device, "truncated" if order is not None else estimator, each
    )
    middle = np.zeros(len(chosen), dtype=bool)
    beside, beside_order = np.zeros(len(chosen)), np.zeros(len(chosen), dtype=np.int64)
    source_centre = centres.centre_m
    if order is None and centre_m is None and estimator != "informed":
        about = _about_the_middle(sample, judged, sample_orders, centres, tried, device, limit, each)
        middle, beside_order = about.best, np.where(about.order <= HIGHEST_MIXED, about.order, 0)
        mixed = (tried.informed > 0) & (beside_order > 0)
        beside = np.where(mixed, _alike(about.error_db - tried.informed_db), 0.0)
        sample_orders = np.where(middle, about.order, sample_orders)
        centres = Centres(
            np.where(middle[:, None], box.centre_m, centres.centre_m),
            np.where(middle[:, None], 0.0, centres.standard_error_m),
        )
        tried = replace(
            tried,
            informed=np.where(middle, 0.0, tried.informed),
            truncated_db=np.where(middle, about.error_db, tried.truncated_db),
        )
    log_frequency, log_sample = np.log(frequency), np.log(sample.frequency_hz)
    known = beside_order > 0
    orders, path, informed = _along(
        frequency, sample.frequency_hz, sample_orders, centres.centre_m, tried.informed, middle
    )
    return FitPlan(
        frequency_hz=frequency,
        order=orders,
        centre_m=path,
        informed=informed,
        middle=np.interp(log_frequency, log_sample, beside),
        middle_order=between(sample.frequency_hz[known], beside_order[known], frequency)
        if known.any()
        else np.zeros(len(frequency), dtype=np.int64),
        sensor_noise=np.interp(log_frequency, log_sample, tried.sensor_noise),
        sample_hz=sample.frequency_hz,
        source_centre_m=source_centre,
        centre_error_m=centres.standard_error_m,
        truncated_db=tried.truncated_db,
        informed_db=tried.informed_db,
        block_names=tried.block_names,
        block_weight=tried.block_weight,
        noise=tried.noise,
        box_centre_m=box.centre_m,
        box_size_m=box.size_m,
        driver_m=device.driver_m,
    )


def _along(
    frequency_hz: Real, sample_hz: Real, order: Integer, centre_m: Real, informed: Real, middle: Boolean
) -> tuple[Integer, Real, Real]:
    """Orders (F,), centres (F, 3) and shares of the informed fit (F,) between those of the samples.

    Between the device's middle and a centre found elsewhere no place would make a good centre, so there the nearest
    sample decides.
    """
    log_frequency, log_sample = np.log(frequency_hz), np.log(sample_hz)
    orders, path = np.empty(len(frequency_hz), np.int64), np.empty((len(frequency_hz), 3))
    share = np.empty(len(frequency_hz))
    nearest = np.abs(log_frequency[:, None] - log_sample).argmin(axis=1)
    for kind in np.unique(middle):
        here, known = middle[nearest] == kind, middle == kind
        orders[here] = between(sample_hz[known], order[known], frequency_hz[here])
        share[here] = np.interp(log_frequency[here], log_sample[known], informed[known])
        for axis in range(3):
            path[here, axis] = np.interp(log_frequency[here], log_sample[known], centre_m[known, axis])
    return orders, path, share


def everywhere_informed(plan: FitPlan) -> FitPlan:
    """The plan with the informed fit alone at all its frequencies, about the centres found."""
    log_frequency, log_sample = np.log(plan.frequency_hz), np.log(plan.sample_hz)
    path = [np.interp(log_frequency, log_sample, axis) for axis in plan.source_centre_m.T]
    one, none = np.ones(len(plan.informed)), np.zeros(len(plan.informed))
    return replace(plan, informed=one, middle=none, centre_m=np.stack(path, axis=1))


def _alike(difference_db: Real) -> Real:
    """The share of the first of two fits whose predicted errors differ by so much, the first less the second."""
    share: Real = np.clip(0.5 - difference_db / (2 * ALIKE_DB), 0.0, 1.0)
    return share


def weights_at(plan: FitPlan, frequency_hz: float, wavenumber: float) -> dict[str, float]:
    """The informed fit's weights at a frequency, between those learnt at the samples, in log over log frequency.

    Only samples whose surface has columns of the same kind tell, where there are any.
    """
    box = Box(plan.box_centre_m, plan.box_size_m)
    kind, per_hz = surface_kind(box, wavenumber), wavenumber / frequency_hz
    alike = np.array([surface_kind(box, per_hz * f) is kind for f in plan.sample_hz])
    alike &= np.isfinite(plan.noise)
    rows = dict(zip(plan.block_names, plan.block_weight, strict=True)) | {"noise": plan.noise}
    weights = {}
    for name, row in rows.items():
        known = np.isfinite(row) & (alike | ~alike.any())
        if known.any():
            log = np.interp(np.log(frequency_hz), np.log(plan.sample_hz[known]), np.log(row[known]))
            weights[name] = float(np.exp(log))
    return weights


def _centres(sample: Scan, device: Device, centre_m: ArrayLike | None, each: Each) -> Centres:
    count = len(sample.frequency_hz)
    if centre_m is not None:
        fixed = np.asarray(centre_m, dtype=np.float64)
        return Centres(np.tile(fixed, (count, 1)), np.zeros((count, 3)))
    k = wavenumbers(sample.setup, sample.frequency_hz)
    relative = relative_wavenumber(sample.setup)
    own = np.zeros(3)
    return find_centres(sample.setup.position_m, sample.pressure_pa, k, relative, device.box, own, each)


@dataclass(frozen=True, eq=False)
class _Judged:
    """``held_out_db`` (orders, S), NaN where not tried; ``shared``: trials of samples with one factorisation."""

    held_out_db: Real
    shared: dict[int, Trial]


def _judge_all(
    sample: Scan, centre_m: Real, device: Device, limit: int, order: int | None, each: Each
) -> _Judged:
    """All orders that matter at every sample; those about a shell's own centre share one factorisation."""
    own = view_from(sample.setup.position_m, centre_m[0])
    same = (
        np.flatnonzero(np.all(centre_m == centre_m[0], axis=1)) if on_shell(sample, own) else np.empty(0, int)
    )
    top = limit if order is None else min(order + 2, highest_order(sample.points))
    shared: dict[int, Trial] = {}
    if len(same):
        trials = try_orders_on_shell(sample.take_frequencies(same), own, top)
        shared = dict(zip(same.tolist(), trials, strict=True))
    alone = [s for s in range(len(centre_m)) if s not in shared]
    if order is None:
        found = each(lambda s: _judge(sample, s, centre_m[s], device, limit).held_out_db, alone)
    else:
        found = each(lambda s: _try(sample, s, centre_m[s], top).held_out_db, alone)
    errors = np.full((top + 1, len(centre_m)), np.nan)
    for s, held_out in [*zip(alone, found, strict=True), *((s, t.held_out_db) for s, t in shared.items())]:
        errors[: len(held_out), s] = held_out
    return _Judged(errors, shared)


@dataclass(frozen=True, eq=False)
class _Middle:
    """Truncated fits about the device's middle at the samples: ``order`` and predicted far-field ``error_db``, (S,),
    infinite where not tried; ``best`` (S,) where such a fit alone is clearly the best."""

    order: Integer
    error_db: Real
    best: Boolean


def _about_the_middle(
    sample: Scan,
    judged: _Judged,
    orders: Integer,
    centres: Centres,
    tried: _Tried,
    device: Device,
    limit: int,
    each: Each,
) -> _Middle:
    """Truncated fits about the device's middle, where they may be the best or the informed fit competes.

    The search for centres tries low orders only. A device that radiates all around, like a sphere, has its best centre
    in the middle, which shows at orders above k times its radius, if the points carry them.
    """
    middle, found = device.box.centre_m, np.nanmin(judged.held_out_db, axis=0)
    reach = float(device.box.reach_m(middle))
    k = wavenumbers(sample.setup, sample.frequency_hz)
    elsewhere = np.any(centres.centre_m != middle, axis=1)
    worth = (found > LOW_ENOUGH_DB) & (limit >= WITHIN_REACH * k * reach)

    def about(s: int) -> tuple[int, float, bool]:
        if not worth[s]:
            return 0, np.inf, False
        if not elsewhere[s]:
            return int(orders[s]), float(tried.truncated_db[s]), False
        trial = _judge(sample, s, middle, device, limit)
        least = float(np.nanmin(trial.held_out_db))
        clear = least < min(found[s] - MIDDLE_GAIN_DB, MIDDLE_ERROR_DB)
        if not clear and tried.informed[s] == 0:
            return 0, np.inf, False
        order = int(choose_orders(trial.held_out_db[:, None], sample.frequency_hz[[s]])[0])
        if not trial.nested.in_double:
            trial = _try(sample, s, middle, min(order + 2, highest_order(sample.points)), order)
        error = _truncated_error(sample, s, trial, order, middle, device, tried.sensor_noise[s])
        return order, error, clear

    order, error, clear = map(np.array, zip(*each(about, range(len(k))), strict=True))
    best = clear & (error < np.fmin(tried.truncated_db, tried.informed_db) - CLEAR_GAIN_DB)
    return _Middle(order, error, best)


def _truncated_error(
    sample: Scan, s: int, trial: Trial, order: int, centre_m: Real, device: Device, sensor_noise: float
) -> float:
    """Predicted far-field error of the truncated fit of an order at one sample."""
    k = wavenumbers(sample.setup, sample.frequency_hz[[s]])
    radius = view_from(sample.setup.position_m, centre_m).scaling_radius_m
    reach = float(device.box.reach_m(centre_m))
    usable = min(order, trial.nested.usable - 1)
    values, found = trial_result(trial, usable, float(k[0]), radius, reach, float(sensor_noise))
    return float(far_field_error_db(values, found.variance_pa2, k, radius)[0])


def _judge(sample: Scan, s: int, centre_m: Real, device: Device, limit: int) -> Trial:
    """Orders at one sample, as far up as they may matter."""
    k = float(wavenumbers(sample.setup, sample.frequency_hz[[s]])[0])
    within_reach = limit >= WITHIN_REACH * k * float(device.box.reach_m(centre_m))
    before = 0.0
    rungs = [rung for rung in RUNGS if rung < limit]
    for rung in rungs:
        trial = _try(sample, s, centre_m, rung)
        best = int(np.nanargmin(trial.held_out_db))
        error = float(trial.held_out_db[best])
        explained = best < rung - 2 and error < WELL_EXPLAINED_DB
        hopeless = not within_reach and error > before - LEAST_FALL_DB
        if explained or hopeless:
            return trial
        before = error
    return _try(sample, s, centre_m, limit)


def _try(sample: Scan, s: int, centre_m: Real, top: int, order: int | None = None) -> Trial:
    view = view_from(sample.setup.position_m, centre_m)
    return try_orders(sample, view, real_harmonics(top, view.direction), s, top, order)


@dataclass(frozen=True, eq=False)
class _Tried:
    informed: Real
    sensor_noise: Real
    truncated_db: Real
    informed_db: Real
    block_names: tuple[str, ...]
    block_weight: Real
    noise: Real


def _estimators(
    sample: Scan,
    judged: _Judged,
    orders: Integer,
    centres: Centres,
    device: Device,
    estimator: Estimator,
    each: Each,
) -> _Tried:
    """Predicted far-field errors of both estimators at the samples, and which is taken."""
    count = len(orders)
    sensor = noise_share(sample, np.nanmin(judged.held_out_db, axis=0))
    k = wavenumbers(sample.setup, sample.frequency_hz)

    def truncated_error(s: int) -> float:
        trial = judged.shared.get(s)
        if trial is None:
            top = min(int(orders[s]) + 2, highest_order(sample.points))
            trial = _try(sample, s, centres.centre_m[s], top, int(orders[s]))
        return _truncated_error(
            sample, s, trial, int(orders[s]), centres.centre_m[s], device, float(sensor[s])
        )

    def informed_error(s: int) -> tuple[dict[str, float], float]:
        worthwhile = estimator == "informed" or judged.held_out_db[int(orders[s]), s] > LOW_ENOUGH_DB
        if estimator == "truncated" or not worthwhile:
            return {}, np.nan
        model = make_model(sample.setup.position_m, float(k[s]), device, centres.centre_m[s])
        pressure = sample.pressure_pa[:, s]
        weights = learn(model, pressure)
        return weights, fit_informed(model, pressure, weights, float(sensor[s])).far_field_error_db

    truncated = np.array(each(truncated_error, range(count)))
    found = each(informed_error, range(count))
    learnt, informed = [weights for weights, _ in found], np.array([error for _, error in found])
    taken = np.isfinite(informed) & ((informed < truncated - CLEAR_GAIN_DB) | (estimator == "informed"))
    names = tuple(dict.fromkeys(name for weights in learnt for name in weights if name != "noise"))
    weight = np.array([[w.get(name, np.nan) for w in learnt] for name in names]).reshape(len(names), count)
    noise = np.array([w.get("noise", np.nan) for w in learnt])
    return _Tried(taken.astype(np.float64), sensor, truncated, informed, names, weight, noise)
