"""The truncated fit: least squares on the outgoing terms up to an order."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees, order_of
from scanproc.errors import ScanDataError
from scanproc.records.fitted.expansion import Expansion, join
from scanproc.records.measured.scan import Scan
from scanproc.steps.field.basis import ends, outgoing_basis
from scanproc.steps.field.order import choose_orders, highest_order
from scanproc.steps.field.uncertainty import (
    Uncertainty,
    far_field_error_db,
    missing_share,
    truncation_uncertainty,
    with_missing,
)
from scanproc.steps.field.view import View, density, relative_wavenumber, wavenumbers
from scanproc.steps.model.box import device_box
from scanproc.waves.algebra.least_squares import NestedFit, coefficients, nested_fit
from scanproc.waves.algebra.single_fit import single_fit
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import outgoing_radial

Progress = Callable[[int], None]
"""Called with the number of frequencies that were just finished."""


@dataclass(frozen=True, eq=False)
class Trial:
    """All orders at one frequency: ``held_out_db`` (orders,), and the fit, of whose data this is one ``column``.

    ``on_shell``: the basis was the real one of a shell, so coefficients still carry the radial functions' phase.
    """

    held_out_db: Real
    nested: NestedFit
    column: int = 0
    on_shell: bool = False


def on_shell(scan: Scan, view: View) -> bool:
    """Whether one real factorisation serves all frequencies: one radius and one wave number for all points."""
    return view.is_shell and bool(np.all(relative_wavenumber(scan.setup) == 1))


def fit_shell(
    scan: Scan, view: View, limit: int, orders: Integer | None, sensor_noise: Real | None, progress: Progress
) -> Expansion:
    """All frequencies from one real factorisation, at the given orders or those of least held-out error.

    ``sensor_noise`` (F,) as in FitPlan; without it the least held-out error stands for it.
    """
    top = limit if orders is None else min(max(limit, int(orders.max()) + 2), highest_order(scan.points))
    nested = nested_fit(real_harmonics(top, view.direction), scan.pressure_pa, ends(top), overwrite=True)
    held_out = nested.held_out_db()
    if orders is None:
        orders = choose_orders(held_out, scan.frequency_hz)
    told_apart(nested, int(orders.max()))
    k = wavenumbers(scan.setup, scan.frequency_hz)
    values = np.zeros((mode_count(int(orders.max())), len(k)), dtype=np.complex128)
    used = held_out[orders, np.arange(len(k))]
    sensor = noise_share(scan, used) if sensor_noise is None else sensor_noise
    reach = np.full(len(k), device_box(scan.setup).reach_m(view.centre_m))
    missing = missing_share(relative_noise(nested)[orders, np.arange(len(k))], orders, k, reach, sensor)
    parts = []
    for n in np.unique(orders):
        here = np.flatnonzero(orders == n)
        phase = _shell_phase(int(n), k[here] * view.scaling_radius_m)
        values[: mode_count(int(n)), here] = coefficients(nested, int(n), here) / phase
        found = truncation_uncertainty(nested, int(n), here, k[here], view.scaling_radius_m, phase)
        parts.append(
            (here, with_missing(found, values[:, here], missing[here], k[here], view.scaling_radius_m))
        )
    progress(len(k))
    return as_expansion(scan, view, k, orders, values, held_out, _merged(parts, len(k)))


def try_orders(
    scan: Scan, view: View, harmonics: Real, index: int, limit: int, order: int | None = None
) -> Trial:
    """Every order up to ``limit`` at one frequency. ``harmonics`` at the points, at least to that order.

    Coefficients are meant to be taken of the one ``order`` only: those of others may have three digits.
    """
    k = wavenumbers(scan.setup, scan.frequency_hz)
    basis = outgoing_basis(view, harmonics, limit, k[index], relative_wavenumber(scan.setup))
    data = scan.pressure_pa[:, [index]]
    nested = single_fit(basis, data, ends(limit), order) or nested_fit(
        basis, data, ends(limit), overwrite=True
    )
    return Trial(nested.held_out_db()[:, 0], nested)


def try_orders_on_shell(scan: Scan, view: View, limit: int) -> list[Trial]:
    """Every order up to ``limit`` at every frequency, from one real factorisation."""
    nested = nested_fit(real_harmonics(limit, view.direction), scan.pressure_pa, ends(limit), overwrite=True)
    held_out = nested.held_out_db()
    return [Trial(held_out[:, column], nested, column, True) for column in range(held_out.shape[1])]


def fit_at_order(
    scan: Scan, view: View, harmonics: Real, index: int, order: int, sensor_noise: float
) -> Expansion:
    """The expansion of one frequency at a given order, from one complex factorisation."""
    top = min(order + 2, highest_order(scan.points), order_of(harmonics.shape[1]))
    trial = try_orders(scan, view, harmonics, index, top, order)
    told_apart(trial.nested, order)
    k = wavenumbers(scan.setup, scan.frequency_hz[[index]])
    one = scan.take_frequencies(slice(index, index + 1))
    chosen = np.array([order], dtype=np.int64)
    reach = device_box(scan.setup).reach_m(view.centre_m)
    values, uncertainty = trial_result(
        trial, order, float(k[0]), view.scaling_radius_m, float(reach), sensor_noise
    )
    return as_expansion(one, view, k, chosen, values, trial.held_out_db[:, None], uncertainty)


def trial_result(
    trial: Trial, order: int, wavenumber: float, scaling_m: float, reach_m: float, sensor_noise: float
) -> tuple[Complex, Uncertainty]:
    """Coefficients (modes, 1) of one order of a trial, and their uncertainty."""
    k, here = np.array([wavenumber]), np.array([trial.column])
    phase = np.ones((mode_count(order), 1), dtype=np.complex128)
    if trial.on_shell:
        phase = _shell_phase(order, k * scaling_m)
    found = truncation_uncertainty(trial.nested, order, here, k, scaling_m, phase)
    values = coefficients(trial.nested, order, here) / phase
    noise = relative_noise(trial.nested)[[order], here]
    missing = missing_share(noise, np.array([order]), k, np.array([reach_m]), np.array([sensor_noise]))
    return values, with_missing(found, values, missing, k, scaling_m)


def relative_noise(nested: NestedFit) -> Real:
    """Variance of one datum as the fit of each order shows it, over the data's mean square, (orders, F)."""
    points = nested.leverage.shape[1]
    share: Real = nested.noise_power * points / nested.data_power
    return share


