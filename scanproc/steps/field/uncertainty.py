"""How uncertain the coefficients of a fit are, in a form small enough to keep."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees, order_of
from scanproc.waves.algebra.dense import row_power
from scanproc.waves.algebra.least_squares import NestedFit, all_coefficients, decibels, functional_variance
from scanproc.waves.directions import lebedev_grid
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import far_radial

PATTERN_ORDER = 6
"""Order of the series that holds how the variance is spread over directions."""
MODEL_ERROR_SHARE = 0.5
"""Of what the fit leaves at left-out points beyond the microphone's noise, the share that the far field misses too.

Sound that the model cannot make is not white over the points and does not average out as noise does. One half is a
choice of this project; on the demo's loudspeaker it brings the prediction within 3 dB of the truth."""
ORDERS_BEYOND_REACH = 2
DEGREES_BEYOND = 2
"""Degrees above the order whose left-out share is estimated."""


@dataclass(frozen=True, eq=False)
class Uncertainty:
    """``variance_pa2`` (degrees, F) and ``pattern`` (modes, F) as Expansion keeps them."""

    variance_pa2: Real
    pattern: Real


def truncation_uncertainty(
    nested: NestedFit, order: int, columns: Integer, wavenumber: Real, scaling_radius_m: float, phase: Complex
) -> Uncertainty:
    """Uncertainty of the fits of one order at the given data columns.

    Within the order: the variance of one datum (mean of |r|²/(1-h), leave-one-out's own scale) times the diagonal
    of (AᴴA)⁻¹, and what the next degrees leak into the fit, R₁₁⁻¹R₁₂ times their coefficients: a gap in the points
    turns it into the larger part. Beyond the order: what the next degrees hold, less what noise alone would put there.
    ``phase`` (modes, columns): factors by which coefficients were divided after the fit.
    """
    middle = len(columns) // 2
    pattern = _pattern(nested, order, float(wavenumber[middle]), scaling_radius_m, phase[:, middle])
    variance = _variance_by_degree(
        nested, order, nested.noise_power[order, columns], _leftovers(nested, columns)
    )
    return Uncertainty(variance, np.repeat(pattern[:, None], len(columns), axis=1))


def errors_by_order(
    nested: NestedFit,
    wavenumber: Real,
    scaling_radius_m: float,
    reach_m: float,
    sensor_noise: Real,
    excess: Real,
) -> Real:
    """Predicted far-field error of every order, dB re the rms over the sphere, (orders, F); NaN where not usable.

    By the variances of :func:`truncation_uncertainty` times ``excess`` (orders, F), and :func:`missing_share`.
    """
    top = len(nested.ends) - 1
    degrees = np.arange(top + 1 + DEGREES_BEYOND)
    power = np.abs(far_radial(int(degrees[-1]), wavenumber, wavenumber * scaling_radius_m)) ** 2
    weight = (2 * degrees + 1)[:, None] * power
    relative = nested.noise_power * nested.leverage.shape[1] / nested.data_power * excess
    leftovers = _leftovers(nested, slice(None))
    error = np.full(nested.noise_power.shape, np.nan)
    every = zip(range(nested.usable), all_coefficients(nested), strict=False)
    for order, values in every:
        variance = _variance_by_degree(nested, order, nested.noise_power[order], leftovers)
        field = np.sum(power[mode_degrees(order)] * np.abs(values) ** 2, axis=0)
        shown = np.sum(weight[: len(variance)] * variance, axis=0) * excess[order] / field
        at = np.full(len(wavenumber), order)
        error[order] = shown + missing_share(
            relative[order], at, wavenumber, np.full(at.shape, reach_m), sensor_noise
        )
    return decibels(error)


def missing_share(noise: Real, order: Integer, wavenumber: Real, reach_m: Real, sensor_noise: Real) -> Real:
    """Share of the far field's power that truncated fits are taken to miss, (F,).

    ``noise`` (F,): the variance of one datum as the fit of the ``order`` (F,) used shows it, relative to the data's
    mean square; ``sensor_noise`` (F,) the microphone's, likewise; ``reach_m`` (F,) from the centre to the farthest part
    of the device. An order above k times the reach can make all that the device radiates, so there what is left is
    noise; below it, what is left beyond the sensor's noise may be sound.
    """
    left = np.maximum(noise - sensor_noise, 0)
    share: Real = MODEL_ERROR_SHARE * np.where(order >= wavenumber * reach_m + ORDERS_BEYOND_REACH, 0, left)
    return share


