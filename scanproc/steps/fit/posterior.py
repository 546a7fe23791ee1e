"""The device's field at one frequency: the posterior of its part of the sound, as coefficients and as sources."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Complex, Real, mode_count, mode_degrees, order_of
from scanproc.steps.field.uncertainty import PATTERN_ORDER, Uncertainty
from scanproc.steps.model.dictionary import point_sources, source_coefficients, source_strengths
from scanproc.steps.model.field_model import FieldModel, far_covariance, far_prior, sound_factor, split
from scanproc.steps.model.multipoles import Multipoles
from scanproc.waves.algebra.gaussian_fit import Regression, regress
from scanproc.waves.algebra.least_squares import decibels
from scanproc.waves.directions import gauss_legendre_grid, lebedev_grid
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.orbit_sets import averaged, directions
from scanproc.waves.radial import far_radial, outgoing_radial
from scanproc.waves.transform import analyse_grid

LEFT_OUT_SHARE = 0.01
"""The order is the least beyond which less than this share of the predicted error's power lies."""
GRADIENT_STEP = 1e-3
"""Over the wave number: a thousandth of a radian of phase."""
VALID_STEP, VALID_STEPS = 1.05, 60
"""Radii at which the order is tried, from the device's reach on, each by this factor farther."""
DEGREES_BEYOND = 6
"""Above k times the reach of a source its field holds nothing that matters (in degrees)."""


@dataclass(frozen=True, eq=False)
class Strengths:
    """The device's field as sources that are few and anyone can add up.

    Σ ``source_pa_m`` e^{-jkR}/R from ``source_m`` (sources, 3), the terms of each of ``multipole_pa`` about its place,
    and ``degree_pa`` (modes,) about the middle of the device, all scaled at the model's radius.
    """

    source_m: Real
    source_pa_m: Complex
    multipole_pa: tuple[Complex, ...]
    degree_pa: Complex


@dataclass(frozen=True, eq=False)
class Posterior:
    """Outgoing coefficients about the device's middle (modes,) and what is known of their error.

    ``average_covariance`` (averages, averages) as :class:`~scanproc.records.fitted.expansion.Expansion` has it.
    ``far_field_error_db`` predicted, dB re the rms over the sphere; ``held_out_db`` the leave-one-out error.
    ``valid_radius_m``: beyond it from the middle the coefficients are about as good. ``residual_pa`` complex (points,):
    measured less device and room, over the root of the share of its noise that the fit leaves at a point: so all points
    of a clean scan are alike, however closely the fit follows some. ``regression`` is that of the pressures re their
    rms, ``far_variance`` the far field's, mean over the sphere re their mean square, before any calibration.
    """

    coefficients_pa: Complex
    order: int
    uncertainty: Uncertainty
    average_covariance: Real
    far_field_error_db: float
    held_out_db: float
    valid_radius_m: float
    residual_pa: Complex
    strengths: Strengths
    regression: Regression
    far_variance: float


def posterior(model: FieldModel, pressure: Complex, weight: Real, noise: Real) -> Posterior:
    """The posterior for given weights of the blocks and variances of the noise (points,), Pa².

    ``pressure`` complex (points,) Pa. Weights are relative to the mean square of the pressures. Predicted errors are
    calibrated by what leaving out shows.
    """
    rms = float(np.sqrt(np.mean(np.abs(pressure) ** 2)))
    regression = regress(sound_factor(model, weight, noise / rms**2), pressure / rms)
    strengths = field_strengths(model, weight, rms * regression.solved)
    residual = np.sqrt(noise * regression.held_out_variance) * regression.solved
    return _described(model, weight, pressure, residual, strengths, regression, regression.calibration)


def doubted(model: FieldModel, first: Posterior, pressure: Complex, weight: Real, noise: Real) -> Posterior:
    """The same field with the error that it has if the noise (points,), Pa², is larger than it was fitted with.

    Points that were moved to suit the fit leave too little noise, and leaving one out shows too little: predicted
    errors are never calibrated below what the larger noise predicts.
    """
    rms = float(np.sqrt(np.mean(np.abs(pressure) ** 2)))
    regression = regress(sound_factor(model, weight, noise / rms**2), pressure / rms)
    calibration = max(regression.calibration, 1.0)
    again = _described(model, weight, pressure, first.residual_pa, first.strengths, regression, calibration)
    return replace(again, held_out_db=first.held_out_db)


