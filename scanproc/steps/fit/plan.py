"""Decides from a few frequencies how all of them are fitted: places of sources, weights of the model's blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Integer, Real
from scanproc.errors import ScanDataError
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.steps.each import Each, in_turn
from scanproc.steps.field.order import between, checked_order, choose_orders, highest_order
from scanproc.steps.field.view import relative_wavenumber, view_from, wavenumbers
from scanproc.steps.fit.box import Box, device_box
from scanproc.steps.fit.model import Device, FieldModel, make_model
from scanproc.steps.fit.places import find_places
from scanproc.steps.fit.posterior import Posterior, posterior
from scanproc.steps.fit.room_waves import Scattering
from scanproc.steps.fit.truncated import noise_share, on_shell, try_orders, try_orders_on_shell
from scanproc.steps.fit.weights import NOISE, learn, weights_at
from scanproc.waves.harmonics import real_harmonics

Estimator = Literal["auto", "truncated"]

SAMPLES_PER_OCTAVE = 3
PLACES_PER_OCTAVE = 1
LEAST_POINTS = 6


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
    each: Each = in_turn,
) -> FitPlan:
    """The plan for all ``frequency_hz`` (F,) of a scan, which itself may hold the sample frequencies only.

    ``order`` fixes an order of least squares about ``centre_m`` (3,), "truncated" chooses it by held-out error; else
    the whole model is fitted. ``place_m`` (places, 3): where sound leaves, sought by evidence if not told. With a
    ``scattering`` the room is part of the model. ``each`` maps a function over the samples, in turn or side by side.

    Raises ScanDataError when the points are too few, too few for ``order``, or one lies on the centre.
    """
    frequency = scan.frequency_hz if frequency_hz is None else frequency_hz
    sample = scan.take_frequencies(sample_frequencies(scan.frequency_hz))
    box = device_box(scan.setup)
    if order is not None or estimator == "truncated":
        centre = box.centre_m if centre_m is None else np.asarray(centre_m, dtype=np.float64)
        orders, noise = _orders(sample, frequency, centre, order, max_order, each)
        return _plan(frequency, orders, centre, noise, Device(box, box.centre_m[None]), None, sample, [], [])
    if scan.points < LEAST_POINTS:
        raise ScanDataError(
            f"position_m holds {scan.points} points, a fit needs at least {LEAST_POINTS}: scan more points"
        )
    k = wavenumbers(sample.setup, sample.frequency_hz)
    position = heard_at(sample, box)
    places = np.asarray(place_m, dtype=np.float64).reshape(-1, 3)
    if not len(places):
        few = sample_frequencies(sample.frequency_hz, PLACES_PER_OCTAVE)
        places = find_places(position, sample.pressure_pa[:, few], k[few], box, each)
    device = Device(box, places)

    def learnt_at(s: int) -> tuple[dict[str, float], float]:
        model, pressure = make_model(position, float(k[s]), device, scattering), sample.pressure_pa[:, s]
        weights = learn([model], [pressure])
        return weights, fitted(model, pressure, weights).far_field_error_db

    found = each(learnt_at, range(len(k)))
    unknown = np.full(len(frequency), np.nan)
    none = np.full(len(frequency), -1, dtype=np.int64)
    weights, errors = [w for w, _ in found], [e for _, e in found]
    return _plan(frequency, none, box.centre_m, unknown, device, scattering, sample, weights, errors)


def heard_at(scan: Scan, box: Box) -> Real:
    """Positions (points, 3) as the model takes them.

    A device-sized array sees each point's own wave number as a small change of its distance.
    """
    return box.centre_m + (scan.setup.position_m - box.centre_m) * relative_wavenumber(scan.setup)[:, None]


def fitted(model: FieldModel, pressure: Complex, weights: Mapping[str, float]) -> Posterior:
    """The posterior of one frequency's pressures (points,) for weights by name."""
    noise = np.full(len(pressure), weights[NOISE] * float(np.mean(np.abs(pressure) ** 2)))
    return posterior(model, pressure, model.weights(weights), noise)


def planned_model(plan: FitPlan, scan: Scan, index: int) -> tuple[FieldModel, Mapping[str, float]]:
    """The model of a scan's frequency by its ``index``, and the weights that a plan has for it."""
    box = Box(plan.box_centre_m, plan.box_size_m)
    k = float(wavenumbers(scan.setup, scan.frequency_hz[[index]])[0])
    scattering = None if plan.scattering is None else Scattering(*plan.scattering)
    model = make_model(heard_at(scan, box), k, Device(box, plan.place_m), scattering)
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
    rows = [[one.get(name, np.nan) for one in weights] for name in names]
    return FitPlan(
        frequency_hz=frequency_hz,
        order=order,
        centre_m=centre_m,
        sensor_noise=sensor_noise,
        box_centre_m=device.box.centre_m,
        box_size_m=device.box.size_m,
        place_m=device.place_m,
        scattering=None if scattering is None else (scattering.share, scattering.error),
        sample_hz=sample.frequency_hz if weights else np.empty(0),
        block_names=names,
        block_weight=np.array(rows).reshape(len(names), len(weights)),
        noise=np.array([one[NOISE] for one in weights]),
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
            lambda s: try_orders(sample, view, harmonics, s, limit).held_out_db, range(len(sample.frequency_hz))
        )
        held_out = np.stack(tried, axis=1)
    if order is None:
        orders = between(sample.frequency_hz, choose_orders(held_out, sample.frequency_hz), frequency_hz)
    else:
        orders = np.full(len(frequency_hz), order, dtype=np.int64)
    noise = noise_share(sample, np.nanmin(held_out, axis=0))
    return orders, np.interp(np.log(frequency_hz), np.log(sample.frequency_hz), noise)
