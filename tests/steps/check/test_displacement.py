"""Points that are a little off: the test against brute force, and the chance of a wrong accusation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from small_scans import even_points

from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.check.displacement import (
    PRIOR,
    TOLERATED_M,
    Displacement,
    displaced,
    displacement,
    gradient_of,
)
from scanproc.steps.check.left_out import LeftOut, expected, models_of

SOURCE = np.array([0.04, 0.0, 0.02])
FREQUENCY = np.geomspace(200.0, 1500.0, 6)
OFF = 17
FREEDOM = 20.0
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
    noise = rng.standard_normal((300, 6)) + 1j * rng.standard_normal((300, 6))
    setup = ScanSetup(stated, speed_of_sound_m_s=343.0, environment="anechoic")
    return Scan(setup, FREQUENCY, sound_at(actual) + 5e-3 * noise)


@pytest.fixture(scope="module")
def found(scan: Scan) -> LeftOut:
    return expected(scan, models_of(scan), np.arange(300) != OFF)


@pytest.fixture(scope="module")
def tested(found: LeftOut) -> Displacement:
    return displacement(found, found.variance, FREEDOM)


def test_only_the_misplaced_point_stands_out(tested: Displacement) -> None:
    assert np.flatnonzero(tested.excess > tested.chance).tolist() == [OFF]


def test_errors_are_as_large_as_predicted(found: LeftOut) -> None:
    """Their squares over the variance have the mean one (noise of 5e-3 in each part, so 5e-5 and more)."""
    assert np.mean(np.abs(found.error[found.used]) ** 2 / found.variance[found.used]) == pytest.approx(
        1, abs=0.15
    )
    assert np.median(found.variance) == pytest.approx(2 * 5e-3**2, rel=0.5)


def test_a_point_that_takes_no_part_is_predicted_from_the_others(scan: Scan, found: LeftOut) -> None:
    told = scan.pressure_pa[OFF] - found.error[OFF]
    exact = sound_at(scan.setup.position_m[[OFF]])[0]
    assert np.abs(told - exact).max() < 3 * np.sqrt(found.variance[OFF].max())


def test_where_it_was(scan: Scan, found: LeftOut) -> None:
    """About a point source the sound tells the distance alone."""
    where, left = displaced(found, np.array([OFF]), 1 / found.variance[[OFF]])
    stated = scan.setup.position_m[OFF]
    told, exact = (np.linalg.norm(stated + move - SOURCE) for move in (where[0], MOVED_M))
    assert told == pytest.approx(exact, abs=1e-3)
    assert left[0] < 2 * len(FREQUENCY)


def test_the_excess_is_that_of_a_constrained_search(found: LeftOut, tested: Displacement) -> None:
    gradient = gradient_of(found, np.arange(300), np.zeros((300, 3)))

    def left(d_mm: np.ndarray, point: int) -> float:
        d = d_mm / 1000
        missed = (found.error[point] - gradient[point] @ d) / np.sqrt(found.variance[point])
        return float(np.sum(np.abs(missed) ** 2) + PRIOR * d @ d)

    within = {"type": "ineq", "fun": lambda d_mm: (1000 * TOLERATED_M) ** 2 - d_mm @ d_mm}
    for point in (OFF, 3, 120):
        free = minimize(
            left,
            np.zeros(3),
            (point,),
            "Nelder-Mead",
            options={"xatol": 1e-9, "fatol": 1e-9, "maxiter": 5000, "maxfev": 5000},
        )
        held = minimize(left, np.zeros(3), (point,), "SLSQP", constraints=[within], options={"ftol": 1e-12})
        assert tested.excess[point] == pytest.approx(held.fun - free.fun, rel=2e-3, abs=2e-2)


def test_two_centimetres_outwards_are_noticed(scan: Scan) -> None:
    """Wherever the point lies, and whatever the noise."""
    off, points = scan.setup.position_m.copy(), [30, 31, 160, 161]
    off[points] *= 1 + 0.02 / np.linalg.norm(off[points], axis=1)[:, None]
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((300, 6)) + 1j * rng.standard_normal((300, 6))
    moved = replace(scan, pressure_pa=sound_at(off) + 5e-3 * noise)
    here = expected(moved, models_of(moved), ~np.isin(np.arange(300), points))
    test = displacement(here, here.variance, FREEDOM)
    assert (test.excess > test.chance)[points].all()