def field_strengths(model: FieldModel, weight: Real, solved: Complex) -> Strengths:
    """Means of all sources, given K⁻¹p (points,)."""
    of_columns, of_degrees, _ = split(model, weight)
    mean = of_columns * (solved.conj() @ model.columns).conj()
    sources, multipoles = source_strengths(model.dictionary, mean)
    degrees = model.degrees.coefficients(of_degrees, model.position_m, solved)
    return Strengths(model.dictionary.source_m, sources, tuple(multipoles), degrees)


def _described(
    model: FieldModel,
    weight: Real,
    pressure: Complex,
    residual: Complex,
    strengths: Strengths,
    regression: Regression,
    calibration: float,
) -> Posterior:
    k, radius = model.wavenumber, model.scaling_m
    power_heard = float(np.mean(np.abs(pressure) ** 2))
    direction, solid_angle = lebedev_grid(2 * PATTERN_ORDER + 2)
    cross, prior = far_covariance(model, weight, direction)
    low = _low_variance(model, weight, regression, cross) * power_heard * calibration
    variance = regression.variance(cross, prior) * power_heard * calibration
    mean_variance = float(solid_angle @ variance) / (4 * np.pi)
    full = coefficients(model, strengths)
    top = order_of(len(full))
    power = np.abs(far_radial(top, k, k * radius)) ** 2
    by_degree = power * np.bincount(mode_degrees(top), np.abs(full) ** 2)
    beyond = np.append(np.cumsum(by_degree[::-1])[::-1][1:], 0.0)
    order = int(np.argmax(beyond <= LEFT_OUT_SHARE * 4 * np.pi * mean_variance))
    error_power = mean_variance + beyond[order] / (4 * np.pi)
    spread = _by_degree(low, 4 * np.pi * error_power, order, len(direction)) / power[: order + 1]
    pattern = real_harmonics(PATTERN_ORDER, direction).T @ (solid_angle * variance / mean_variance)
    error = 4 * np.pi * error_power / by_degree.sum()
    return Posterior(
        full[: mode_count(order)],
        order,
        Uncertainty(spread[:, None], pattern[:, None]),
        calibration * _average_covariance(model, weight, regression),
        float(decibels(np.asarray(error))),
        float(decibels(np.mean(np.abs(regression.held_out) ** 2))),
        _valid_radius(model, full, spread, error),
        residual,
        strengths,
        regression,
        mean_variance / (power_heard * calibration),
    )


def _low_variance(model: FieldModel, weight: Real, regression: Regression, cross: Complex) -> Real:
    """Variance of the far field's own terms of low degree, mean over the modes of each, (degrees,).

    As a quadrature over the directions of ``cross`` (directions, points) tells them, before calibration; higher degrees
    of the error appear in it as others, see :func:`_by_degree`.
    """
    direction, solid_angle = lebedev_grid(2 * PATTERN_ORDER + 2)
    analysed = real_harmonics(PATTERN_ORDER, direction).T * solid_angle
    between = far_prior(model, weight, direction)
    prior = np.einsum("ij,jk,ik->i", analysed, between, analysed).real
    variance = regression.variance(analysed @ cross, prior)
    degree = mode_degrees(PATTERN_ORDER)
    return np.bincount(degree, variance) / np.bincount(degree)


def _average_covariance(model: FieldModel, weight: Real, regression: Regression) -> Real:
    """What the averages of squared pressure share of their errors, before calibration: of Σ w p* ε / Σ w |p|² for each
    of ``averaged`` and over the sphere, the real part."""
    around, solid_angle = lebedev_grid(2 * PATTERN_ORDER + 2)
    direction, weights = np.concatenate([directions(), around]), averaged()
    share = np.zeros((len(weights) + 1, len(direction)))
    share[:-1, : weights.shape[1]], share[-1, weights.shape[1] :] = weights, solid_angle
    cross, _ = far_covariance(model, weight, direction)
    pressure = cross @ regression.solved
    slope = share * pressure.conj() / (share @ np.abs(pressure) ** 2)[:, None]
    prior = slope @ far_prior(model, weight, direction) @ slope.conj().T
    return regression.joint_variance(slope @ cross, prior).real


