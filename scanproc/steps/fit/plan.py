"""Decides from a few frequencies how all of them are fitted: places of sources, weights of the model's blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Integer, Real
from scanproc.errors import ScanDataError
from scanproc.records.fitted.budget import Budget
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.each import Each, in_turn
from scanproc.steps.field.order import between, checked_order, choose_orders, highest_order
from scanproc.steps.field.view import view_from, wavenumbers
from scanproc.steps.fit.budget import error_budget
from scanproc.steps.fit.placement import (
    LearntSample,
    Placement,
    heard_by,
    learn_placement,
    sensor_share,
    tells_places,
)
from scanproc.steps.fit.places import find_places
from scanproc.steps.fit.posterior import Posterior, doubted, gradient_at, posterior
from scanproc.steps.fit.stated import credible_box
from scanproc.steps.fit.truncated import noise_share, on_shell, try_orders, try_orders_on_shell
from scanproc.steps.fit.weights import NOISE, learn, smoothed, weights_at
from scanproc.steps.model.box import Box, device_box, heard_at
from scanproc.steps.model.dictionary import is_rigid
from scanproc.steps.model.field_model import Device, FieldModel, make_model
from scanproc.steps.model.room_waves import Scattering
from scanproc.waves.algebra.least_squares import decibels
from scanproc.waves.harmonics import real_harmonics

Estimator = Literal["auto", "truncated"]

SAMPLES_PER_OCTAVE = 3
PLACES_PER_OCTAVE = 1
LEAST_POINTS = 6
LEAST_SHARE = 0.02
"""Errors of places and gains below this share of the noise change nothing."""


def sample_frequencies(frequency_hz: Real, per_octave: int = SAMPLES_PER_OCTAVE) -> Integer:
    """Indices of about so many frequencies per octave, the first and the last among them, (S,)."""
    octaves = np.log2(frequency_hz)
    count = int(np.ceil((octaves[-1] - octaves[0]) * per_octave)) + 1
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
    place_m: ArrayLike = (),
    scattering: Scattering | None = None,
    box: Box | None = None,
    find_positions: bool = True,
    each: Each = in_turn,
) -> FitPlan:
    """The plan for all ``frequency_hz`` (F,) of a scan, which itself may hold the sample frequencies only.

    ``order`` fixes an order of least squares about ``centre_m`` (3,), see :func:`truncation_centre`; "truncated"
    chooses it by held-out error; else the whole model is fitted. ``place_m`` (places, 3): where sound leaves, sought by
    evidence if not told. ``box``: the device, if it is known; else as stated, unless the sound speaks against that.
    With a ``scattering`` the room is part of the model. ``find_positions``: errors of the points'
    places are estimated. ``each`` maps a function over the samples, in turn or side by side.

    Raises ScanDataError when the points are too few, too few for ``order``, or one lies on the centre.
    """
    frequency = scan.frequency_hz if frequency_hz is None else frequency_hz
    sample = scan.take_frequencies(sample_frequencies(scan.frequency_hz))
    if order is not None or estimator == "truncated":
        centre = truncation_centre(scan.setup, centre_m)
        orders, noise = _orders(sample, frequency, centre, order, max_order, each)
        device = Device(device_box(scan.setup), device_box(scan.setup).centre_m[None])
        return _plan(frequency, orders, centre, noise, device, None, sample, [], [])
    if scan.points < LEAST_POINTS:
        raise ScanDataError(
            f"position_m holds {scan.points} points, a fit needs at least {LEAST_POINTS}: scan more points"
        )
    k = wavenumbers(sample.setup, sample.frequency_hz)
    few = sample_frequencies(sample.frequency_hz, PLACES_PER_OCTAVE)
    box = box or credible_box(sample, few, scattering is not None, each)
    position = heard_at(sample, box)
    places = np.asarray(place_m, dtype=np.float64).reshape(-1, 3)
    if not len(places):
        places = find_places(position, sample.pressure_pa[:, few], k[few], box, each)
    device = Device(box, places)

    def learnt_at(s: int, at: Real = position) -> LearntSample:
        model, pressure = make_model(at, float(k[s]), device, scattering), sample.pressure_pa[:, s]
        weights = learn([model], [pressure])
        found = fitted(model, pressure, weights)
        told = find_positions and tells_places(found)
        heard = heard_by(model, pressure, weights[NOISE], found) if told else None
        shares = _plain_budget(model, weights)
        return LearntSample(weights, found.far_field_error_db, found.held_out_db, shares, heard)

    learnt = each(learnt_at, range(len(k)))
    placement = learn_placement(sample, position, device, scattering, learnt, each)
    if placement is not None and placement.moved:
        moved_m = position + placement.moved_m
        learnt = each(lambda s: learnt_at(s, moved_m), range(len(k)))
    unknown = np.full(len(frequency), np.nan)
    none = np.full(len(frequency), -1, dtype=np.int64)
    weights = [one.weights for one in learnt]
    errors = [one.far_field_error_db for one in learnt]
    plan = _plan(frequency, none, box.centre_m, unknown, device, scattering, sample, weights, errors)
    shares = [one.budget for one in learnt]
    if placement is not None:
        plan = _placed(plan, placement)
        shares = each(lambda s: _budget_at(plan, sample, s), range(len(k)))
    return replace(plan, budget=_budget(plan, sample, shares))


def _budget(plan: FitPlan, sample: Scan, found: Sequence[tuple[Real, Real]]) -> Budget:
    """The error budget at the plan's samples: shares by cause there, and what each cure leaves."""
    share, cured = (np.array(rows).T for rows in zip(*found, strict=True))
    moved = float(np.sqrt(np.mean(np.sum(plan.moved_m**2, axis=1)))) if len(plan.moved_m) else 0.0
    left = plan.sample_db + decibels(cured)
    return Budget(
        sample.frequency_hz, plan.sample_db, share, left, plan.position_error_m, plan.level_error, moved
    )


