"""Spherical-harmonic expansion of a scan's pressures, with the held-out error of every order."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees
from scanproc.records.expansion import Expansion, join
from scanproc.records.scan import Scan
from scanproc.steps import geometry
from scanproc.steps.geometry import View
from scanproc.steps.order_choice import between, checked_order, choose_orders, highest_order
from scanproc.steps.uncertainty import Uncertainty, far_field_error_db, truncation_uncertainty
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.least_squares import coefficients, nested_fit
from scanproc.waves.radial import outgoing_radial

SAMPLE_FREQUENCIES = 24
"""Away from shells every frequency has its own basis; there the order is judged at about this many."""

Progress = Callable[[int], None]
"""Called with the number of frequencies that were just finished."""


def fit(
    scan: Scan,
    *,
    order: int | None = None,
    max_order: int | None = None,
    centre_m: ArrayLike = (0.0, 0.0, 0.0),
    progress: Progress | None = None,
) -> Expansion:
    """The outgoing expansion of a scan about ``centre_m``.

    ``order`` fixes the order; otherwise it is chosen per frequency by held-out (leave-one-out) error, up to
    ``max_order`` and to what the points can carry. On one shell about the centre the angular matrix is real
    and the same at every frequency, so one QR serves all; any other geometry takes one complex QR per frequency.

    Raises ScanDataError when the points are too few, or too few for ``order``, or one lies on the centre.
    """
    view = geometry.view_from(scan.setup.position_m, centre_m)
    limit = highest_order(scan.points, max_order) if order is None else checked_order(order, scan.points)
    report = progress or _silent
    if view.is_shell:
        return _fit_shell(scan, view, limit, order, report)
    return _fit_any(scan, view, limit, order, report)


def _fit_shell(scan: Scan, view: View, limit: int, order: int | None, progress: Progress) -> Expansion:
    """All frequencies from one real factorisation."""
    top = min(limit + 2, highest_order(scan.points)) if order is not None else limit
    basis = real_harmonics(top, view.direction)
    nested = nested_fit(basis, scan.pressure_pa, _ends(top), overwrite=True)
    held_out = nested.held_out_db()
    if order is None:
        orders = choose_orders(held_out, scan.frequency_hz)
    else:
        orders = np.full(len(scan.frequency_hz), order, dtype=np.int64)
    k = geometry.wavenumbers(scan.setup, scan.frequency_hz)
    values = np.zeros((mode_count(int(orders.max())), len(k)), dtype=np.complex128)
    parts = []
    for n in np.unique(orders):
        here = np.flatnonzero(orders == n)
        phase = _shell_phase(int(n), k[here] * view.scaling_radius_m)
        values[: mode_count(int(n)), here] = coefficients(nested, int(n), here) / phase
        parts.append(
            (here, truncation_uncertainty(nested, int(n), here, k[here], view.scaling_radius_m, phase))
        )
    progress(len(k))
    return _expansion(scan, view, k, orders, values, held_out, _merged(parts, len(k)))


def _shell_phase(order: int, kr: Real) -> Complex:
    """h_n(kr)/|h_n(kr)| for each mode, (modes, F): all that is left of the radial functions on a shell."""
    phase = np.stack([outgoing_radial(order, x, float(x))[:, 0] for x in kr], axis=1)
    return phase[mode_degrees(order)]


def _fit_any(scan: Scan, view: View, limit: int, order: int | None, progress: Progress) -> Expansion:
    """One complex factorisation per frequency."""
    k = geometry.wavenumbers(scan.setup, scan.frequency_hz)
    harmonics = real_harmonics(limit, view.direction)
    if order is None:
        orders = _sampled_orders(scan, view, k, harmonics, limit)
    else:
        orders = np.full(len(k), order, dtype=np.int64)
    parts = []
    for index in range(len(k)):
        parts.append(_fit_one(scan, view, k, harmonics, index, int(orders[index]), limit))
        progress(1)
    return join(parts)


def _sampled_orders(scan: Scan, view: View, k: Real, harmonics: Real, limit: int) -> Integer:
    """Orders at all frequencies, judged at some."""
    count = min(SAMPLE_FREQUENCIES, len(k))
    sample = np.unique(np.linspace(0, len(k) - 1, count).round().astype(int))
    errors = [
        nested_fit(
            _basis(view, harmonics, limit, k[i]), scan.pressure_pa[:, [i]], _ends(limit), overwrite=True
        ).held_out_db()
        for i in sample
    ]
    hz = scan.frequency_hz[sample]
    return between(hz, choose_orders(np.concatenate(errors, axis=1), hz), scan.frequency_hz)


def _fit_one(
    scan: Scan, view: View, k: Real, harmonics: Real, index: int, order: int, limit: int
) -> Expansion:
    """The expansion of one frequency at a given order."""
    top = min(order + 2, limit)
    nested = nested_fit(
        _basis(view, harmonics, top, k[index]), scan.pressure_pa[:, [index]], _ends(top), overwrite=True
    )
    here = np.zeros(1, dtype=np.int64)
    uncertainty = truncation_uncertainty(
        nested,
        order,
        here,
        k[[index]],
        view.scaling_radius_m,
        np.ones((mode_count(order), 1), dtype=np.complex128),
    )
    one = scan.take_frequencies(slice(index, index + 1))
    chosen = np.array([order], dtype=np.int64)
    return _expansion(
        one, view, k[[index]], chosen, coefficients(nested, order), nested.held_out_db(), uncertainty
    )


def _basis(view: View, harmonics: Real, order: int, wavenumber: float) -> Complex:
    """Outgoing terms at the points, (points, modes) complex, Fortran order."""
    kr = wavenumber * view.radius_m
    radial = outgoing_radial(order, kr, wavenumber * view.scaling_radius_m)
    basis = np.empty((len(kr), mode_count(order)), dtype=np.complex128, order="F")
    for n in range(order + 1):
        block = slice(n * n, (n + 1) ** 2)
        np.multiply(harmonics[:, block], radial[n][:, None], out=basis[:, block])
    return basis


def _ends(order: int) -> list[int]:
    return [mode_count(n) for n in range(order + 1)]


def _expansion(
    scan: Scan, view: View, k: Real, orders: Integer, values: Complex, held_out_db: Real, found: Uncertainty
) -> Expansion:
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
        air_density_kg_m3=geometry.density(scan.setup),
    )


def _merged(parts: list[tuple[Integer, Uncertainty]], count: int) -> Uncertainty:
    """Uncertainties of groups of frequencies put in their places."""
    rows = max(len(part.variance_pa2) for _, part in parts)
    variance = np.zeros((rows, count))
    pattern = np.zeros((len(parts[0][1].pattern), count))
    for here, part in parts:
        variance[: len(part.variance_pa2), here] = part.variance_pa2
        pattern[:, here] = part.pattern
    return Uncertainty(variance, pattern)


def _silent(_: int) -> None:
    pass