def _by_degree(low: Real, total: float, order: int, directions: int) -> Real:
    """Variance of each far-field term by degree up to an order, together ``total``.

    ``low`` (degrees,) from a quadrature over so many ``directions``: what the degrees above hold, taken as even over
    modes, appears in each of these as its sum over the directions' number.
    """
    count = np.bincount(mode_degrees(order))
    if order < len(low):
        return low[: order + 1] * total / float(count @ low[: order + 1])
    told = count[: len(low)]
    above = count.sum() - told.sum()
    even = max(total - float(told @ low), 0.0) / (above * (1 - told.sum() / directions))
    spread = np.full(order + 1, even)
    spread[: len(low)] = np.maximum(low - even * above / directions, 0.0)
    return spread * total / float(count @ spread)


def field_at(model: FieldModel, strengths: Strengths, position_m: Real) -> Complex:
    """Pressure of all sources together at positions (positions, 3) outside the box, (positions,)."""
    k, scaling = model.wavenumber, model.scaling_m
    field = point_sources(strengths.source_m, position_m, k) @ strengths.source_pa_m
    for one, values in zip(model.dictionary.multipoles, strengths.multipole_pa, strict=True):
        field += one.columns_at(position_m, k, scaling) @ values
    return field + model.degrees.columns_at(position_m) @ strengths.degree_pa


def gradient_at(model: FieldModel, strengths: Strengths, position_m: Real) -> Complex:
    """Slope of that pressure along x, y and z, Pa/m, (positions, 3)."""
    here = field_at(model, strengths, position_m)
    step = GRADIENT_STEP / model.wavenumber
    there = [field_at(model, strengths, position_m + step * axis) for axis in np.eye(3)]
    return (np.stack(there, axis=1) - here[:, None]) / step


def coefficients(model: FieldModel, strengths: Strengths) -> Complex:
    """Outgoing coefficients of all sources together about the device's middle, (modes,), in Expansion's scaling."""
    middle, k, radius = model.device.box.centre_m, model.wavenumber, model.scaling_m
    reach = float(np.linalg.norm(strengths.source_m - middle, axis=1).max())
    order = max(model.degrees.order, int(np.ceil(k * reach)) + DEGREES_BEYOND)
    total = source_coefficients(model.dictionary.source_m, strengths.source_pa_m, order, middle, k, radius)
    total[: len(strengths.degree_pa)] += strengths.degree_pa
    for one, values in zip(model.dictionary.multipoles, strengths.multipole_pa, strict=True):
        moved = _moved(one, values, order, middle, k, radius)
        total[: len(moved)] += moved
    return total


def _valid_radius(model: FieldModel, full: Complex, spread: Real, error: float) -> float:
    """From where on the variance of the coefficients, (degrees,), and what lies beyond their order together stay
    below twice the far field's share of ``error``."""
    box, k = model.device.box, model.wavenumber
    radius = float(box.reach_m(box.centre_m)) * VALID_STEP ** np.arange(VALID_STEPS)
    top = order_of(len(full))
    radial = np.abs(outgoing_radial(top, k * radius, k * model.scaling_m)) ** 2
    degrees, count = mode_degrees(top), len(spread)
    by_degree = radial * np.bincount(degrees, np.abs(full) ** 2)[:, None]
    missed = by_degree[count:].sum(axis=0) + np.bincount(degrees)[:count] * spread @ radial[:count]
    fails = np.flatnonzero(missed > 2 * error * by_degree.sum(axis=0))
    return float(radius[min(fails[-1] + 1 if len(fails) else 0, VALID_STEPS - 1)])


def _moved(one: Multipoles, values: Complex, order: int, middle: Real, k: float, radius: float) -> Complex:
    """Coefficients about the middle of multipoles about another place, by way of their far field."""
    finest = one.order + int(np.ceil(k * np.linalg.norm(one.place_m - middle))) + DEGREES_BEYOND
    direction, _ = gauss_legendre_grid(finest)
    field = np.concatenate(
        [
            one.far_columns(part, middle, k, radius) @ values
            for part in np.array_split(direction, -(-len(direction) // 4096))
        ]
    )
    kept = min(order, finest)
    moved = analyse_grid(field, finest)[: mode_count(kept)]
    return moved / far_radial(kept, k, k * radius)[mode_degrees(kept)]
