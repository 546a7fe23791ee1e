"""Predicted errors of all orders of a subset: one table, the same numbers as those of a single fit."""

import numpy as np
import pytest
from scipy.linalg import solve_triangular

from scanproc.records.scan import Scan, ScanSetup
from scanproc.steps.field.uncertainty import _leaks
from scanproc.steps.fit.plan import prepare
from scanproc.steps.points.trial import make_stages, run_trials
from scanproc.waves.directions import fibonacci_sphere, lebedev_grid
from scanproc.waves.least_squares import nested_fit

SPEED_M_S = 343.0
SOURCE_M = np.array([[0.05, 0.02, 0.03], [-0.04, 0.03, -0.06]])
FREQUENCY_HZ = np.array([500.0, 1000.0, 1500.0, 2000.0])


def two_sources(position_m: np.ndarray) -> np.ndarray:
    """Pressures of two point sources, (points, F)."""
    distance = np.linalg.norm(position_m[:, None] - SOURCE_M[None], axis=2)[:, :, None]
    return np.sum(np.exp(-2j * np.pi * FREQUENCY_HZ * distance / SPEED_M_S) / distance, axis=1)


def scan_of(surface: str) -> Scan:
    position = 0.4 * fibonacci_sphere(300)
    if surface == "drum":
        position = (
            position / np.maximum(np.hypot(position[:, 0], position[:, 1]), np.abs(position[:, 2]))[:, None]
        )
        position *= 0.35
    rng = np.random.default_rng(3)
    pressure = two_sources(position)
    noise = 0.01 * (rng.standard_normal(pressure.shape) + 1j * rng.standard_normal(pressure.shape))
    told = np.full(len(FREQUENCY_HZ), 0.01 * np.sqrt(2))
    return Scan(ScanSetup(position, speed_of_sound_m_s=SPEED_M_S), FREQUENCY_HZ, pressure + noise, told)


@pytest.mark.parametrize("surface", ["shell", "drum"])
@pytest.mark.parametrize("size", [150, 300])
def test_the_table_holds_the_error_of_the_order_that_is_used(surface, size):
    scan = scan_of(surface)
    stages = make_stages(scan, prepare(scan, centre_m=(0, 0, 0), estimator="truncated"))
    rng = np.random.default_rng(1)
    chosen = np.sort(rng.permutation(scan.points)[:size])
    trial = run_trials(stages, chosen, rng)
    used = trial.predicted_db[trial.expansion.order, np.arange(len(FREQUENCY_HZ))]
    np.testing.assert_allclose(used, trial.expansion.far_field_error_db, atol=1e-6)


def test_every_order_is_predicted_as_it_turns_out():
    """The true error of each order against its prediction, where noise or the degree left out rules; 300 points."""
    scan = scan_of("shell")
    stages = make_stages(scan, prepare(scan, centre_m=(0, 0, 0), estimator="truncated"))
    trial = run_trials(stages, np.arange(scan.points), np.random.default_rng(1))
    basis_direction = scan.setup.position_m / 0.4
    direction, weight = lebedev_grid(41)
    exact = far_field_of_two(direction)
    for order in range(3, len(trial.predicted_db)):
        fitted = far_field_at_order(basis_direction, scan, order, direction)
        error = weight @ np.abs(fitted - exact) ** 2 / (weight @ np.abs(exact) ** 2)
        np.testing.assert_allclose(trial.predicted_db[order], 10 * np.log10(error), atol=3.0)


def far_field_of_two(direction: np.ndarray) -> np.ndarray:
    """Closed form, (directions, F)."""
    phase = 2j * np.pi / SPEED_M_S * (direction @ SOURCE_M.T)[:, :, None] * FREQUENCY_HZ
    return np.exp(phase).sum(axis=1)


def far_field_at_order(unit: np.ndarray, scan: Scan, order: int, direction: np.ndarray) -> np.ndarray:
    """Least squares at one order by SciPy's harmonics and Hankel functions, carried to the far field."""
    from scipy.special import sph_harm_y, spherical_jn, spherical_yn

    def harmonics(at: np.ndarray) -> np.ndarray:
        polar, azimuth = np.arccos(at[:, 2]), np.arctan2(at[:, 1], at[:, 0])
        modes = [(n, m) for n in range(order + 1) for m in range(-n, n + 1)]
        return np.stack([sph_harm_y(n, m, polar, azimuth) for n, m in modes], axis=1)

    degree = np.repeat(np.arange(order + 1), 2 * np.arange(order + 1) + 1)
    found = np.linalg.lstsq(harmonics(unit), scan.pressure_pa, rcond=None)[0]
    far = np.empty((len(direction), len(FREQUENCY_HZ)), np.complex128)
    for column, frequency in enumerate(FREQUENCY_HZ):
        k = 2 * np.pi * frequency / SPEED_M_S
        hankel = spherical_jn(degree, 0.4 * k) - 1j * spherical_yn(degree, 0.4 * k)
        far[:, column] = harmonics(direction) @ (found[:, column] * 1j ** (degree + 1) / k / hankel)
    return far


def test_what_the_degrees_left_out_leak_is_what_a_solution_gives():
    rng = np.random.default_rng(5)
    ends = (1, 4, 9, 16, 25)
    basis = rng.standard_normal((60, 25)) + 1j * rng.standard_normal((60, 25))
    nested = nested_fit(basis, basis[:, :2], ends)
    for order in range(3):
        end = ends[order]
        for step, found in enumerate(_leaks(nested, order, order + 2), start=1):
            beyond = slice(ends[order + step - 1], ends[order + step])
            leak = solve_triangular(nested.triangle[:end, :end], nested.triangle[:end, beyond])
            degree = np.floor(np.sqrt(np.arange(end))).astype(int)
            want = np.bincount(degree, np.sum(np.abs(leak) ** 2, axis=1)) / np.bincount(degree)
            np.testing.assert_allclose(found, want, rtol=1e-10)
