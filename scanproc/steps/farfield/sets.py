"""Sets of angles and seats, by name or made to order, for a device that may be turned afterwards."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError, SettingsError
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.field.extrapolate import (
    far_field,
    far_field_variance,
    pressure_at,
    pressure_variance,
    standard_error_db,
)
from scanproc.waves.directions import equal_angle_grid, horizontal_orbit, unit_vectors, vertical_orbit

NAMED = ("orbits-10", "orbits-5", "sphere-10", "sphere-5")
"""Sets known by name; any other step that divides the circle works too."""
SMALLEST_STEP_DEG = 0.5


@dataclass(frozen=True)
class Turn:
    """The device's turn about the scan's origin: first the front up by ``tilt_deg``, then towards +y by
    ``toe_in_deg``."""

    toe_in_deg: float = 0.0
    tilt_deg: float = 0.0


STRAIGHT = Turn()


@dataclass(frozen=True, eq=False)
class Angles:
    """Where to look: ``direction`` (angles, 3) unit vectors; for orbits the orbit and the angle on it; for seats
    ``distance_m`` (angles,) from the scan's origin, None for the far field."""

    name: str
    direction: Real
    orbit: tuple[str, ...] | None = None
    angle_deg: Real | None = None
    distance_m: Real | None = None


def named_set(name: str) -> Angles:
    """The set "orbits-STEP" or "sphere-STEP", STEP in degrees. Raises SettingsError.

    >>> sp.named_set("orbits-30").name
    'orbits-30'
    """
    kind, _, step = name.partition("-")
    try:
        step_deg = float(step)
    except ValueError:
        step_deg = np.nan
    whole = {"orbits": 360, "sphere": 180}.get(kind, 0)
    if (
        not whole
        or not step_deg >= SMALLEST_STEP_DEG
        or abs(whole / step_deg - round(whole / step_deg)) > 1e-9
    ):
        raise SettingsError(
            f"no direction set {name!r}: known are {', '.join(NAMED)}, other steps that divide {whole or 360} deg, "
            "and the sets of a TOML file"
        )
    return orbit_angles(step_deg) if kind == "orbits" else sphere_angles(step_deg)


def orbit_angles(step_deg: float) -> Angles:
    """Both orbits; 0 and 180 deg stand in each, so that each is whole (72 rows for 70 angles at 10 deg)."""
    angle: Real = np.arange(0, 360, step_deg, dtype=np.float64)
    return Angles(
        f"orbits-{step_deg:g}",
        np.concatenate([horizontal_orbit(angle), vertical_orbit(angle)]),
        ("horizontal",) * len(angle) + ("vertical",) * len(angle),
        np.concatenate([angle, angle]),
    )


def sphere_angles(step_deg: float) -> Angles:
    """The whole sphere in equal steps of polar angle and azimuth, each pole once."""
    return Angles(f"sphere-{step_deg:g}", equal_angle_grid(step_deg)[0])


def arc_angles(name: str, plane: str, from_deg: float, to_deg: float, step_deg: float) -> Angles:
    """A part of the "horizontal" or "vertical" orbit, both ends included as far as the step allows."""
    count = int(np.floor((to_deg - from_deg) / step_deg + 1e-9)) + 1
    angle: Real = from_deg + step_deg * np.arange(count, dtype=np.float64)
    orbit = {"horizontal": horizontal_orbit, "vertical": vertical_orbit}[plane]
    return Angles(name, orbit(angle), (plane,) * len(angle), angle)


def listed_angles(name: str, azimuth_elevation_deg: ArrayLike) -> Angles:
    """Directions by azimuth (from +x towards +y) and elevation (upwards), (angles, 2) in degrees."""
    azimuth, elevation = np.deg2rad(np.atleast_2d(np.asarray(azimuth_elevation_deg, dtype=np.float64))).T
    return Angles(name, unit_vectors(np.pi / 2 - elevation, azimuth))


def seat_angles(name: str, position_m: ArrayLike) -> Angles:
    """Seats at positions (seats, 3) in metres from the scan's origin. Raises ScanDataError for one at the origin."""
    position = np.atleast_2d(np.asarray(position_m, dtype=np.float64))
    distance = np.linalg.norm(position, axis=1)
    if np.any(distance == 0):
        raise ScanDataError(f"{name}: seat {int(distance.argmin()) + 1} lies at the scan's origin: move it")
    return Angles(name, position / distance[:, None], distance_m=distance)


def direction_set(expansion: Expansion, angles: Angles, turn: Turn = STRAIGHT) -> DirectionSet:
    """The responses at a set of angles or seats, the device turned first.

    At seats ``pressure_pa_m`` is p·r·e^{+jkr} of the exact field there, r the distance from the origin.

    >>> sp.direction_set(result.expansion, sp.named_set("orbits-90")).angles
    8
    """
    seen = turned_back(angles.direction, turn)
    if angles.distance_m is None:
        pressure, variance = far_field(expansion, seen), far_field_variance(expansion, seen)
    else:
        pressure, variance = _at_distance(expansion, seen, angles.distance_m)
    return DirectionSet(
        name=angles.name,
        direction=angles.direction,
        frequency_hz=expansion.frequency_hz,
        pressure_pa_m=pressure,
        standard_error_db=standard_error_db(pressure, variance),
        orbit=angles.orbit,
        angle_deg=angles.angle_deg,
        drive_voltage_v=expansion.drive_voltage_v,
        distance_m=angles.distance_m,
        speed_of_sound_m_s=speed_of_sound(expansion),
    )


def speed_of_sound(expansion: Expansion) -> float:
    """Speed of sound in m/s that the wave numbers follow (their mean)."""
    return float(np.mean(2 * np.pi * expansion.frequency_hz / expansion.wavenumber_rad_m))


def turned_back(direction: Real, turn: Turn) -> Real:
    """Directions (angles, 3) in the frame of a device that was turned."""
    return direction @ turn_matrix(turn)


def turn_matrix(turn: Turn) -> Real:
    """The rotation (3, 3) that turns the device: x_room = matrix @ x_device."""
    toe, tilt = np.deg2rad([turn.toe_in_deg, turn.tilt_deg])
    about_z = np.array([[np.cos(toe), -np.sin(toe), 0], [np.sin(toe), np.cos(toe), 0], [0, 0, 1]])
    up = np.array([[np.cos(tilt), 0, -np.sin(tilt)], [0, 1, 0], [np.sin(tilt), 0, np.cos(tilt)]])
    matrix: Real = about_z @ up
    return matrix


def _at_distance(expansion: Expansion, direction: Real, distance_m: Real) -> tuple[Complex, Real]:
    """p·r·e^{+jkr} and E|error|² of it, (seats, F), of the field itself at finite distance."""
    position = direction * distance_m[:, None]
    travel = distance_m[:, None] * expansion.wavenumber_rad_m
    pressure = pressure_at(expansion, position) * distance_m[:, None] * np.exp(1j * travel)
    return pressure, pressure_variance(expansion, position) * distance_m[:, None] ** 2
