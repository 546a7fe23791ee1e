"""The informed fit: regression on what the device, of known place and size, can radiate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Real, mode_count, mode_degrees
from scanproc.steps.field.uncertainty import MODEL_ERROR_SHARE, PATTERN_ORDER, Uncertainty
from scanproc.steps.fit.box import Box
from scanproc.steps.fit.dictionary import (
    Dictionary,
    columns_at,
    far_columns,
    level_shares,
    make_dictionary,
    source_coefficients,
    source_strengths,
)
from scanproc.steps.fit.multipoles import Multipoles
from scanproc.waves.directions import gauss_legendre_grid, lebedev_grid
from scanproc.waves.gaussian_fit import (
    GaussianFit,
    Problem,
    Weights,
    fit_gaussian,
    learn_weights,
    posterior_variance,
)
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.least_squares import decibels
from scanproc.waves.radial import far_radial
from scanproc.waves.transform import analyse_grid

LEARNING_POINTS = 450
"""Weights are learnt on at most so many points."""
USUAL_NOISE = 1e-4
"""Also where the search starts: from much less it ends with sources that fit every sound exactly."""
HIGHEST_ORDER = 70
"""Coefficients beyond this order are not kept; what they would hold counts as error."""
USUAL_COUNT = 10
"""The predicted variance counts for as much as so many points left out."""
LEFT_OUT_SHARE = 0.01
"""The order is the least beyond which less than this share of the predicted error's power lies."""


@dataclass(frozen=True, eq=False)
class Informed:
    """The posterior at one frequency as outgoing coefficients about a centre.

    ``coefficients_pa`` (modes,), ``uncertainty`` of one frequency, ``far_field_error_db`` predicted,
    ``held_out_db`` the leave-one-out error.
    """

    coefficients_pa: Complex
    order: int
    uncertainty: Uncertainty
    far_field_error_db: float
    held_out_db: float


@dataclass(frozen=True, eq=False)
class Device:
    """Where sound can come from: the box, and the drivers' places (drivers, 3) if they are known."""

    box: Box
    driver_m: Real


@dataclass(frozen=True, eq=False)
class Model:
    """What a device can radiate at one wave number, heard at points (points, 3).

    ``radius_m`` is the scaling radius about ``centre_m`` (3,), where multipoles and coefficients have their scale.
    """

    position_m: Real
    wavenumber: float
    centre_m: Real
    radius_m: float
    dictionary: Dictionary


def make_model(position_m: Real, wavenumber: float, device: Device, centre_m: Real) -> Model:
    """The model; its cabinet costs as much as the fit, so it serves for both the weights and the fit."""
    drivers = device.driver_m if len(device.driver_m) else None
    dictionary = make_dictionary(device.box, centre_m, wavenumber, position_m, drivers)
    radius = float(np.median(np.linalg.norm(position_m - centre_m, axis=1)))
    return Model(position_m, wavenumber, centre_m, radius, dictionary)


def learn(model: Model, pressure: Complex) -> dict[str, float]:
    """Weight of every block by name, and "noise", for one frequency's pressures (points,)."""
    chosen = _spread_out(len(pressure))
    dictionary = model.dictionary
    columns = columns_at(dictionary, model.position_m[chosen], model.wavenumber, model.radius_m)
    found = learn_weights(
        [Problem(columns, pressure[chosen])],
        [level_shares(dictionary, columns)],
        Weights(dictionary.usual, USUAL_NOISE),
    )
    return {**dict(zip(dictionary.names, found.block.tolist(), strict=True)), "noise": found.noise}


def fit_informed(model: Model, pressure: Complex, weight: dict[str, float], sensor_noise: float) -> Informed:
    """The posterior for given weights; a block without a weight takes what is usual for it.

    ``sensor_noise``: how much of the learnt noise, relative to the data's mean square, the microphone accounts for.
    The rest is sound that the dictionary cannot make; see :data:`MODEL_ERROR_SHARE`.
    """
    columns = columns_at(model.dictionary, model.position_m, model.wavenumber, model.radius_m)
    mean_square = float(np.mean(np.abs(pressure) ** 2))
    posterior = fit_gaussian(
        Problem(columns, pressure),
        mean_square * _column_variance(model.dictionary, columns, weight),
        mean_square * weight["noise"],
        overwrite=True,
    )
    return _as_coefficients(model, posterior, pressure, missing_sound(weight, sensor_noise))


def expected_variance(model: Model, weight: dict[str, float]) -> float:
    """Mean variance over the sphere of the far field, if the points hear a mean square of one.

    The posterior's variance does not need the pressures, so this tells what points not yet taken would bring.
    """
    dictionary = model.dictionary
    columns = columns_at(dictionary, model.position_m, model.wavenumber, model.radius_m)
    direction, solid_angle = lebedev_grid(2 * PATTERN_ORDER + 2)
    far = far_columns(dictionary, direction, model.centre_m, model.wavenumber, model.radius_m)
    variance = posterior_variance(
        columns, _column_variance(dictionary, columns, weight), weight["noise"], far
    )
    return float(solid_angle @ variance) / (4 * np.pi)


