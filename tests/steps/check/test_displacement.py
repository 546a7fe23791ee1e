"""Points that are a little off: the test against brute force, and the chance of a wrong accusation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from small_scans import even_points

from scanproc.records.scan import Scan, ScanSetup
from scanproc.steps.check.displacement import (
    TOLERATED_M,
    Displacement,
    displaced,
    displacement,
    field_gradient,
    least_excess,
)
from scanproc.steps.check.prediction import Field, Prediction, predict

SOURCE = np.array([0.04, 0.0, 0.02])
FREQUENCY = np.geomspace(200.0, 1500.0, 12)
OFF = 17
MOVED_M = np.array([0.004, 0.009, -0.006])


def sound_at(position: np.ndarray) -> np.ndarray:
    """A point source's field."""
    distance = np.linalg.norm(position - SOURCE, axis=1)[:, None]
    return np.exp(-2j * np.pi * FREQUENCY / 343.0 * distance) / distance


@pytest.fixture(scope="module")
def scan() -> Scan:
    """300 points at 50 dB, one of them elsewhere."""
    stated = np.concatenate([even_points(150, 0.4), even_points(150, 0.45)])
    actual = stated.copy()
    actual[OFF] += MOVED_M
    rng = np.random.default_rng(31)
    noise = rng.standard_normal((300, 12)) + 1j * rng.standard_normal((300, 12))
    return Scan(ScanSetup(stated, speed_of_sound_m_s=343.0), FREQUENCY, sound_at(actual) + 5e-3 * noise)


@pytest.fixture(scope="module")
def prediction(scan: Scan) -> Prediction:
    return predict(scan, np.arange(300) != OFF)


@pytest.fixture(scope="module")
def found(scan: Scan, prediction: Prediction) -> Displacement:
    return displacement(scan, prediction, Field(scan, prediction))


def test_only_the_misplaced_point_stands_out(prediction: Prediction, found: Displacement) -> None:
    assert np.flatnonzero(found.beyond(prediction.used)).tolist() == [OFF]


def test_where_it_was(scan: Scan, prediction: Prediction) -> None:
    """About a point source the sound tells the distance alone."""
    weight = 1 / prediction.typical**2
    where, left = displaced(scan, Field(scan, prediction), np.array([OFF]), weight)
    stated = scan.setup.position_m[OFF]
    told, exact = (np.linalg.norm(stated + move - SOURCE) for move in (where[0], MOVED_M))
    assert told == pytest.approx(exact, abs=1e-3)
    assert left[0] < 2 * 12 / np.log(2)


def test_the_excess_is_that_of_a_constrained_search(
    scan: Scan, prediction: Prediction, found: Displacement
) -> None:
    field = Field(scan, prediction)
    noise = prediction.usual(scan.setup.position_m) / np.sqrt(np.log(2))
    gradient = field_gradient(field, scan.setup.position_m)

    def left(d: np.ndarray, point: int) -> float:
        return float(np.sum(np.abs((prediction.error[point] - gradient[point] @ d) / noise[point]) ** 2))

    within = {"type": "ineq", "fun": lambda d: TOLERATED_M**2 - d @ d}
    for point in (OFF, 3, 120):
        free = minimize(left, np.zeros(3), (point,), "Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-9})
        held = minimize(left, np.zeros(3), (point,), "SLSQP", constraints=[within], options={"ftol": 1e-12})
        assert found.excess[point] == pytest.approx(held.fun - free.fun, rel=2e-3, abs=2e-2)


def test_noise_alone_accuses_hardly_anybody(scan: Scan) -> None:
    """Over 6 draws of noise: 1,800 good points, of which chance may accuse 1 in 1,000."""
    exact, accused = sound_at(scan.setup.position_m), 0
    rng = np.random.default_rng(8)
    used = np.ones(300, dtype=bool)
    for _ in range(6):
        noise = rng.standard_normal((300, 12)) + 1j * rng.standard_normal((300, 12))
        clean = replace(scan, pressure_pa=exact + 5e-3 * noise)
        here = predict(clean, used)
        accused += int(np.sum(displacement(clean, here, Field(clean, here)).excess > least_excess()))
    assert accused <= 1.8 + 3 * np.sqrt(1.8)


def test_a_radial_error_is_noticed_where_the_stated_distance_says(
    scan: Scan, prediction: Prediction, found: Displacement
) -> None:
    """A displacement twice ``noticed_m`` in any direction passes the bar, whatever the noise."""
    off = scan.setup.position_m.copy()
    for point in (30, 31, 160, 161):
        off[point] += 2 * found.noticed_m[point] * off[point] / np.linalg.norm(off[point])
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((300, 12)) + 1j * rng.standard_normal((300, 12))
    moved = replace(scan, pressure_pa=sound_at(off) + 5e-3 * noise)
    used = ~np.isin(np.arange(300), [30, 31, 160, 161])
    here = predict(moved, used, prediction)
    test = displacement(moved, here, Field(moved, here))
    assert test.beyond(used)[[30, 31, 160, 161]].all()
