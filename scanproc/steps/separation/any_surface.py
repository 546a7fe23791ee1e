"""Separation on any two layers: one complex factorisation per frequency, outgoing beside regular by degree."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.linalg import solve_triangular

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees
from scanproc.records.scan import Scan
from scanproc.steps.field.order import between, choose_orders
from scanproc.steps.field.uncertainty import DEGREES_BEYOND, PATTERN_ORDER, Uncertainty
from scanproc.steps.field.view import View
from scanproc.steps.separation.coefficients import Split, joined, noise_gain_db
from scanproc.waves.directions import lebedev_grid
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.least_squares import (
    NestedFit,
    coefficient_variance,
    coefficients,
    functional_variance,
    nested_fit,
)
from scanproc.waves.radial import far_radial, outgoing_radial, regular_radial

SAMPLE_FREQUENCIES = 24
"""The order is judged at about this many frequencies."""
DEGREES_ABOVE_SIZE = 14
"""No order is tried beyond k·r of the outermost point plus this: what is left there is below any noise."""


def split_on_any_surface(
    scan: Scan,
    view: View,
    k: Real,
    relative: Real,
    limit: int,
    order: int | None,
    progress: Callable[[int], None],
) -> Split:
    """Outgoing and regular coefficients at all frequencies.

    ``k`` (F,) of the mean air; ``relative`` (points,): each point's own wave number over that.
    """
    harmonics = real_harmonics(limit, view.direction)
    tops = np.minimum(limit, np.ceil(k * view.radius_m.max()).astype(np.int64) + DEGREES_ABOVE_SIZE)

    def nested(index: int, top: int) -> NestedFit:
        basis = interleaved(view, harmonics, top, k[index], relative)
        ends = [2 * mode_count(n) for n in range(top + 1)]
        return nested_fit(basis, scan.pressure_pa[:, [index]], ends, overwrite=True)

    if order is None:
        orders = _sampled_orders(scan.frequency_hz, tops, lambda i: nested(i, int(tops[i])).held_out_db())
    else:
        orders = np.full(len(k), order, np.int64)
    parts = []
    for index, chosen in enumerate(orders):
        top = min(int(chosen) + DEGREES_BEYOND, limit)
        parts.append(_split(nested(index, top), int(chosen), k[index], view.scaling_radius_m))
        progress(1)
    return joined(parts)


def interleaved(view: View, harmonics: Real, order: int, wavenumber: float, relative: Real) -> Complex:
    """Degree by degree outgoing, then regular terms at the points, (points, 2 modes), Fortran order."""
    kr = wavenumber * relative * view.radius_m
    outgoing = outgoing_radial(order, kr, wavenumber * view.scaling_radius_m)
    regular = regular_radial(order, kr, wavenumber * view.scaling_radius_m)
    basis = np.empty((len(kr), 2 * mode_count(order)), dtype=np.complex128, order="F")
    for n in range(order + 1):
        start, middle, end = 2 * n * n, 2 * n * n + 2 * n + 1, 2 * (n + 1) ** 2
        block = harmonics[:, n * n : (n + 1) ** 2]
        np.multiply(block, outgoing[n][:, None], out=basis[:, start:middle])
        np.multiply(block, regular[n][:, None], out=basis[:, middle:end])
    return basis


def outgoing_columns(order: int) -> Integer:
    """Where the outgoing terms stand among the columns of :func:`interleaved`, (modes,)."""
    degree = mode_degrees(order)
    return np.arange(mode_count(order)) + degree**2


def regular_columns(order: int) -> Integer:
    """Where the regular terms stand, (modes,)."""
    return outgoing_columns(order) + 2 * mode_degrees(order) + 1


def _sampled_orders(frequency_hz: Real, tops: Integer, errors: Callable[[int], Real]) -> Integer:
    """Orders at all frequencies, judged at some; ``errors`` gives (orders, 1) at a frequency."""
    count = min(SAMPLE_FREQUENCIES, len(tops))
    sample = np.unique(np.linspace(0, len(tops) - 1, count).round().astype(int))
    held_out = np.full((int(tops.max()) + 1, len(sample)), np.nan)
    for column, index in enumerate(sample):
        held_out[: tops[index] + 1, column] = errors(int(index))[:, 0]
    hz = frequency_hz[sample]
    return np.minimum(between(hz, choose_orders(held_out, hz), frequency_hz), tops)


def _split(nested: NestedFit, order: int, wavenumber: float, scaling_m: float) -> Split:
    both = coefficients(nested, order)
    where, degree = outgoing_columns(order), mode_degrees(order)
    unit = coefficient_variance(nested, order)[where]
    by_degree = np.bincount(degree, unit) / np.bincount(degree)
    column_power = np.sum(np.abs(nested.triangle[:, where]) ** 2, axis=0)
    single = np.bincount(degree, 1 / column_power) / np.bincount(degree)
    noise = nested.noise_power[order, 0]
    beyond = [_left_out(nested, n, noise) for n in range(order + 1, order + 1 + DEGREES_BEYOND)]
    return Split(
        np.array([order], np.int64),
        both[where],
        both[regular_columns(order)],
        nested.held_out_db(),
        Uncertainty(
            np.concatenate([by_degree * noise, beyond])[:, None],
            _pattern(nested, order, wavenumber, scaling_m)[:, None],
        ),
        np.array([noise_gain_db(by_degree, single, wavenumber, scaling_m)]),
    )


def _left_out(nested: NestedFit, degree: int, noise: float) -> float:
    """Mean |a|² of a degree above the order, from the fit that ends with it, less its noise."""
    if degree >= len(nested.ends):
        return 0.0
    block, outgoing = slice(nested.ends[degree - 1], nested.ends[degree]), slice(0, 2 * degree + 1)
    inverse = solve_triangular(nested.triangle[block, block], np.eye(4 * degree + 2), check_finite=False)
    found = (inverse @ nested.projection[block, 0])[outgoing]
    by_noise = noise * np.mean(np.sum(np.abs(inverse[outgoing]) ** 2, axis=1))
    return max(float(np.mean(np.abs(found) ** 2) - by_noise), 0.0)


def _pattern(nested: NestedFit, order: int, wavenumber: float, scaling_m: float) -> Real:
    """The far field's variance over directions relative to its mean, as a series of real harmonics."""
    direction, weight = lebedev_grid(2 * PATTERN_ORDER + 2)
    functional = np.zeros((len(weight), nested.ends[order]), np.complex128)
    far = far_radial(order, wavenumber, wavenumber * scaling_m)[mode_degrees(order)]
    functional[:, outgoing_columns(order)] = real_harmonics(order, direction) * far
    variance = functional_variance(nested, order, functional)
    variance /= weight @ variance / (4 * np.pi)
    series: Real = real_harmonics(PATTERN_ORDER, direction).T @ (weight * variance)
    return series