def _budget_at(plan: FitPlan, sample: Scan, s: int) -> tuple[Real, Real]:
    """Shares of the error at a sample by cause, and what each cure leaves of it, with each point's own noise."""
    model, weights = planned_model(plan, sample, s)
    pressure = sample.pressure_pa[:, s]
    sensor = float(sensor_share(sample.take_frequencies(slice(s, s + 1)))[0])
    noise = point_noise(model, pressure, weights, plan, sensor, fitted(model, pressure, weights))
    return error_budget(model, model.weights(weights), noise)


def _plain_budget(model: FieldModel, weights: Mapping[str, float]) -> tuple[Real, Real]:
    """The same with the same noise at all points."""
    nothing = np.zeros(len(model.position_m))
    noise = {"places": nothing, "level": nothing, "noise": nothing + weights[NOISE]}
    return error_budget(model, model.weights(weights), noise)


def truncation_centre(setup: ScanSetup, centre_m: ArrayLike | None) -> Real:
    """Where least squares expands about: as asked, else the stated middle of the device, else the scan's origin."""
    if centre_m is None:
        centre_m = (0.0, 0.0, 0.0) if setup.device_centre_m is None else setup.device_centre_m
    return np.asarray(centre_m, dtype=np.float64)


def _placed(plan: FitPlan, placement: Placement) -> FitPlan:
    moved = placement.moved_m if placement.moved else np.empty((0, 3))
    return replace(
        plan,
        position_error_m=placement.position_m,
        level_error=placement.level,
        moved_m=moved,
        moved_variance_m2=placement.variance_m2 if placement.moved else np.empty((0, 3)),
        moved_held_out_db=placement.held_out_db,
    )


def fitted(model: FieldModel, pressure: Complex, weights: Mapping[str, float]) -> Posterior:
    """The posterior of one frequency's pressures (points,) for weights by name and the same noise at all points."""
    noise = np.full(len(pressure), weights[NOISE] * float(np.mean(np.abs(pressure) ** 2)))
    return posterior(model, pressure, model.weights(weights), noise)


def fitted_again(
    model: FieldModel,
    pressure: Complex,
    weights: Mapping[str, float],
    plan: FitPlan,
    sensor: float,
    first: Posterior,
) -> tuple[Posterior, Real]:
    """The same with each point's own noise (points,), re the mean square of the pressures, where the plan knows of
    errors of places or gain that matter here."""
    same = np.full(len(pressure), weights[NOISE])
    if plan.position_error_m == 0 and plan.level_error == 0:
        return first, same
    noise = point_noise(model, pressure, weights, plan, sensor, first)
    if np.mean(noise["places"] + noise["level"]) < LEAST_SHARE * weights[NOISE]:
        return first, same
    power = float(np.mean(np.abs(pressure) ** 2))
    own: Real = np.sum(list(noise.values()), axis=0)
    if len(plan.moved_m):
        return doubted(model, first, pressure, model.weights(weights), power * own), own
    return posterior(model, pressure, model.weights(weights), power * own), own


