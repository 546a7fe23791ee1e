"""The points of a scan as seen from an expansion centre, and the wave numbers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.records.measured.scan import ScanSetup
from scanproc.waves import air

SHELL_TOLERANCE = 1e-9
"""Relative spread of radius up to which points count as one shell."""
GUESSED_SHARE = 0.55
"""Without a stated size the device's box is this share of the scanned volume in each direction."""


@dataclass(frozen=True, eq=False)
class View:
    """Points from a centre: ``radius_m`` (points,), ``direction`` (points, 3), ``scaling_radius_m`` the median."""

    centre_m: Real
    radius_m: Real
    direction: Real
    scaling_radius_m: float

    @property
    def is_shell(self) -> bool:
        spread = self.radius_m.max() - self.radius_m.min()
        return bool(spread <= SHELL_TOLERANCE * self.scaling_radius_m)


def view_from(position_m: Real, centre_m: ArrayLike) -> View:
    """The points seen from ``centre_m`` (3,). Raises ScanDataError when a point lies on the centre."""
    centre = np.asarray(centre_m, dtype=np.float64)
    offset = position_m - centre
    radius = np.linalg.norm(offset, axis=1)
    median = float(np.median(radius))
    if np.any(radius < 1e-6 * max(median, 1e-6)):
        at = int(np.argmin(radius))
        raise ScanDataError(
            f"position_m: point {at} lies on the expansion centre {_metres(centre)}: "
            "correct that position or set another centre"
        )
    return View(centre, radius, offset / radius[:, None], median)


def device_centre_m(setup: ScanSetup) -> Real:
    """The middle of the device's box, else that of the scanned surface, (3,)."""
    if setup.device_centre_m is not None:
        return setup.device_centre_m
    middle: Real = (setup.position_m.min(axis=0) + setup.position_m.max(axis=0)) / 2
    return middle


def device_size_m(setup: ScanSetup) -> Real:
    """Depth, width and height of the device's box, (3,), stated or guessed from the scanned surface."""
    if setup.device_size_m is not None:
        return setup.device_size_m
    guessed: Real = GUESSED_SHARE * np.ptp(setup.position_m, axis=0)
    return guessed


def wavenumbers(setup: ScanSetup, frequency_hz: Real) -> Real:
    """k = 2πf/c in rad/m, (F,)."""
    return 2 * np.pi * frequency_hz / speed_of_sound(setup)


def speed_of_sound(setup: ScanSetup) -> float:
    """The scan's own speed of sound in m/s, or that of its air (20 °C if the temperature is not known)."""
    if setup.speed_of_sound_m_s is not None:
        return setup.speed_of_sound_m_s
    return float(speed_at(setup, temperature(setup)))


def speed_at(setup: ScanSetup, temperature_c: float | Real) -> float | Real:
    """Speed of sound in m/s of the scan's air: Cramer 1993 if the humidity is known, else ISO 9613-1."""
    if setup.humidity_percent is None:
        return air.speed_of_sound_m_s(temperature_c)
    pressure = setup.air_pressure_kpa or air.STANDARD_PRESSURE_KPA
    return air.speed_in_moist_air_m_s(temperature_c, setup.humidity_percent, pressure)


def relative_wavenumber(setup: ScanSetup) -> Real:
    """Each point's wave number over that of :func:`wavenumbers`, (points,): 1 unless temperatures differ.

    A speed of sound that the scan states holds at its mean temperature.
    """
    if setup.point_temperature_c is None:
        return np.ones(setup.points)
    speed = np.asarray(speed_at(setup, setup.point_temperature_c))
    mean = float(speed_at(setup, float(np.mean(setup.point_temperature_c))))
    own: Real = mean / speed
    return own if setup.temperature_c is None else own * _stated_over_mean(setup, mean)


def _stated_over_mean(setup: ScanSetup, mean_speed: float) -> float:
    """Correction where the scan states another temperature than the mean of its points."""
    if setup.speed_of_sound_m_s is not None or setup.temperature_c is None:
        return 1.0
    return float(speed_at(setup, setup.temperature_c)) / mean_speed


def temperature(setup: ScanSetup) -> float:
    """Temperature in °C: as stated, else the mean over the points, else 20."""
    if setup.temperature_c is not None:
        return setup.temperature_c
    if setup.point_temperature_c is not None:
        return float(np.mean(setup.point_temperature_c))
    return air.REFERENCE_TEMPERATURE_C


def density(setup: ScanSetup) -> float:
    """Air density in kg/m³."""
    pressure = setup.air_pressure_kpa or air.STANDARD_PRESSURE_KPA
    return air.density_kg_m3(temperature(setup), pressure, setup.humidity_percent or 0.0)


def _metres(position: Real) -> str:
    return "(" + ", ".join(f"{value:.3f}" for value in position) + ") m"
