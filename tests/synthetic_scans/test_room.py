"""Rooms against published image tables, the modes of rigid walls, and symmetry."""

from __future__ import annotations

import numpy as np
import pytest
from truth import rows

from scanproc.errors import SettingsError
from synthetic_scans.device import paging_loudspeaker
from synthetic_scans.room import InRoom, Room, first_reflection_s, images
from synthetic_scans.sources import Cluster, dipole, monopole

SPEED = 343.2
SIZE = (6.0, 4.0, 2.7)
SOURCE, RECEIVER = np.array([2.5, 1.8, 1.2]), np.array([3.2, 2.1, 1.5])
WALLS = (0.9, 0.8, 0.7, 0.6, 0.5, 0.4)
CENTRE = (3.0, 2.0, 1.3)


def room(reflections: int, reflection: tuple[float, ...] = WALLS) -> Room:
    return Room(SIZE, CENTRE, reflection, reflections)


def test_first_images_are_the_published_ones() -> None:
    found = images(room(1))
    places = found.flip * (SOURCE - CENTRE) + found.shift_m + CENTRE
    got = {tuple(place.round(9)): factor for place, factor in zip(places, found.factor, strict=True)}
    want = {
        tuple(float(x) for x in place.strip("()").split(",")): factor
        for place, _, _, factor, *_ in rows("room", "images")
    }
    assert got == pytest.approx(want)


def test_pressure_is_the_published_one() -> None:
    source = Cluster((monopole(SOURCE - CENTRE, 1 / (4 * np.pi)),))
    for frequency, bounces, count, real, imag, _ in rows("room", "room_pressure"):
        assert len(images(room(bounces)).factor) == count
        got = InRoom(source, room(bounces)).pressure(
            RECEIVER[None] - CENTRE, np.array([float(frequency)]), SPEED
        )
        assert got[0, 0] == pytest.approx(complex(real, imag), rel=1e-11)


def modal_pressure(k: complex) -> complex:
    """Rigid walls: cosines across x and y, closed form -cos cos/(kz sin) along z (solves ∇²p + k²p = -δ)."""
    low, high = sorted((SOURCE[2], RECEIVER[2]))
    total = 0j
    for nx in range(120):
        for ny in range(120):
            kx, ky = nx * np.pi / SIZE[0], ny * np.pi / SIZE[1]
            across = (
                np.cos(kx * SOURCE[0])
                * np.cos(kx * RECEIVER[0])
                * np.cos(ky * SOURCE[1])
                * np.cos(ky * RECEIVER[1])
            )
            share = (1 + (nx > 0)) * (1 + (ny > 0)) / (SIZE[0] * SIZE[1])
            kz = 1j * np.sqrt(kx**2 + ky**2 - k * k + 0j)
            # cos(kz low) cos(kz (L - high)) / (kz sin(kz L)) in decaying exponentials
            e = [
                np.exp(1j * kz * d)
                for d in (high - low, high + low, 2 * SIZE[2] - high - low, 2 * SIZE[2] - high + low)
            ]
            total += share * across * sum(e) / (2j * kz) / (np.exp(2j * kz * SIZE[2]) - 1)
    return total


@pytest.mark.parametrize("mode", [(1, 0, 0), (1, 1, 0), (1, 1, 1)])
def test_images_of_rigid_walls_add_up_to_the_modes(mode: tuple[int, int, int]) -> None:
    frequency = dict(rows("room", "modes"))[str(mode)]
    assert frequency == pytest.approx(SPEED / 2 * np.linalg.norm(np.array(mode) / SIZE))
    k = 2 * np.pi * frequency / SPEED - 0.6j
    found = images(room(30, (1.0,) * 6))
    places = found.flip * (SOURCE - CENTRE) + found.shift_m + CENTRE
    distance = np.linalg.norm(places - RECEIVER, axis=1)
    got = np.sum(found.factor * np.exp(-1j * k * distance) / (4 * np.pi * distance))
    assert got == pytest.approx(modal_pressure(k), rel=1e-7)


def test_a_rigid_wall_lets_nothing_through() -> None:
    """The table's relative normal derivative is zero; here walls that only reflect at x = 0, by differences."""
    assert rows("room", "rigid_wall")[0][0] < 1e-20
    walls = room(1, (1.0, 0, 0, 0, 0, 0))
    device = Cluster((monopole(SOURCE - CENTRE), dipole(SOURCE - CENTRE, [0.5, 0.2, -0.4])))
    found, step = images(walls), 1e-5
    at = np.array([[sign * step, 1.0, 0.7] for sign in (1, -1)]) - CENTRE
    pressure = device.summed(found.views(at), found.factor, np.array([400.0]), SPEED)[:, 0]
    slope = (pressure[0] - pressure[1]) / (2 * step)
    assert abs(slope) < 1e-8 * abs(pressure[0]) * 2 * np.pi * 400 / SPEED


def test_more_bounces_converge() -> None:
    source = Cluster((monopole(SOURCE - CENTRE),))
    at = [
        InRoom(source, room(bounces)).pressure(RECEIVER[None] - CENTRE, np.array([63.0]), SPEED)[0, 0]
        for bounces in (6, 12, 24, 40)
    ]
    change = np.abs(np.diff(at))
    assert change[1] < change[0] / 3
    assert change[2] < change[1] / 5


@pytest.mark.parametrize(
    "frequency",
    [np.geomspace(40, 2000, 12), np.linspace(50, 2000, 40), np.linspace(300, 2000, 90)],
    ids=["log", "few even steps", "many even steps"],
)
def test_many_images_of_a_whole_device_equal_their_plain_sum(frequency: np.ndarray) -> None:
    """All images in one sum against one free-field evaluation per image."""
    device, walls = paging_loudspeaker(0.2), room(5)
    points = 0.6 * np.array([[1.0, 0, 0], [-0.6, 0.8, 0], [0, 0, -1.0]])
    speed = np.array([343.0, 344.0, 342.0])
    found = images(walls)
    views = found.views(points)
    want = sum(f * device.pressure(views[:, i], frequency, speed) for i, f in enumerate(found.factor))
    got = InRoom(device, walls).pressure(points, frequency, speed)
    assert np.abs(got - want).max() < 1e-11 * np.abs(want).max()


def test_first_reflection_is_the_shortest_way_by_a_wall() -> None:
    point = np.array([[0.4, 0.0, -0.5]])
    way = np.hypot(0.4, 1.3 + 0.8)
    assert first_reflection_s(room(3), point, SPEED) == pytest.approx(way / SPEED)
    assert first_reflection_s(room(3, (0.0,) * 6), point, SPEED) is None


@pytest.mark.parametrize(
    ("size", "origin", "reflection", "words"),
    [
        ((6.0, 0.0, 3.0), CENTRE, WALLS, "size"),
        (SIZE, (7.0, 2.0, 1.0), WALLS, "inside"),
        (SIZE, CENTRE, (1.2, *WALLS[1:]), "reflection factors"),
    ],
)
def test_impossible_rooms_are_refused(size: tuple, origin: tuple, reflection: tuple, words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        Room(size, origin, reflection, 2)


def test_points_beyond_a_wall_are_refused() -> None:
    with pytest.raises(SettingsError, match="outside the room"):
        InRoom(Cluster((monopole([0, 0, 0]),)), room(1)).pressure(
            np.array([[0, 0, 1.5]]), np.array([100.0]), SPEED
        )