def with_missing(
    found: Uncertainty, coefficients_pa: Complex, share: Real, wavenumber: Real, radius_m: float
) -> Uncertainty:
    """``found`` with a share (F,) of the far field's power added as error, evenly over all modes."""
    degrees = np.arange(len(found.variance_pa2))
    field_degree = mode_degrees(order_of(len(coefficients_pa)))
    top = max(int(degrees[-1]), int(field_degree[-1]))
    variance = found.variance_pa2.copy()
    for index, power in enumerate(np.abs(far_radial(top, wavenumber, wavenumber * radius_m).T) ** 2):
        field = np.sum(power[field_degree] * np.abs(coefficients_pa[:, index]) ** 2)
        variance[:, index] += share[index] * field / mode_count(len(degrees) - 1) / power[degrees]
    return Uncertainty(variance, found.pattern)


def far_field_error_db(
    coefficients_pa: Complex, variance_pa2: Real, wavenumber: Real, radius_m: float
) -> Real:
    """Predicted far-field error, dB re the rms over the sphere, (F,)."""
    error = np.empty(len(wavenumber))
    field_degree = mode_degrees(order_of(len(coefficients_pa)))
    top = max(len(variance_pa2) - 1, int(field_degree[-1]))
    for index, power in enumerate(np.abs(far_radial(top, wavenumber, wavenumber * radius_m).T) ** 2):
        field = np.sum(power[field_degree] * np.abs(coefficients_pa[:, index]) ** 2)
        degrees = np.arange(len(variance_pa2))
        error[index] = np.sum(power[degrees] * (2 * degrees + 1) * variance_pa2[:, index]) / field
    return decibels(error)


@dataclass(frozen=True, eq=False)
class _Leftover:
    """A degree from the fit that ends with it: ``found`` (F,) mean |a|², ``by_noise`` what noise of one gives."""

    found: Real
    by_noise: float


def _leftovers(nested: NestedFit, columns: Integer | slice) -> list[_Leftover]:
    """Every usable degree."""
    every = []
    for start, end in zip((0, *nested.ends[:-1]), nested.ends[: nested.usable], strict=False):
        inverse = nested.inverse[start:end, start:end]
        found = np.mean(np.abs(inverse @ nested.projection[start:end, columns]) ** 2, axis=0)
        every.append(_Leftover(found, float(np.mean(row_power(inverse)))))
    return every


def _variance_by_degree(nested: NestedFit, order: int, noise: Real, leftovers: list[_Leftover]) -> Real:
    """Mean variance of the coefficients of each degree, those left out in the last rows, (degrees, F)."""
    end = nested.ends[order]
    within = _mean_by_degree(nested.unit_variance[order, :end], order)[:, None] * noise
    beyond = np.zeros((DEGREES_BEYOND, len(noise)))
    leaks = _leaks(nested, order, min(order + DEGREES_BEYOND, len(leftovers) - 1))
    for row, leak, degree in zip(beyond, leaks, leftovers[order + 1 :], strict=False):
        row[:] = np.maximum(degree.found - noise * degree.by_noise, 0)
        within += leak[:, None] * row
    return np.concatenate([within, beyond])


def _leaks(nested: NestedFit, order: int, last: int) -> Iterator[Real]:
    """For each degree above the order up to the last, the variance that its coefficients of variance one cause in the
    fitted ones, (degrees,): the mean row power of X = R₁₁⁻¹R₁₂.

    From the blocks S of R⁻¹, with R S = I: X₂ = -S₁₂S₂₂⁻¹ for the next degree, and so on.
    """
    end = nested.ends[order]
    passed = np.zeros((end, 0))
    for degree in range(order + 1, last + 1):
        start, stop = nested.ends[degree - 1], nested.ends[degree]
        direct = nested.inverse[:end, start:stop] + passed @ nested.inverse[end:start, start:stop]
        leak = -direct @ nested.triangle[start:stop, start:stop]
        passed = np.concatenate([passed, leak], axis=1)
        yield _mean_by_degree(row_power(leak), order)


def _mean_by_degree(value: Real, order: int) -> Real:
    degree = mode_degrees(order)
    return np.bincount(degree, value) / np.bincount(degree)


def _pattern(nested: NestedFit, order: int, wavenumber: float, radius_m: float, phase: Complex) -> Real:
    """The far field's variance over directions relative to its mean, as a series of real harmonics."""
    direction, weight = lebedev_grid(2 * PATTERN_ORDER + 2)
    far = far_radial(order, wavenumber, wavenumber * radius_m)[mode_degrees(order)] / phase
    functional = real_harmonics(order, direction) * far
    variance = functional_variance(nested, order, functional)
    variance /= weight @ variance / (4 * np.pi)
    series: Real = real_harmonics(PATTERN_ORDER, direction).T @ (weight * variance)
    return series


def pattern_at(pattern: Real, direction: Real) -> Real:
    """The pattern at directions, (directions, F), never below a tenth of its mean."""
    order = order_of(len(pattern))
    return np.maximum(real_harmonics(order, direction) @ pattern, 0.1)
