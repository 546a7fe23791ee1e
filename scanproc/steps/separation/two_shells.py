"""Separation on two concentric shells: one real factorisation per shell serves all frequencies and orders.

With the same order both ways, outgoing and regular terms span on the points of both shells exactly what the
harmonics of each shell span on its own points, wherever the 2 x 2 matrices of radial functions can be inverted. So
the least-squares fit of both is the fit of each shell, and its residuals and leverages do not depend on frequency.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees
from scanproc.records.scan import Scan
from scanproc.steps.field.order import choose_orders
from scanproc.steps.field.uncertainty import DEGREES_BEYOND, PATTERN_ORDER, Uncertainty
from scanproc.steps.field.view import View
from scanproc.steps.separation.coefficients import Split, joined, noise_gain_db, reordered
from scanproc.waves.directions import lebedev_grid
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.least_squares import (
    NestedFit,
    coefficient_variance,
    coefficients,
    decibels,
    functional_variance,
    nested_fit,
)
from scanproc.waves.radial import far_radial, outgoing_radial, regular_radial


@dataclass(frozen=True, eq=False)
class Radial:
    """Radial functions on both shells, (2, degrees, F), and the rows of their 2 x 2 inverses.

    a = Σ_j ``to_outgoing``[j] s_j and b = Σ_j ``to_regular``[j] s_j from the coefficients s_j of shell j.
    """

    outgoing: Complex
    to_outgoing: Complex
    to_regular: Complex


@dataclass(frozen=True, eq=False)
class ShellPair:
    """The fits of both shells, the number of points on each, and what ties them together; ``k`` (F,)."""

    fits: tuple[NestedFit, NestedFit]
    points: tuple[int, int]
    radial: Radial
    k: Real
    scaling_m: float


def split_on_shells(
    scan: Scan, view: View, k: Real, shells: tuple[Integer, Integer], limit: int, order: int | None
) -> Split:
    """Outgoing and regular coefficients at all frequencies; ``shells`` holds the points of each shell."""
    top = limit if order is None else min(limit, order + DEGREES_BEYOND)
    inner, outer = (_fitted(scan, view, shell, top) for shell in shells)
    radii = [float(view.radius_m[shell[0]]) for shell in shells]
    pair = ShellPair(
        (inner, outer),
        (len(shells[0]), len(shells[1])),
        _radial(top, k, radii, view.scaling_radius_m),
        k,
        view.scaling_radius_m,
    )
    held_out = _held_out_db(pair)
    orders = choose_orders(held_out, scan.frequency_hz) if order is None else np.full(len(k), order, np.int64)
    places = [np.flatnonzero(orders == n) for n in np.unique(orders)]
    parts = [_at_order(pair, int(orders[here[0]]), here, held_out[:, here]) for here in places]
    return reordered(joined(parts), np.argsort(np.concatenate(places)))


def _fitted(scan: Scan, view: View, shell: Integer, top: int) -> NestedFit:
    ends = [mode_count(n) for n in range(top + 1)]
    return nested_fit(
        real_harmonics(top, view.direction[shell]), scan.pressure_pa[shell], ends, overwrite=True
    )


def _radial(order: int, k: Real, radii_m: list[float], scaling_m: float) -> Radial:
    out = np.empty((2, order + 1, len(k)), np.complex128)
    reg = np.empty((2, order + 1, len(k)))
    for index, one in enumerate(k):
        kr = one * np.array(radii_m)
        out[:, :, index] = outgoing_radial(order, kr, one * scaling_m).T
        reg[:, :, index] = regular_radial(order, kr, one * scaling_m).T
    determinant = out[0] * reg[1] - out[1] * reg[0]
    return Radial(out, np.stack([reg[1], -reg[0]]) / determinant, np.stack([-out[1], out[0]]) / determinant)


def _held_out_db(pair: ShellPair) -> Real:
    """Held-out error over the points of both shells, (orders, F)."""
    first, second = pair.fits
    missed = first.held_out_power + second.held_out_power
    return decibels(missed / (first.data_power + second.data_power))


def _at_order(pair: ShellPair, order: int, here: Integer, held_out_db: Real) -> Split:
    """The split of the frequencies ``here``, which share an order."""
    degree = mode_degrees(order)
    outgoing, regular = np.zeros((2, len(degree), len(here)), np.complex128)
    for shell, fit in enumerate(pair.fits):
        found = coefficients(fit, order, here)
        outgoing += pair.radial.to_outgoing[shell][degree][:, here] * found
        regular += pair.radial.to_regular[shell][degree][:, here] * found
    within, gain = _variance(pair, order, here)
    top = min(order + DEGREES_BEYOND, len(pair.fits[0].ends) - 1)
    beyond = [_left_out(pair, n, order, here)[None] for n in range(order + 1, top + 1)]
    pattern = _pattern(pair, order, int(here[len(here) // 2]))
    uncertainty = Uncertainty(
        np.concatenate([within, *beyond]), np.repeat(pattern[:, None], len(here), axis=1)
    )
    return Split(np.full(len(here), order, np.int64), outgoing, regular, held_out_db, uncertainty, gain)


def _noise(pair: ShellPair, order: int, here: Integer) -> Real:
    """Variance of one datum, pooled over both shells, (here,)."""
    pooled: Real = np.average(
        [fit.noise_power[order, here] for fit in pair.fits], axis=0, weights=pair.points
    )
    return pooled


def _variance(pair: ShellPair, order: int, here: Integer) -> tuple[Real, Real]:
    """Variance of the outgoing coefficients by degree (degrees, here), and the noise gain in dB (here,)."""
    degree = mode_degrees(order)
    unit = [np.bincount(degree, coefficient_variance(fit, order)) / np.bincount(degree) for fit in pair.fits]
    raised = np.abs(pair.radial.to_outgoing[:, : order + 1][:, :, here]) ** 2
    both: Real = raised[0] * unit[0][:, None] + raised[1] * unit[1][:, None]
    power = np.abs(pair.radial.outgoing[:, : order + 1][:, :, here]) ** 2
    alone = 1 / (power[0] / unit[0][:, None] + power[1] / unit[1][:, None])
    gain = [noise_gain_db(both[:, i], alone[:, i], pair.k[at], pair.scaling_m) for i, at in enumerate(here)]
    return both * _noise(pair, order, here), np.array(gain)


def _left_out(pair: ShellPair, degree: int, order: int, here: Integer) -> Real:
    """Mean |a|² of a degree above the order, less its noise, (here,)."""
    block = slice(degree**2, (degree + 1) ** 2)
    found: Complex = np.zeros((2 * degree + 1, len(here)), np.complex128)
    by_noise = np.zeros(len(here))
    for shell, fit in enumerate(pair.fits):
        weight = pair.radial.to_outgoing[shell, degree, here]
        inverse = solve_triangular(fit.triangle[block, block], np.eye(2 * degree + 1), check_finite=False)
        found += weight * (inverse @ fit.projection[block, here])
        by_noise += np.abs(weight) ** 2 * np.mean(np.sum(inverse**2, axis=1))
    excess = np.mean(np.abs(found) ** 2, axis=0) - by_noise * _noise(pair, order, here)
    return np.maximum(excess, 0)


def _pattern(pair: ShellPair, order: int, column: int) -> Real:
    """The far field's variance over directions relative to its mean, as a series of real harmonics."""
    direction, weight = lebedev_grid(2 * PATTERN_ORDER + 2)
    degree, k = mode_degrees(order), pair.k[column]
    harmonics = real_harmonics(order, direction) * far_radial(order, k, k * pair.scaling_m)[degree]
    variance = np.zeros(len(weight))
    for shell, fit in enumerate(pair.fits):
        turned = harmonics * pair.radial.to_outgoing[shell, degree, column]
        variance += functional_variance(fit, order, turned)
    variance /= weight @ variance / (4 * np.pi)
    series: Real = real_harmonics(PATTERN_ORDER, direction).T @ (weight * variance)
    return series