def missing_sound(weight: dict[str, float], sensor_noise: float) -> float:
    """Share of the far field's power that the dictionary is taken to miss; see :data:`MODEL_ERROR_SHARE`."""
    return MODEL_ERROR_SHARE * max(weight["noise"] - sensor_noise, 0.0)


def _column_variance(dictionary: Dictionary, columns: Complex, weight: dict[str, float]) -> Real:
    """Variances of the columns (M,) for data of mean square one; a block without a weight takes what is usual."""
    blocks = [weight.get(name, usual) for name, usual in zip(dictionary.names, dictionary.usual, strict=True)]
    variance: Real = np.array(blocks) @ level_shares(dictionary, columns)
    return variance


def _as_coefficients(model: Model, posterior: GaussianFit, pressure: Complex, missing: float) -> Informed:
    k, radius = model.wavenumber, model.radius_m
    scale = _calibration(posterior)
    direction, solid_angle = lebedev_grid(2 * PATTERN_ORDER + 2)
    far = far_columns(model.dictionary, direction, model.centre_m, k, radius)
    variance = scale * posterior.functional_variance(far)
    mean_variance = float(solid_angle @ variance) / (4 * np.pi)
    full = _coefficients(model, posterior.mean)
    power = np.abs(far_radial(_order_of(full), k, k * radius)) ** 2
    by_degree = power * np.bincount(mode_degrees(_order_of(full)), np.abs(full) ** 2)
    mean_variance += missing * by_degree.sum() / (4 * np.pi)
    variance = variance + (mean_variance - float(solid_angle @ variance) / (4 * np.pi))
    beyond = np.append(np.cumsum(by_degree[::-1])[::-1][1:], 0.0)
    order = int(np.argmax(beyond <= LEFT_OUT_SHARE * 4 * np.pi * mean_variance))
    error_power = mean_variance + beyond[order] / (4 * np.pi)
    spread = 4 * np.pi * error_power / mode_count(order) / power[: order + 1]
    pattern = real_harmonics(PATTERN_ORDER, direction).T @ (solid_angle * variance / mean_variance)
    return Informed(
        full[: mode_count(order)],
        order,
        Uncertainty(spread[:, None], pattern[:, None]),
        float(decibels(np.asarray(4 * np.pi * error_power / by_degree.sum()))),
        float(decibels(np.sum(np.abs(posterior.held_out) ** 2) / np.sum(np.abs(pressure) ** 2))),
    )


def _calibration(posterior: GaussianFit) -> float:
    """Factor on the posterior's variance by what leaving points out shows.

    Power over power: points of large variance, near gaps, tell most about the far field's error. Few such points tell
    little, so the factor is drawn towards one.
    """
    variance = posterior.held_out_variance
    shown = float(np.sum(np.abs(posterior.held_out) ** 2) / np.sum(variance))
    count = float(np.sum(variance) ** 2 / np.sum(variance**2))
    return (count * shown + USUAL_COUNT) / (count + USUAL_COUNT)


def _coefficients(model: Model, strength: Complex) -> Complex:
    """Outgoing coefficients about the centre of the field of given column strengths, (modes,)."""
    dictionary, centre, k, radius = model.dictionary, model.centre_m, model.wavenumber, model.radius_m
    reach = float(np.linalg.norm(dictionary.source_m - centre, axis=1).max())
    about_centre, *elsewhere = dictionary.multipoles
    order = max(about_centre.order, int(min(HIGHEST_ORDER, np.ceil(k * reach) + 6)))
    sources, multipoles = source_strengths(dictionary, strength)
    total: Complex = source_coefficients(dictionary, sources, order, centre, k, radius)
    total[: mode_count(about_centre.order)] += multipoles[0]
    if elsewhere:
        total += _moved_multipoles(elsewhere, multipoles[1:], order, centre, k, radius)
    return total


def _moved_multipoles(
    multipoles: Sequence[Multipoles],
    strength: Sequence[Complex],
    order: int,
    centre: Real,
    k: float,
    radius: float,
) -> Complex:
    """Coefficients about the centre of multipoles about other places, by way of their far field."""
    spread = [one.order + int(np.ceil(k * np.linalg.norm(one.place_m - centre))) + 6 for one in multipoles]
    finest = max(order, *spread)
    direction, _ = gauss_legendre_grid(finest)
    fields = [
        one.far_columns(direction, centre, k, radius) @ values
        for one, values in zip(multipoles, strength, strict=True)
    ]
    moved = analyse_grid(np.sum(fields, axis=0), finest)[: mode_count(order)]
    return moved / far_radial(order, k, k * radius)[mode_degrees(order)]


def _spread_out(points: int) -> slice | Real:
    """Every point, or a fixed random choice of ``LEARNING_POINTS``."""
    if points <= LEARNING_POINTS:
        return slice(None)
    return np.sort(np.random.default_rng(0).choice(points, LEARNING_POINTS, replace=False))


def _order_of(coefficients_pa: Complex) -> int:
    return round(np.sqrt(len(coefficients_pa))) - 1