def point_noise(
    model: FieldModel,
    pressure: Complex,
    weights: Mapping[str, float],
    plan: FitPlan,
    sensor: float,
    first: Posterior,
) -> dict[str, Real]:
    """Variances (points,) of "places", "level" and "noise", re the mean square of the pressures.

    What the places and gains account for of the noise that was learnt as plain is no longer in the plain part, which
    never falls below the ``sensor``'s, re the mean square, or a hundredth of what was learnt.
    """
    power = float(np.mean(np.abs(pressure) ** 2))
    slope = np.abs(gradient_at(model, first.strengths, model.position_m)) ** 2 / power
    of_all = plan.position_error_m**2 * slope.sum(axis=1)
    own = np.sum(plan.moved_variance_m2 * slope, axis=1) if len(plan.moved_variance_m2) else of_all
    gain = plan.level_error**2 * np.abs(pressure) ** 2 / power
    least = sensor if np.isfinite(sensor) else 0.01 * weights[NOISE]
    plain = max(weights[NOISE] - float(np.mean(of_all + gain)), least)
    return {"places": own, "level": gain, "noise": np.full(len(pressure), plain)}


def planned_model(plan: FitPlan, scan: Scan, index: int) -> tuple[FieldModel, Mapping[str, float]]:
    """The model of a scan's frequency by its ``index``, and the weights that a plan has for it."""
    box = Box(plan.box_centre_m, plan.box_size_m)
    k = float(wavenumbers(scan.setup, scan.frequency_hz[[index]])[0])
    scattering = None if plan.scattering is None else Scattering(*plan.scattering)
    model = make_model(heard_at(scan, box, plan), k, Device(box, plan.place_m), scattering)
    return model, weights_at(plan, float(scan.frequency_hz[index]), k)


def _plan(
    frequency_hz: Real,
    order: Integer,
    centre_m: Real,
    sensor_noise: Real,
    device: Device,
    scattering: Scattering | None,
    sample: Scan,
    weights: Sequence[Mapping[str, float]],
    error_db: Sequence[float],
) -> FitPlan:
    names = tuple(dict.fromkeys(name for one in weights for name in one if name != NOISE))
    rows = np.array([[one.get(name, np.nan) for one in weights] for name in (*names, NOISE)])
    rows = rows.reshape(len(names) + 1, len(weights))
    if weights:
        rigid = np.array(
            [is_rigid(device.box, float(k)) for k in wavenumbers(sample.setup, sample.frequency_hz)]
        )
        rows = smoothed(sample.frequency_hz, rigid, rows)
    return FitPlan(
        frequency_hz=frequency_hz,
        order=order,
        centre_m=centre_m,
        sensor_noise=sensor_noise,
        box_centre_m=device.box.centre_m,
        box_size_m=device.box.size_m,
        place_m=device.place_m,
        scattering=None if scattering is None else (scattering.share, scattering.error),
        position_error_m=0.0,
        level_error=0.0,
        moved_m=np.empty((0, 3)),
        moved_variance_m2=np.empty((0, 3)),
        moved_held_out_db=(np.nan, np.nan),
        sample_hz=sample.frequency_hz if weights else np.empty(0),
        block_names=names,
        block_weight=rows[:-1],
        noise=rows[-1],
        sample_db=np.array(error_db),
    )


def _orders(
    sample: Scan, frequency_hz: Real, centre_m: Real, order: int | None, max_order: int | None, each: Each
) -> tuple[Integer, Real]:
    """Orders of least squares at all frequencies (F,), and the microphone's share of the noise."""
    limit = highest_order(sample.points, max_order) if order is None else checked_order(order, sample.points)
    view = view_from(sample.setup.position_m, centre_m)
    if on_shell(sample, view):
        held_out = np.stack([trial.held_out_db for trial in try_orders_on_shell(sample, view, limit)], axis=1)
    else:
        harmonics = real_harmonics(limit, view.direction)
        tried = each(
            lambda s: try_orders(sample, view, harmonics, s, limit).held_out_db,
            range(len(sample.frequency_hz)),
        )
        held_out = np.stack(tried, axis=1)
    if order is None:
        orders = between(sample.frequency_hz, choose_orders(held_out, sample.frequency_hz), frequency_hz)
    else:
        orders = np.full(len(frequency_hz), order, dtype=np.int64)
    noise = noise_share(sample, np.nanmin(held_out, axis=0))
    return orders, np.interp(np.log(frequency_hz), np.log(sample.frequency_hz), noise)
