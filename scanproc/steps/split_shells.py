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
from scanproc.steps.geometry import View
from scanproc.steps.order_choice import choose_orders
from scanproc.steps.split import Split, noise_gain_db
from scanproc.steps.uncertainty import DEGREES_BEYOND, PATTERN_ORDER, Uncertainty
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


def split_on_shells(
    scan: Scan, view: View, k: Real, shells: tuple[Integer, Integer], limit: int, order: int | None
) -> Split:
    """Outgoing and regular coefficients at all frequencies; ``shells`` holds the points of each shell."""
    top = limit if order is None else min(limit, order + DEGREES_BEYOND)
    ends = [mode_count(n) for n in range(top + 1)]
    fits = [
        nested_fit(real_harmonics(top, view.direction[shell]), scan.pressure_pa[shell], ends, overwrite=True)
        for shell in shells
    ]
    held_out = decibels(
        sum(fit.held_out_power for fit in fits) / sum(fit.data_power for fit in fits)  # type: ignore[arg-type]
    )
    count = len(k)
    orders = choose_orders(held_out, scan.frequency_hz) if order is None else np.full(count, order, np.int64)
    radial = _radial(top, k, [float(view.radius_m[shell[0]]) for shell in shells], view.scaling_radius_m)
    rows = mode_count(int(orders.max()))
    outgoing, regular = np.zeros((2, rows, count), np.complex128)
    variance = np.zeros((int(orders.max()) + 1 + DEGREES_BEYOND, count))
    pattern = np.zeros((mode_count(PATTERN_ORDER), count))
    gain = np.empty(count)
    for n in np.unique(orders):
        here, n = np.flatnonzero(orders == n), int(n)
        degree = mode_degrees(n)
        for shell, fit in enumerate(fits):
            found = coefficients(fit, n, here)
            outgoing[: mode_count(n), here] += radial.to_outgoing[shell][degree][:, here] * found
            regular[: mode_count(n), here] += radial.to_regular[shell][degree][:, here] * found
        sizes = [len(shell) for shell in shells]
        within, gain[here] = _variance(fits, sizes, radial, n, here, k[here], view.scaling_radius_m)
        variance[: n + 1, here] = within
        for beyond in range(n + 1, min(n + DEGREES_BEYOND, top) + 1):
            variance[beyond, here] = _left_out(fits, sizes, radial, beyond, n, here)
        middle = int(here[len(here) // 2])
        pattern[:, here] = _pattern(fits, radial, n, middle, k[middle], view.scaling_radius_m)[:, None]
    return Split(orders, outgoing, regular, held_out, Uncertainty(variance, pattern), gain)


def _radial(order: int, k: Real, radii_m: list[float], scaling_m: float) -> Radial:
    out = np.empty((2, order + 1, len(k)), np.complex128)
    reg = np.empty((2, order + 1, len(k)))
    for index, one in enumerate(k):
        kr = one * np.array(radii_m)
        out[:, :, index] = outgoing_radial(order, kr, one * scaling_m).T
        reg[:, :, index] = regular_radial(order, kr, one * scaling_m).T
    determinant = out[0] * reg[1] - out[1] * reg[0]
    return Radial(
        out, np.stack([reg[1], -reg[0]]) / determinant, np.stack([-out[1], out[0]]) / determinant
    )


def _noise(fits: list[NestedFit], sizes: list[int], order: int, here: Integer) -> Real:
    """Variance of one datum, pooled over both shells, (here,)."""
    pooled: Real = np.average([fit.noise_power[order, here] for fit in fits], axis=0, weights=sizes)
    return pooled


def _variance(
    fits: list[NestedFit],
    sizes: list[int],
    radial: Radial,
    order: int,
    here: Integer,
    k: Real,
    scaling_m: float,
) -> tuple[Real, Real]:
    """Variance of the outgoing coefficients by degree (degrees, here), and the noise gain in dB (here,)."""
    degree = mode_degrees(order)
    unit = [np.bincount(degree, coefficient_variance(fit, order)) / np.bincount(degree) for fit in fits]
    both = sum(
        np.abs(radial.to_outgoing[shell, : order + 1][:, here]) ** 2 * unit[shell][:, None] for shell in (0, 1)
    )
    power = np.abs(radial.outgoing[:, : order + 1][:, :, here]) ** 2
    alone = 1 / (power[0] / unit[0][:, None] + power[1] / unit[1][:, None])
    gain = [noise_gain_db(both[:, i], alone[:, i], k[i], scaling_m) for i in range(len(here))]
    return both * _noise(fits, sizes, order, here), np.array(gain)


def _left_out(
    fits: list[NestedFit], sizes: list[int], radial: Radial, degree: int, order: int, here: Integer
) -> Real:
    """Mean |a|² of a degree above the order, less its noise, (here,)."""
    block = slice(degree**2, (degree + 1) ** 2)
    found: Complex = np.zeros((2 * degree + 1, len(here)), np.complex128)
    by_noise = np.zeros(len(here))
    for shell, fit in enumerate(fits):
        weight = radial.to_outgoing[shell, degree, here]
        inverse = solve_triangular(fit.triangle[block, block], np.eye(2 * degree + 1), check_finite=False)
        found += weight * (inverse @ fit.projection[block, here])
        by_noise += np.abs(weight) ** 2 * np.mean(np.sum(inverse**2, axis=1))
    excess = np.mean(np.abs(found) ** 2, axis=0) - by_noise * _noise(fits, sizes, order, here)
    return np.maximum(excess, 0)


def _pattern(
    fits: list[NestedFit], radial: Radial, order: int, column: int, k: float, scaling_m: float
) -> Real:
    """The far field's variance over directions relative to its mean, as a series of real harmonics."""
    direction, weight = lebedev_grid(2 * PATTERN_ORDER + 2)
    degree = mode_degrees(order)
    harmonics = real_harmonics(order, direction) * far_radial(order, k, k * scaling_m)[degree]
    variance = sum(
        functional_variance(fit, order, harmonics * radial.to_outgoing[shell, degree, column])
        for shell, fit in enumerate(fits)
    )
    variance = variance / (weight @ variance / (4 * np.pi))
    series: Real = real_harmonics(PATTERN_ORDER, direction).T @ (weight * variance)
    return series
