"""Errors of least squares by order: the table that people know, all orders from one factorisation."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan
from scanproc.steps.each import Each
from scanproc.steps.field.order import highest_order
from scanproc.steps.field.uncertainty import errors_by_order
from scanproc.steps.field.view import view_from, wavenumbers
from scanproc.steps.fit.truncated import on_shell, try_orders, try_orders_on_shell
from scanproc.steps.fit.weights import NOISE, weights_at
from scanproc.steps.model.box import device_box
from scanproc.waves.harmonics import real_harmonics

BEYOND_REACH = 6
"""Orders above k times the reach of the device that are tried where each frequency takes a factorisation."""


@dataclass(frozen=True, eq=False)
class _Item:
    """Frequencies ``which`` of a scan that share a factorisation, the first points ``row``; the scan's frequencies
    ``start`` in the table."""

    row: int
    scan: Scan
    plan: FitPlan
    which: Integer
    start: int


def order_tables(
    heard: Sequence[tuple[Scan, FitPlan]], chosen: Sequence[Integer], each: Each
) -> tuple[Real, Real]:
    """Leave-one-out and predicted far-field error of every order, (parts, orders, F), NaN where not defined.

    ``chosen``: for each part the indices of its points; frequencies are those of all scans in ``heard``.
    """
    items = [item for row in range(len(chosen)) for item in _items(heard, row)]
    found = each(lambda one: _errors(one.scan, one.plan, chosen[one.row], one.which), items)
    bands = sum(len(scan.frequency_hz) for scan, _ in heard)
    shape = (len(chosen), max(len(held_out) for held_out, _ in found), bands)
    tables = np.full(shape, np.nan), np.full(shape, np.nan)
    for item, errors in zip(items, found, strict=True):
        for table, error in zip(tables, errors, strict=True):
            table[item.row, : len(error), item.start + item.which] = error.T
    return tables


def _items(heard: Sequence[tuple[Scan, FitPlan]], row: int) -> Iterator[_Item]:
    start = 0
    for scan, plan in heard:
        every = np.arange(len(scan.frequency_hz))
        shell = on_shell(scan, view_from(scan.setup.position_m, plan.centre_m))
        for which in [every] if shell else np.split(every, len(every)):
            yield _Item(row, scan, plan, which, start)
        start += len(every)


def _errors(scan: Scan, plan: FitPlan, chosen: Integer, which: Integer) -> tuple[Real, Real]:
    """Both errors (orders, frequencies) with some of the points."""
    part = scan.take_points(chosen).take_frequencies(which)
    view = view_from(part.setup.position_m, plan.centre_m)
    k = wavenumbers(part.setup, part.frequency_hz)
    reach = float(device_box(part.setup).reach_m(view.centre_m))
    limit = highest_order(part.points)
    if on_shell(part, view):
        trials = try_orders_on_shell(part, view, limit)
    else:
        enough = int(np.ceil(k[0] * reach)) + BEYOND_REACH
        top = min(limit, max(enough, int(plan.order[plan.at(part.frequency_hz)[0]])))
        trials = [try_orders(part, view, real_harmonics(top, view.direction), 0, top)]
    nested = trials[0].nested
    noise = np.array([_noise(plan, f, one) for f, one in zip(part.frequency_hz, k, strict=True)])
    excess = np.ones(nested.noise_power.shape)
    predicted = errors_by_order(nested, k, view.scaling_radius_m, reach, noise, excess)
    return np.stack([trial.held_out_db for trial in trials], axis=1), predicted


def _noise(plan: FitPlan, frequency_hz: float, wavenumber: float) -> float:
    if plan.truncated:
        return float(plan.sensor_noise[plan.at(np.array([frequency_hz]))[0]])
    return weights_at(plan, frequency_hz, wavenumber)[NOISE]
