"""One part of a scan, fitted at a few frequencies and judged at the points left out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from scanproc.conventions import Boolean, Complex, Integer, Real, mode_count, mode_degrees
from scanproc.records.expansion import Expansion, join
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.steps.each import Each, in_turn
from scanproc.steps.field.basis import ends, outgoing_basis
from scanproc.steps.field.order import choose_orders, highest_order
from scanproc.steps.field.uncertainty import (
    DEGREES_BEYOND,
    PATTERN_ORDER,
    Uncertainty,
    errors_by_order,
    far_field_error_db,
    missing_share,
    truncation_uncertainty,
    with_missing,
)
from scanproc.steps.field.view import (
    View,
    density,
    relative_wavenumber,
    speed_of_sound,
    view_from,
    wavenumbers,
)
from scanproc.steps.fit.box import Box
from scanproc.steps.fit.expand import fit_planned
from scanproc.steps.fit.truncated import on_shell, relative_noise
from scanproc.steps.points.neighbours import groups
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.least_squares import NestedFit, coefficients, decibels, nested_fit
from scanproc.waves.left_out import LeftOut, errors_elsewhere, errors_with_neighbours, solved_rows
from scanproc.waves.radial import outgoing_radial
from scanproc.waves.single_fit import single_fit

ORDERS_BEYOND_PLAN = 3
MOST_TESTS = 600
"""Points left out at which a fit is judged; more would change the error by a tenth of a decibel."""


@dataclass(frozen=True, eq=False)
class Trial:
    """What one subset yields: ``expansion`` over the study's frequencies, at the order chosen.

    ``left_out_db`` and ``predicted_db`` (orders, F): error at points left out and predicted far-field error of every
    order, NaN where the points cannot tell. ``by_plan`` (F,): where the expansion is not the truncated one of those
    tables, but that of a plan.
    """

    expansion: Expansion
    left_out_db: Real
    predicted_db: Real
    by_plan: Boolean


@dataclass(frozen=True, eq=False)
class Stage:
    """What all trials of a scan at frequencies with one centre share: the view, the highest order tried.

    ``reach_m`` from the centre to the farthest part of the device; ``sensor_noise`` (F,) as in FitPlan.
    """

    scan: Scan
    view: View
    top: int
    reach_m: float
    sensor_noise: Real


def make_stages(scan: Scan, plan: FitPlan, max_order: int | None = None) -> list[Stage]:
    """A stage for each run of neighbouring frequencies about one centre.

    On a shell all orders that the points carry are tried, as one factorisation serves them all; elsewhere those up to
    a few beyond what the plan found with all points.
    """
    limit = highest_order(scan.points, max_order)
    at = plan.at(scan.frequency_hz)
    centre = plan.centre_m[at]
    box = Box(plan.box_centre_m, plan.box_size_m)
    edges = [0, *(np.flatnonzero(np.any(centre[1:] != centre[:-1], axis=1)) + 1), len(at)]
    stages = []
    for start, stop in pairwise(edges):
        part = scan.take_frequencies(slice(int(start), int(stop)))
        view = view_from(scan.setup.position_m, centre[start])
        most = int(plan.order[at[start:stop]].max()) + ORDERS_BEYOND_PLAN
        top = limit if on_shell(part, view) else min(limit, most)
        reach = float(box.reach_m(view.centre_m))
        stages.append(Stage(part, view, top, reach, plan.sensor_noise[at[start:stop]]))
    return stages


def run_trials(
    stages: Sequence[Stage], chosen: Integer, rng: np.random.Generator, each: Each = in_turn
) -> Trial:
    """The trials of one subset about all centres, side by side."""
    drawn = [(stage, judges(stage.scan.points, chosen, rng)) for stage in stages]
    trials = each(lambda one: run_trial(one[0], chosen, one[1]), drawn)
    return Trial(
        join([trial.expansion for trial in trials]),
        _side_by_side([trial.left_out_db for trial in trials]),
        _side_by_side([trial.predicted_db for trial in trials]),
        np.concatenate([trial.by_plan for trial in trials]),
    )


def _side_by_side(tables: Sequence[Real]) -> Real:
    """Tables (orders, some frequencies) as one, NaN above the orders of each."""
    orders = max(len(table) for table in tables)
    padded = [np.pad(table, ((0, orders - len(table)), (0, 0)), constant_values=np.nan) for table in tables]
    return np.concatenate(padded, axis=1)


def judges(points: int, chosen: Integer, rng: np.random.Generator) -> Integer:
    """Points that a fit of the chosen ones is judged by (indices, rising): of the rest, or of all without one."""
    rest = np.setdiff1d(np.arange(points), chosen)
    return np.sort(rng.permutation(rest if len(rest) else np.arange(points))[:MOST_TESTS])


def with_plan(
    truncated: Trial, scan: Scan, plan: FitPlan, chosen: Integer, tried: Boolean, each: Each = in_turn
) -> Trial:
    """The trial with the fits of a plan at the frequencies that are ``tried`` (F,), all of them in the plan.

    The tables by order stay those of the truncated fits.
    """
    parts = [
        truncated.expansion.take_frequencies(np.array([index])) for index in range(len(scan.frequency_hz))
    ]
    part = scan.take_points(chosen)
    where = np.flatnonzero(tried).tolist()
    others = each(lambda index: fit_planned(part.take_frequencies(slice(index, index + 1)), plan), where)
    for index, other in zip(where, others, strict=True):
        parts[index] = other
    return replace(truncated, expansion=join(parts), by_plan=tried)


def run_trial(stage: Stage, chosen: Integer, tested: Integer) -> Trial:
    """Fits the chosen points (indices, rising) at every order and frequency of the stage's scan.

    On a shell only at orders that the points tell apart well: above, noise would be raised a thousandfold, and the
    factorisation takes four times as long.

    With all points chosen, the tested ones are left out in turn together with their close neighbours.
    """
    scan, limit = stage.scan, highest_order(len(chosen), stage.top)
    k = wavenumbers(scan.setup, scan.frequency_hz)
    shell = on_shell(scan, stage.view)
    pieces = [np.arange(len(k))] if shell else [np.array([i]) for i in range(len(k))]
    harmonics = real_harmonics(limit, stage.view.direction)
    relative = relative_wavenumber(scan.setup)
    fits, left_out = [], []
    for piece in pieces:
        basis = (
            harmonics if shell else outgoing_basis(stage.view, harmonics, limit, float(k[piece[0]]), relative)
        )
        data = scan.pressure_pa[np.ix_(chosen, piece)]
        rows = basis[chosen]
        quick = single_fit(rows, data, ends(limit), only_well_told_apart=shell)
        nested = quick or nested_fit(rows, data, ends(limit), only_well_told_apart=shell)
        judge = _elsewhere if len(chosen) < scan.points else _with_neighbours
        fits.append(nested)
        left_out.append(judge(scan, basis, nested, tested, piece))
    held_out = np.concatenate([nested.held_out_db() for nested in fits], axis=1)
    orders = choose_orders(held_out, scan.frequency_hz)
    values, found = _solved(stage.view, shell, fits, pieces, orders, k)
    every_excess = _excess(fits, left_out)
    predicted = [
        errors_by_order(
            nested,
            k[piece],
            stage.view.scaling_radius_m,
            stage.reach_m,
            stage.sensor_noise[piece],
            every_excess[:, piece],
        )
        for nested, piece in zip(fits, pieces, strict=True)
    ]
    excess = every_excess[orders, np.arange(len(k))]
    noise = np.concatenate([relative_noise(nested) for nested in fits], axis=1)[orders, np.arange(len(k))]
    missing = missing_share(noise * excess, orders, k, np.full(len(k), stage.reach_m), stage.sensor_noise)
    found = replace(found, variance_pa2=found.variance_pa2 * excess)
    found = with_missing(found, values, missing, k, stage.view.scaling_radius_m)
    return Trial(
        Expansion(
            frequency_hz=scan.frequency_hz,
            order=orders,
            centre_m=np.tile(stage.view.centre_m, (len(k), 1)),
            scaling_radius_m=np.full(len(k), stage.view.scaling_radius_m),
            wavenumber_rad_m=k,
            coefficients_pa=values,
            held_out_db=held_out,
            far_field_error_db=far_field_error_db(values, found.variance_pa2, k, stage.view.scaling_radius_m),
            coefficient_variance_pa2=found.variance_pa2,
            variance_pattern=found.pattern,
            estimator=np.zeros(len(k), dtype=np.int64),
            points=len(chosen),
            drive_voltage_v=scan.setup.drive_voltage_v,
            air_density_kg_m3=density(scan.setup),
        ),
        decibels(
            np.concatenate([one.power for one in left_out], axis=1)
            / np.sum(np.abs(scan.pressure_pa[tested]) ** 2, axis=0)
        ),
        np.concatenate(predicted, axis=1),
        np.zeros(len(k), dtype=bool),
    )


def _excess(fits: Sequence[NestedFit], left_out: Sequence[LeftOut]) -> Real:
    """By how much the noise seen at left-out points exceeds that of leave-one-out, (orders, F), never below one.

    Points in close pairs or far from their neighbours make leave-one-out too bold.
    """
    seen = np.concatenate([one.noise_power for one in left_out], axis=1)
    taken = np.concatenate([nested.noise_power for nested in fits], axis=1)
    excess: Real = np.maximum(seen / taken, 1)
    return excess


def _elsewhere(
    scan: Scan, basis: Real | Complex, nested: NestedFit, tested: Integer, piece: Integer
) -> LeftOut:
    """Errors at points that took no part, (orders, piece)."""
    data = scan.pressure_pa[np.ix_(tested, piece)]
    return errors_elsewhere(nested, np.arange(len(piece)), solved_rows(nested, basis[tested]), data)


def _with_neighbours(
    scan: Scan, basis: Real | Complex, nested: NestedFit, tested: Integer, piece: Integer
) -> LeftOut:
    """Errors at points left out in turn with their close neighbours, (orders, piece)."""
    data = scan.pressure_pa[:, piece]
    rows = solved_rows(nested, basis)
    wavelength = speed_of_sound(scan.setup) / scan.frequency_hz[piece]
    twins = [groups(scan.setup, tested, float(one)) for one in wavelength]
    found = [
        errors_with_neighbours(nested, np.arange(start, stop), rows, data[:, start:stop], twins[start])
        for start, stop in _alike(twins)
    ]
    return LeftOut(
        np.concatenate([one.power for one in found], axis=1),
        np.concatenate([one.noise_power for one in found], axis=1),
    )


def _alike(twins: Sequence[Integer]) -> Iterator[tuple[int, int]]:
    """Runs of neighbouring entries that are the same, as start and stop."""
    start = 0
    for stop in range(1, len(twins) + 1):
        if stop == len(twins) or not np.array_equal(twins[start], twins[stop]):
            yield start, stop
            start = stop


def _solved(
    view: View, shell: bool, fits: Sequence[NestedFit], pieces: Sequence[Integer], orders: Integer, k: Real
) -> tuple[Complex, Uncertainty]:
    """Coefficients (modes, F) and their uncertainty at the chosen orders."""
    top = int(orders.max())
    values = np.zeros((mode_count(top), len(k)), dtype=np.complex128)
    variance = np.zeros((top + 1 + DEGREES_BEYOND, len(k)))
    pattern = np.zeros((mode_count(PATTERN_ORDER), len(k)))
    for nested, piece in zip(fits, pieces, strict=True):
        for order in np.unique(orders[piece]):
            columns = np.flatnonzero(orders[piece] == order)
            here, n = piece[columns], int(order)
            phase = _phase(view, shell, n, k[here])
            values[: mode_count(n), here] = coefficients(nested, n, columns) / phase
            found = truncation_uncertainty(nested, n, columns, k[here], view.scaling_radius_m, phase)
            variance[: len(found.variance_pa2), here] = found.variance_pa2
            pattern[:, here] = found.pattern
    return values, Uncertainty(variance, pattern)


def _phase(view: View, shell: bool, order: int, wavenumber: Real) -> Complex:
    """Factors between the terms that were fitted and those of an expansion, (modes, F)."""
    if not shell:
        return np.ones((mode_count(order), len(wavenumber)), dtype=np.complex128)
    kr = wavenumber * view.scaling_radius_m
    phase = np.stack([outgoing_radial(order, x, float(x))[:, 0] for x in kr], axis=1)
    return phase[mode_degrees(order)]
