"""The scattering sphere: its boundary condition, its limits, a published table."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import spherical_jn
from truth import rows

from scanproc.errors import SettingsError
from synthetic_scans.caps import Cap, CappedSphere
from synthetic_scans.room import InRoom, Room, images
from synthetic_scans.sphere_in_room import (
    SphereInRoom,
    hankel,
    hankels,
    harmonics,
    outgoing,
    projection_points,
)
from synthetic_scans.surfaces import sphere_points

SPEED, RADIUS = 343.2, 0.25
CENTRE = np.array([0.1, -0.05, 0.2])
ROOM = Room((3.0, 2.4, 2.2), (1.3, 1.1, 0.9), (0.9, 0.8, 0.7, 0.6, 0.9, 0.5), 2)
DEVICE = CappedSphere(RADIUS, (Cap((1.0, 0, 0), 40.0), Cap((0, 1.0, 1.0), 25.0, "axial")), tuple(CENTRE))
FREQUENCY = np.array([60.0, 300.0, 800.0])


def test_walls_change_nothing_about_the_velocity_of_the_surface() -> None:
    """What the room adds has no radial slope at the surface (central differences); without scattering it has."""
    direction, step = sphere_points(8), 1e-4
    ends = [CENTRE + (RADIUS + sign * step) * direction for sign in (1, -1)]
    in_room, found = SphereInRoom(DEVICE, ROOM), images(ROOM)
    outer, inner = (in_room.returned(end, FREQUENCY, SPEED) for end in ends)
    slope = np.abs(outer - inner).max(axis=0) / (2 * step)
    assert np.all(slope < 1e-4 * np.abs(outer).max(axis=0) * 2 * np.pi * FREQUENCY / SPEED)
    alone = [
        sum(
            f * DEVICE.pressure(found.views(end)[:, i], FREQUENCY, SPEED)
            for i, f in enumerate(found.factor)
            if i
        )
        for end in ends
    ]
    assert np.all(np.abs(alone[0] - alone[1]).max(axis=0) / (2 * step) > 1000 * slope)


def test_a_tiny_sphere_scatters_nothing() -> None:
    tiny = CappedSphere(0.002, (Cap((1.0, 0, 0), 90.0),))
    points = 0.4 * sphere_points(6)
    got = SphereInRoom(tiny, ROOM).pressure(points, FREQUENCY, SPEED)
    np.testing.assert_allclose(got, InRoom(tiny, ROOM).pressure(points, FREQUENCY, SPEED), rtol=1e-5)


def test_a_room_without_reflections_is_free_field() -> None:
    dead = Room(ROOM.size_m, ROOM.origin_m, (0.0,) * 6, 4)
    points = CENTRE + 0.4 * sphere_points(6)
    got = SphereInRoom(DEVICE, dead).pressure(points, FREQUENCY, SPEED)
    np.testing.assert_allclose(got, DEVICE.pressure(points, FREQUENCY, SPEED), rtol=1e-12)


def test_more_degrees_change_nothing() -> None:
    points = CENTRE + 0.4 * sphere_points(6)
    low, high = (
        SphereInRoom(DEVICE, ROOM, margin).pressure(points, FREQUENCY[1:2], SPEED) for margin in (6, 10)
    )
    assert np.abs(low - high).max() < 1e-7 * np.abs(high).max()


def test_a_rigid_wall_lets_nothing_through() -> None:
    """One rigid wall, the sphere scattering back and forth: pressure is even about the wall."""
    one_wall = Room(ROOM.size_m, ROOM.origin_m, (1.0, 0, 0, 0, 0, 0), 1)
    in_room, x = SphereInRoom(DEVICE, one_wall), np.array([1e-3, 2e-3, 3e-3])
    points = np.column_stack([x - ROOM.origin_m[0], 0.1 + 0 * x, 0 * x])
    pressure = in_room.pressure(points, FREQUENCY, SPEED)
    # even: p(x) = a + b x² + O(x⁴), so p3 - p1 is 8/3 of p2 - p1
    np.testing.assert_allclose(pressure[2] - pressure[0], 8 / 3 * (pressure[1] - pressure[0]), rtol=1e-3)


def test_scattering_by_degree_is_the_published_one() -> None:
    for ka, *level in rows("room", "rigid_scatter"):
        x = np.array([float(ka)])
        got = [20 * np.log10(abs(spherical_jn(n, x, True) / hankel(n, x, True)))[0] for n in range(5)]
        np.testing.assert_allclose(got, level, atol=1e-3)


def test_recurrence_of_hankel_functions() -> None:
    x = np.array([0.3, 4.0, 30.0])
    for n, value in enumerate(hankels(20, x)):
        np.testing.assert_allclose(value, hankel(n, x), rtol=1e-11)


def test_harmonics_are_orthonormal_on_the_projection_points() -> None:
    direction, weight = projection_points(7)
    table = harmonics(direction, 7)
    np.testing.assert_allclose(table.T * weight @ table, np.eye(64), atol=1e-12)


def test_outgoing_series_of_the_sphere_is_its_field() -> None:
    in_room = SphereInRoom(DEVICE, ROOM, 40)
    k = 2 * np.pi * FREQUENCY / SPEED
    points = 0.8 * sphere_points(9)
    got = outgoing(points, in_room._own(FREQUENCY, k, SPEED), k)
    np.testing.assert_allclose(got, DEVICE.pressure(points + CENTRE, FREQUENCY, SPEED), rtol=1e-10)


def test_several_speeds_of_sound_are_refused() -> None:
    with pytest.raises(SettingsError, match="one speed of sound"):
        SphereInRoom(DEVICE, ROOM).pressure(
            CENTRE + 0.4 * sphere_points(2), FREQUENCY, np.array([343.0, 344.0])
        )
