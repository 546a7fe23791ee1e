"""Sets of angles and seats; a device that is turned afterwards."""

from __future__ import annotations

import numpy as np
import pytest
from small_scans import FREQUENCY_HZ, SPEED_M_S, even_points
from truth import rows

from scanproc.errors import ScanDataError, SettingsError
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.farfield.sets import (
    Turn,
    arc_angles,
    direction_set,
    listed_angles,
    named_set,
    seat_angles,
    turn_matrix,
)
from scanproc.steps.fit.expand import fit
from synthetic_scans.sources import Cluster, dipole, monopole

POINTS = even_points(400, 0.4)


def device(turn: np.ndarray) -> Cluster:
    """A monopole and a dipole off the origin, turned as a whole."""
    places = np.array([[0.08, 0.02, -0.05], [0.05, -0.03, 0.06]]) @ turn.T
    return Cluster((monopole(places[0], 1.0), dipole(places[1], turn @ np.array([0.8, 0.3, 0.1]))))


def expansion_of(turn: np.ndarray):
    pressure = device(turn).pressure(POINTS, FREQUENCY_HZ, SPEED_M_S)
    return fit(Scan(ScanSetup(POINTS, speed_of_sound_m_s=SPEED_M_S), FREQUENCY_HZ, pressure), order=12)


STRAIGHT = expansion_of(np.eye(3))


@pytest.mark.parametrize("name", ["orbits-10", "orbits-5", "sphere-5", "sphere-10", "orbits-2.5"])
def test_named_sets(name: str) -> None:
    angles = named_set(name)
    step = float(name.partition("-")[2])
    assert angles.name == name
    if name.startswith("orbits"):
        assert len(angles.direction) == 720 / step
        assert len(np.unique(angles.direction.round(9), axis=0)) == 720 / step - 2
    else:
        counts = {row[0]: row[1] for row in rows("grids", "grid_counts")}
        assert len(np.unique(angles.direction.round(9), axis=0)) == counts[step]


@pytest.mark.parametrize(
    "name", ["orbits-7", "sphere-0", "orbits", "arc-5", "sphere-x", "orbits-0.001", "orbits--5"]
)
def test_unknown_names_are_one_line(name: str) -> None:
    with pytest.raises(SettingsError, match=f"no direction set '{name}': known are orbits-10"):
        named_set(name)


def test_arc_and_list() -> None:
    arc = arc_angles("beam", "vertical", -30, 40, 20)
    assert list(arc.angle_deg) == [-30, -10, 10, 30]
    assert arc.direction[3] == pytest.approx([np.cos(np.pi / 6), 0, 0.5])
    listed = listed_angles("corners", [[90, 0], [0, 90], [45, -30]])
    assert listed.direction == pytest.approx(
        np.array([[0, 1, 0], [0, 0, 1], [0.75**0.5 * 0.5**0.5, 0.75**0.5 * 0.5**0.5, -0.5]])
    )


def test_toe_in_is_the_orbit_read_elsewhere() -> None:
    turned = direction_set(STRAIGHT, arc_angles("a", "horizontal", -90, 90, 10), Turn(toe_in_deg=30))
    shifted = direction_set(STRAIGHT, arc_angles("a", "horizontal", -120, 60, 10))
    np.testing.assert_allclose(turned.pressure_pa_m, shifted.pressure_pa_m, rtol=1e-12)
    np.testing.assert_allclose(turned.standard_error_db, shifted.standard_error_db, rtol=1e-9)
    np.testing.assert_allclose(
        turned.direction, named_set("orbits-10").direction[np.r_[27:36, 0:10]], atol=1e-15
    )


def test_tilt_is_the_vertical_orbit_read_elsewhere() -> None:
    turned = direction_set(STRAIGHT, arc_angles("a", "vertical", -90, 90, 10), Turn(tilt_deg=20))
    shifted = direction_set(STRAIGHT, arc_angles("a", "vertical", -110, 70, 10))
    np.testing.assert_allclose(turned.pressure_pa_m, shifted.pressure_pa_m, rtol=1e-12)


@pytest.mark.parametrize(("toe_in", "tilt"), [(30, 0), (0, -15), (40, 25)])
def test_turning_equals_a_scan_of_the_turned_device(toe_in: float, tilt: float) -> None:
    a, b = np.deg2rad([toe_in, tilt])
    front_up = np.array([[np.cos(b), 0, -np.sin(b)], [0, 1, 0], [np.sin(b), 0, np.cos(b)]])
    to_the_left = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
    turn = to_the_left @ front_up
    np.testing.assert_allclose(turn_matrix(Turn(toe_in, tilt)), turn, atol=1e-15)
    for angles in (named_set("orbits-10"), seat_angles("hall", [[2.0, 0.5, -1.0], [8.0, -3.0, 0.0]])):
        found = direction_set(STRAIGHT, angles, Turn(toe_in, tilt)).pressure_pa_m
        scanned = direction_set(expansion_of(turn), angles).pressure_pa_m
        exact = device(turn).far_field(angles.direction, FREQUENCY_HZ, SPEED_M_S)
        scale = np.abs(exact).max()
        np.testing.assert_allclose(found / scale, scanned / scale, atol=1e-4)
        if angles.distance_m is None:
            np.testing.assert_allclose(found / scale, exact / scale, atol=1e-4)


def test_seats_get_the_exact_field_at_their_distance() -> None:
    position = np.array([[0.9, 0.2, -0.3], [4.0, -2.0, 0.5]])
    seats = direction_set(STRAIGHT, seat_angles("hall", position))
    exact = device(np.eye(3)).pressure(position, FREQUENCY_HZ, SPEED_M_S)
    k = 2 * np.pi * FREQUENCY_HZ / SPEED_M_S
    at_seat = seats.pressure_pa_m / seats.distance_m[:, None] * np.exp(-1j * np.outer(seats.distance_m, k))
    np.testing.assert_allclose(at_seat, exact, atol=1e-4 * np.abs(exact).max())
    assert seats.speed_of_sound_m_s == pytest.approx(SPEED_M_S)


def test_far_seats_are_the_far_field_with_its_error() -> None:
    noisy = STRAIGHT.coefficient_variance_pa2
    seats = direction_set(STRAIGHT, seat_angles("afar", [[3000.0, 4000.0, 0.0]]))
    far = direction_set(STRAIGHT, listed_angles("afar", [[np.rad2deg(np.arctan2(4, 3)), 0]]))
    np.testing.assert_allclose(seats.pressure_pa_m, far.pressure_pa_m, rtol=2e-3)
    np.testing.assert_allclose(seats.standard_error_db, far.standard_error_db, rtol=2e-2)
    assert noisy.max() > 0


def test_a_seat_at_the_origin_is_refused() -> None:
    with pytest.raises(ScanDataError, match="hall: seat 2 lies at the scan's origin"):
        seat_angles("hall", [[1.0, 0, 0], [0, 0, 0]])