def noise_share(scan: Scan, held_out_db: Real) -> Real:
    """The microphone's noise relative to the mean square pressure, (F,): as the scan states it, else the least
    held-out error of all frequencies, which is at least that noise.
    """
    power = np.mean(np.abs(scan.pressure_pa) ** 2, axis=0)
    if scan.noise_pa is None:
        return np.full(len(power), 10 ** (float(np.nanmin(held_out_db)) / 10))
    noise = scan.noise_pa**2
    share: Real = (noise if noise.ndim == 1 else noise.mean(axis=0)) / power
    return share


def fit_any(scan: Scan, view: View, orders: Integer, sensor_noise: Real, progress: Progress) -> Expansion:
    """One complex factorisation per frequency, all about one centre."""
    harmonics = real_harmonics(min(int(orders.max()) + 2, highest_order(scan.points)), view.direction)
    parts = []
    for index, order in enumerate(orders):
        parts.append(fit_at_order(scan, view, harmonics, index, int(order), float(sensor_noise[index])))
        progress(1)
    return join(parts)


def told_apart(nested: NestedFit, order: int) -> None:
    """Raises ScanDataError when the points cannot tell the terms of that order from lower ones."""
    if order >= nested.usable:
        raise ScanDataError(
            f"order {order} cannot be told apart from lower orders at these points (a regular grid repeats itself): "
            f"lower the order to {nested.usable - 1} or scan at other directions"
        )


def as_expansion(
    scan: Scan, view: View, k: Real, orders: Integer, values: Complex, held_out_db: Real, found: Uncertainty
) -> Expansion:
    """The record of a truncated fit about one centre."""
    count = len(k)
    return Expansion(
        frequency_hz=scan.frequency_hz,
        order=orders,
        centre_m=np.tile(view.centre_m, (count, 1)),
        scaling_radius_m=np.full(count, view.scaling_radius_m),
        wavenumber_rad_m=k,
        coefficients_pa=values,
        held_out_db=held_out_db,
        far_field_error_db=far_field_error_db(values, found.variance_pa2, k, view.scaling_radius_m),
        coefficient_variance_pa2=found.variance_pa2,
        variance_pattern=found.pattern,
        estimator=np.zeros(count, dtype=np.int64),
        points=scan.points,
        drive_voltage_v=scan.setup.drive_voltage_v,
        air_density_kg_m3=density(scan.setup),
        valid_radius_m=np.full(count, device_box(scan.setup).reach_m(view.centre_m)),
    )


def _shell_phase(order: int, kr: Real) -> Complex:
    """h_n(kr)/|h_n(kr)| for each mode, (modes, F): all that is left of the radial functions on a shell."""
    phase = np.stack([outgoing_radial(order, x, float(x))[:, 0] for x in kr], axis=1)
    return phase[mode_degrees(order)]


def _merged(parts: list[tuple[Integer, Uncertainty]], count: int) -> Uncertainty:
    """Uncertainties of groups of frequencies put in their places."""
    rows = max(len(part.variance_pa2) for _, part in parts)
    variance = np.zeros((rows, count))
    pattern = np.zeros((len(parts[0][1].pattern), count))
    for here, part in parts:
        variance[: len(part.variance_pa2), here] = part.variance_pa2
        pattern[:, here] = part.pattern
    return Uncertainty(variance, pattern)
