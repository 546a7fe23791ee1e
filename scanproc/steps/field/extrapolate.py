"""The device's field anywhere outside, from its expansion."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees
from scanproc.errors import ScanDataError
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.field.near import near_levels, near_pressure, series
from scanproc.steps.field.uncertainty import pattern_at
from scanproc.waves.algebra.least_squares import decibels
from scanproc.waves.directions import horizontal_orbit, vertical_orbit
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import far_radial, outgoing_radial

DB_PER_RELATIVE_ERROR = 20 / np.log(10) / np.sqrt(2)
"""Standard deviation of the level for a circular complex error of relative rms one (small errors)."""


def far_field(expansion: Expansion, direction: ArrayLike) -> Complex:
    """p·r·e^{+jkr} for r → ∞ in Pa·m, (angles, F), at unit vectors (angles, 3) from the scan's origin.

    >>> sp.far_field(result.expansion, [[1, 0, 0]]).shape == (1, len(result.frequency_hz))
    True
    """
    unit = _unit(direction)
    harmonics = real_harmonics(expansion.max_order, unit)
    pressure: Complex = harmonics @ (_far_factors(expansion) * expansion.coefficients_pa)
    pressure *= np.exp(1j * (unit @ expansion.centre_m.T) * expansion.wavenumber_rad_m)
    return pressure


def far_field_variance(expansion: Expansion, direction: ArrayLike) -> Real:
    """E|error|² of :func:`far_field` in Pa²·m², (angles, F).

    >>> bool(np.all(sp.far_field_variance(result.expansion, [[1, 0, 0]]) > 0))
    True
    """
    variance = expansion.coefficient_variance_pa2
    degree = np.arange(len(variance))
    power = np.empty(len(expansion.frequency_hz))
    k = expansion.wavenumber_rad_m
    far = far_radial(len(variance) - 1, k, k * expansion.scaling_radius_m)
    for index in range(len(k)):
        power[index] = np.sum(
            (2 * degree + 1) / (4 * np.pi) * np.abs(far[:, index]) ** 2 * variance[:, index]
        )
    return pattern_at(expansion.variance_pattern, _unit(direction)) * power


def pressure_at(expansion: Expansion, position_m: ArrayLike) -> Complex:
    """Complex pressure in Pa at positions (positions, 3) in the scan's frame, (positions, F).

    Beyond the radius from which the coefficients hold from these, nearer from the near field. Raises ScanDataError for
    a position inside the device, or near it where the points do not tell its pressure (predicted error of 0 dB).

    >>> sp.pressure_at(result.expansion, [[2.0, 0.0, 0.0]]).shape == (1, len(result.frequency_hz))
    True
    """
    position = _positions(position_m)
    _refuse(expansion, position)
    pressure = np.empty((len(position), len(expansion.frequency_hz)), dtype=np.complex128)
    for radius, unit, columns in _by_centre(expansion, position):
        harmonics = real_harmonics(expansion.max_order, unit)
        for index in columns:
            k, scaling = float(expansion.wavenumber_rad_m[index]), float(expansion.scaling_radius_m[index])
            far = radius >= expansion.valid_radius_m[index]
            terms = expansion.coefficients_pa[: mode_count(int(expansion.order[index])), index]
            pressure[far, index] = series(terms, k, scaling, radius[far], harmonics[far])
            if expansion.near_field is not None and not np.all(far):
                near = expansion.near_field[index]
                pressure[~far, index] = near_pressure(near, k, scaling, position[~far])
    return pressure


def pressure_variance(expansion: Expansion, position_m: ArrayLike) -> Real:
    """E|error|² of :func:`pressure_at` in Pa², (positions, F); infinite where that refuses."""
    return _expected(expansion, _positions(position_m))[0]


def pressure_error_db(expansion: Expansion, position_m: ArrayLike) -> Real:
    """Predicted error of :func:`pressure_at`, (positions, F): dB re the rms pressure of all directions at the same
    distance, from the centre where coefficients serve, from the device's box where the near field does.

    >>> bool(np.all(sp.pressure_error_db(result.expansion, [[2.0, 0.0, 0.0]]) < 0))
    True
    """
    variance, power = _expected(expansion, _positions(position_m))
    return decibels(variance / power)


def standard_error_db(pressure: Complex, variance: Real) -> Real:
    """Standard error of levels in dB: 6.142 times the relative rms error, inf where the pressure is zero."""
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.sqrt(variance) / np.abs(pressure)
    error: Real = DB_PER_RELATIVE_ERROR * np.where(np.isnan(relative), 0.0, relative)
    return error


def orbits(expansion: Expansion, step_deg: float = 10.0) -> DirectionSet:
    """The horizontal and the vertical orbit in steps of ``step_deg``, far field.

    >>> sp.orbits(result.expansion, 30.0).angles
    24
    """
    angle = np.arange(0, 360, step_deg)
    direction = np.concatenate([horizontal_orbit(angle), vertical_orbit(angle)])
    pressure = far_field(expansion, direction)
    return DirectionSet(
        name=f"orbits-{step_deg:g}",
        direction=direction,
        frequency_hz=expansion.frequency_hz,
        pressure_pa_m=pressure,
        standard_error_db=standard_error_db(pressure, far_field_variance(expansion, direction)),
        orbit=("horizontal",) * len(angle) + ("vertical",) * len(angle),
        angle_deg=np.concatenate([angle, angle]),
        drive_voltage_v=expansion.drive_voltage_v,
    )


def radiated_power_w(expansion: Expansion) -> Real:
    """Sound power in W at the scan's drive voltage, (F,): Σ|a_nm|²/(ρ c k² |h_n(k r_s)|²), no sum over angles.

    >>> bool(np.all(sp.radiated_power_w(result.expansion) > 0))
    True
    """
    speed = 2 * np.pi * expansion.frequency_hz / expansion.wavenumber_rad_m
    power = np.sum(np.abs(far_field_terms(expansion)) ** 2, axis=0)
    return power / (expansion.air_density_kg_m3 * speed)


def far_field_terms(expansion: Expansion) -> Complex:
    """What each mode adds to the far field at 1 m, times its harmonic, (modes, F)."""
    terms: Complex = _far_factors(expansion) * expansion.coefficients_pa
    return terms


def _far_factors(expansion: Expansion) -> Complex:
    """Far-field factor of each mode, (modes, F)."""
    order, k = expansion.max_order, expansion.wavenumber_rad_m
    return far_radial(order, k, k * expansion.scaling_radius_m)[mode_degrees(order)]


def _expected(expansion: Expansion, position: Real) -> tuple[Real, Real]:
    """E|error|² at positions and the mean square pressure at their distance, Pa², each (positions, F)."""
    shape = (len(position), len(expansion.frequency_hz))
    variance, power = np.empty(shape), np.empty(shape)
    spread = expansion.coefficient_variance_pa2
    degree = mode_degrees(expansion.max_order)
    modes = (2 * np.arange(len(spread)) + 1)[:, None] * spread
    for radius, unit, columns in _by_centre(expansion, position):
        pattern = pattern_at(expansion.variance_pattern[:, columns], unit)
        for index, by_direction in zip(columns, pattern.T, strict=True):
            k, scaling = expansion.wavenumber_rad_m[index], expansion.scaling_radius_m[index]
            near = radius < expansion.valid_radius_m[index]
            field = np.bincount(degree, np.abs(expansion.coefficients_pa[:, index]) ** 2)
            top = max(len(spread), len(field)) - 1
            radial = np.abs(outgoing_radial(top, k * radius[~near], k * scaling)) ** 2 / (4 * np.pi)
            power[~near, index] = field @ radial[: len(field)]
            variance[~near, index] = modes[:, index] @ radial[: len(modes)] * by_direction[~near]
            variance[near, index], power[near, index] = np.inf, 1.0
            if expansion.near_field is not None:
                error, rms = near_levels(expansion.near_field[index], position[near])
                variance[near, index], power[near, index] = rms**2 * 10 ** (error / 10), rms**2
    return variance, power


def _refuse(expansion: Expansion, position: Real) -> None:
    """Raises ScanDataError for the first position and frequency whose pressure the expansion does not tell."""
    for radius, _, columns in _by_centre(expansion, position):
        for index in columns:
            near = np.flatnonzero(radius < expansion.valid_radius_m[index])
            if not len(near):
                continue
            where = f"at {expansion.frequency_hz[index]:.4g} Hz"
            if expansion.near_field is None:
                raise ScanDataError(
                    f"position {_metres(position[near[0]])} lies {radius[near[0]]:.3f} m from the expansion centre, "
                    f"inside the sphere of {expansion.valid_radius_m[index]:.3f} m that holds the device: {where} "
                    "the coefficients tell nothing there; fit without a fixed order, or ask farther away"
                )
            error, _ = near_levels(expansion.near_field[index], position[near])
            if error.max() < 0:
                continue
            worst = int(error.argmax())
            reason = (
                f"its pressure {where} is not told by the points (predicted error {error[worst]:+.1f} dB)"
            )
            if np.isinf(error[worst]):
                reason = "it lies inside the device's box"
            raise ScanDataError(f"position {_metres(position[near[worst]])}: {reason}; ask farther away")


def _by_centre(expansion: Expansion, position: Real) -> Iterator[tuple[Real, Real, Integer]]:
    """For each distinct centre distance and direction of positions, and the frequencies that use it.

    Raises ScanDataError for a position on a centre.
    """
    centres, which = np.unique(expansion.centre_m, axis=0, return_inverse=True)
    for number, centre in enumerate(centres):
        offset = position - centre
        radius = np.linalg.norm(offset, axis=1)
        if np.any(radius == 0):
            raise ScanDataError(f"position_m: position {int(np.argmin(radius))} lies on the expansion centre")
        yield radius, offset / radius[:, None], np.flatnonzero(which.ravel() == number)


def _positions(position_m: ArrayLike) -> Real:
    return np.atleast_2d(np.asarray(position_m, dtype=np.float64))


def _metres(position: Real) -> str:
    return "(" + ", ".join(f"{value:.3f}" for value in position) + ") m"


def _unit(direction: ArrayLike) -> Real:
    unit = np.atleast_2d(np.asarray(direction, dtype=np.float64))
    length = np.linalg.norm(unit, axis=1)
    if np.any(np.abs(length - 1) > 1e-6):
        raise ScanDataError("direction must hold unit vectors (x, y, z)")
    return unit / length[:, None]
