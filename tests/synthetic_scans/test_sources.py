"""Clusters against closed forms and brute force."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.polynomial.legendre import leggauss
from truth import rows

from synthetic_scans.sources import Cluster, Part, Response, Section, dipole, disc, linkwitz_riley, monopole

SPEED = 343.2
AXES = np.eye(3)


def sphere_rule(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Product rule over the sphere: directions (points, 3), weights that sum to one."""
    z, weight = leggauss(count)
    turn = 2 * np.pi * np.arange(2 * count) / (2 * count)
    radius = np.sqrt(1 - z * z)
    direction = [
        np.outer(radius, np.cos(turn)),
        np.outer(radius, np.sin(turn)),
        np.outer(z, np.ones(2 * count)),
    ]
    return np.stack(direction, axis=-1).reshape(-1, 3), np.repeat(weight, 2 * count) / (4 * count)


def mean_power(device: Cluster, frequency_hz: float) -> float:
    direction, weight = sphere_rule(24)
    return float(weight @ np.abs(device.far_field(direction, np.array([frequency_hz]), SPEED)[:, 0]) ** 2)


def brute_force(part: Part, point: np.ndarray, frequency_hz: float, speed: float) -> complex:
    k = 2 * np.pi * frequency_hz / speed
    total = 0j
    for place, strength, moment, delay in zip(
        part.position_m, part.monopole_pa_m, part.dipole_pa_m, part.delay_s, strict=True
    ):
        apart = point - place
        r = np.sqrt(apart @ apart)
        wave = np.exp(-1j * k * r) / r * np.exp(-2j * np.pi * frequency_hz * delay)
        total += strength * wave + (moment @ apart / r) * (1 + 1 / (1j * k * r)) * wave
    return total


def some_part(seed: int, count: int = 9) -> Part:
    rng = np.random.default_rng(seed)
    return Part(
        0.1 * rng.standard_normal((count, 3)),
        rng.standard_normal(count),
        rng.standard_normal((count, 3)),
        1e-4 * rng.random(count),
    )


def test_level_of_a_monopole_falls_with_distance_and_its_phase_runs_backwards() -> None:
    pressure = Cluster((monopole([0, 0, 0], 2.0),)).pressure(
        np.array([[0.5, 0, 0], [0, 4.0, 0]]), np.array([100.0]), SPEED
    )
    k = 2 * np.pi * 100 / SPEED
    np.testing.assert_allclose(pressure[:, 0], [4 * np.exp(-0.5j * k), 0.5 * np.exp(-4j * k)], rtol=1e-14)


@pytest.mark.parametrize(
    "frequency",
    [np.geomspace(30, 20e3, 11), np.linspace(20, 20e3, 41)],
    ids=["uneven steps", "even steps"],
)
def test_cluster_equals_its_written_out_sum(frequency: np.ndarray) -> None:
    part = some_part(1)
    rng = np.random.default_rng(2)
    points = rng.standard_normal((70, 3)) + np.array([1, 0, 0])
    speed = 343 + rng.random(70)
    got = Cluster((part,)).pressure(points, frequency, speed)
    want = np.array(
        [[brute_force(part, x, f, c) for f in frequency] for x, c in zip(points, speed, strict=True)]
    )
    np.testing.assert_allclose(got, want, rtol=1e-12, atol=1e-12 * np.abs(want).max())


def test_dipole_is_the_limit_of_two_opposite_monopoles() -> None:
    gap, frequency = 1e-4, np.array([700.0])
    k = 2 * np.pi * frequency[0] / SPEED
    axis = np.array([1.0, 2.0, 2.0]) / 3
    pair = Cluster((monopole(axis * gap / 2), monopole(-axis * gap / 2, -1.0)))
    points = np.array([[0.1, 0.05, 0.0], [0.0, 1.0, -2.0], [0.3, 0.3, 0.3]])
    got = Cluster((dipole([0, 0, 0], axis),)).pressure(points, frequency, SPEED)
    np.testing.assert_allclose(pair.pressure(points, frequency, SPEED) / (1j * k * gap), got, rtol=1e-6)


def test_directivity_index_of_a_dipole_is_4_771_db() -> None:
    device = Cluster((dipole([0, 0, 0], [0, 0, 1.0]),))
    index = -10 * np.log10(mean_power(device, 1000.0))
    assert index == pytest.approx(10 * np.log10(3), abs=1e-9)


@pytest.mark.parametrize(
    ("kd", "in_phase", "antiphase"), [(r[0], r[1], r[3]) for r in rows("sphere_caps", "pairs")]
)
def test_power_of_a_pair(kd: str, in_phase: float, antiphase: float) -> None:
    distance = 0.3
    frequency = float(kd) * SPEED / (2 * np.pi * distance)
    for sign, want in ((1.0, in_phase), (-1.0, antiphase)):
        pair = Cluster((monopole([0, distance / 2, 0]), monopole([0, -distance / 2, 0], sign)))
        assert mean_power(pair, frequency) / 2 == pytest.approx(
            want, rel=1e-6 if kd.startswith("3.14") else 1e-10
        )


def test_near_field_tends_to_the_far_field_as_one_over_distance() -> None:
    part, frequency = some_part(5), np.array([200.0, 1000.0])
    device = Cluster((part,))
    direction = np.array([[0.6, 0.0, 0.8], [-1.0, 0, 0], [0, 1.0, 0]])
    far = device.far_field(direction, frequency, SPEED)
    errors = []
    for r in (50.0, 5000.0):
        turn = r * np.exp(2j * np.pi * frequency * r / SPEED)
        errors.append(
            np.abs(device.pressure(r * direction, frequency, SPEED) * turn - far).max() / np.abs(far).max()
        )
    assert errors[0] < 0.05
    assert errors[1] == pytest.approx(errors[0] / 100, rel=0.05)


def test_flat_disc_has_its_first_null_where_the_piston_has() -> None:
    at = dict(rows("sphere_caps", "piston_points"))
    position, weight = disc(0.1, 0.1, 2000)
    frequency = np.array([8.0]) * SPEED / (2 * np.pi * 0.1)
    sine = np.array([at["1st null"], at["1st side lobe at"]]) / 8
    direction = np.column_stack([np.sqrt(1 - sine**2), sine, 0 * sine])
    level = 20 * np.log10(
        np.abs(Cluster((Part(position, weight),)).far_field(direction, frequency, SPEED)[:, 0])
    )
    assert level[0] < -60
    assert level[1] == pytest.approx(
        -17.57, abs=0.05
    )  # first side lobe of 2 J1(x)/x, tables of Bessel functions


def test_filters_have_their_corner_and_add_to_an_all_pass() -> None:
    frequency = np.array([20.0, 900.0, 1800.0, 3600.0, 2e5])
    low = Response(sections=linkwitz_riley("low_pass", 1800.0)).at(frequency)
    high = Response(sections=linkwitz_riley("high_pass", 1800.0)).at(frequency)
    np.testing.assert_allclose(np.abs(low + high), 1, rtol=1e-12)
    assert 20 * np.log10(np.abs(low[2])) == pytest.approx(20 * np.log10(0.5))
    sealed = Response(gain=3.0, delay_s=1e-3, sections=(Section("high_pass", 100.0, 0.7),)).at(
        np.array([100.0, 1e6])
    )
    np.testing.assert_allclose(np.abs(sealed), [2.1, 3.0], rtol=1e-6)
