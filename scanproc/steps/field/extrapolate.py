"""The device's field anywhere outside, from its expansion."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Integer, Real, mode_degrees
from scanproc.errors import ScanDataError
from scanproc.records.expansion import Expansion
from scanproc.records.sweeps import SweepSet
from scanproc.steps.field.uncertainty import pattern_at
from scanproc.waves.directions import horizontal_orbit, vertical_orbit
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import far_radial, outgoing_radial

DB_PER_RELATIVE_ERROR = 20 / np.log(10) / np.sqrt(2)
"""Standard deviation of the level for a circular complex error of relative rms one (small errors)."""


def far_field(expansion: Expansion, direction: ArrayLike) -> Complex:
    """p·r·e^{+jkr} for r → ∞ in Pa·m, (angles, F), at unit vectors (angles, 3) from the scan's origin."""
    unit = _unit(direction)
    harmonics = real_harmonics(expansion.max_order, unit)
    pressure: Complex = harmonics @ (_far_factors(expansion) * expansion.coefficients_pa)
    pressure *= np.exp(1j * (unit @ expansion.centre_m.T) * expansion.wavenumber_rad_m)
    return pressure


def far_field_variance(expansion: Expansion, direction: ArrayLike) -> Real:
    """E|error|² of :func:`far_field` in Pa²·m², (angles, F)."""
    variance = expansion.coefficient_variance_pa2
    degree = np.arange(len(variance))
    power = np.empty(len(expansion.frequency_hz))
    for index, k in enumerate(expansion.wavenumber_rad_m):
        far = far_radial(len(variance) - 1, k, k * expansion.scaling_radius_m[index])
        power[index] = np.sum((2 * degree + 1) / (4 * np.pi) * np.abs(far) ** 2 * variance[:, index])
    return pattern_at(expansion.variance_pattern, _unit(direction)) * power


def pressure_at(expansion: Expansion, position_m: ArrayLike) -> Complex:
    """Complex pressure in Pa at positions (positions, 3) in the scan's frame, (positions, F).

    Positions must lie outside the device, best beyond the scanned surface. Raises ScanDataError for a position on
    an expansion centre.
    """
    position = np.atleast_2d(np.asarray(position_m, dtype=np.float64))
    pressure = np.empty((len(position), len(expansion.frequency_hz)), dtype=np.complex128)
    for centre, columns in _by_centre(expansion):
        offset = position - centre
        radius = np.linalg.norm(offset, axis=1)
        if np.any(radius == 0):
            raise ScanDataError(f"position_m: position {int(np.argmin(radius))} lies on the expansion centre")
        harmonics = real_harmonics(expansion.max_order, offset / radius[:, None])
        for index in columns:
            pressure[:, index] = _field(expansion, int(index), radius, harmonics)
    return pressure


def standard_error_db(pressure: Complex, variance: Real) -> Real:
    """Standard error of levels in dB: 6.142 times the relative rms error, inf where the pressure is zero."""
    with np.errstate(divide="ignore", invalid="ignore"):
        relative = np.sqrt(variance) / np.abs(pressure)
    error: Real = DB_PER_RELATIVE_ERROR * np.where(np.isnan(relative), 0.0, relative)
    return error


def orbits(expansion: Expansion, step_deg: float = 10.0) -> SweepSet:
    """The horizontal and the vertical orbit in steps of ``step_deg``, far field."""
    angle = np.arange(0, 360, step_deg)
    direction = np.concatenate([horizontal_orbit(angle), vertical_orbit(angle)])
    pressure = far_field(expansion, direction)
    return SweepSet(
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
    """Sound power in W at the scan's drive voltage, (F,): Σ|a_nm|²/(ρ c k² |h_n(k r_s)|²), no sum over angles."""
    speed = 2 * np.pi * expansion.frequency_hz / expansion.wavenumber_rad_m
    power = np.sum(np.abs(far_field_terms(expansion)) ** 2, axis=0)
    return power / (expansion.air_density_kg_m3 * speed)


def far_field_terms(expansion: Expansion) -> Complex:
    """What each mode adds to the far field at 1 m, times its harmonic, (modes, F)."""
    terms: Complex = _far_factors(expansion) * expansion.coefficients_pa
    return terms


def _far_factors(expansion: Expansion) -> Complex:
    """Far-field factor of each mode, (modes, F)."""
    order = expansion.max_order
    factors = [
        far_radial(order, k, k * radius)
        for k, radius in zip(expansion.wavenumber_rad_m, expansion.scaling_radius_m, strict=True)
    ]
    return np.stack(factors, axis=1)[mode_degrees(order)]


def _field(expansion: Expansion, index: int, radius_m: Real, harmonics: Real) -> Complex:
    """Pressure of one frequency at points given by radius and harmonics, (points,)."""
    order = int(expansion.order[index])
    k = expansion.wavenumber_rad_m[index]
    radial = outgoing_radial(order, k * radius_m, k * expansion.scaling_radius_m[index])
    pressure = np.zeros(len(radius_m), dtype=np.complex128)
    for n in range(order + 1):
        block = slice(n * n, (n + 1) ** 2)
        pressure += radial[n] * (harmonics[:, block] @ expansion.coefficients_pa[block, index])
    return pressure


def _by_centre(expansion: Expansion) -> Iterator[tuple[Real, Integer]]:
    """Each distinct centre with the frequencies that use it."""
    centres, which = np.unique(expansion.centre_m, axis=0, return_inverse=True)
    for number, centre in enumerate(centres):
        yield centre, np.flatnonzero(which.ravel() == number)


def _unit(direction: ArrayLike) -> Real:
    unit = np.atleast_2d(np.asarray(direction, dtype=np.float64))
    length = np.linalg.norm(unit, axis=1)
    if np.any(np.abs(length - 1) > 1e-6):
        raise ScanDataError("direction must hold unit vectors (x, y, z)")
    return unit / length[:, None]
