"""What a good point's errors may be by chance, against plain draws of errors whose size differs from point to point."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.steps.check.chance import CHANCE, freedom_of, highest_mean, most_explained

FREQUENCIES = 6


def errors(points: int, freedom: float, rng: np.random.Generator) -> np.ndarray:
    """Complex errors of predicted variance one, times a factor of each point's own, (points, F)."""
    parts = rng.standard_normal((2, points, FREQUENCIES)) / np.sqrt(2)
    factor = np.sqrt(freedom / rng.chisquare(freedom, points))
    return (parts[0] + 1j * parts[1]) * factor[:, None]


@pytest.mark.parametrize("freedom", [4.0, 20.0])
def test_the_bars_let_pass_what_they_should(freedom: float) -> None:
    """Of 100 points none in 99 of 100 scans; three real columns, orthonormal in real parts, explain what they may."""
    drawn = errors(1_000_000, freedom, np.random.default_rng(3))
    power = np.abs(drawn) ** 2
    beyond = np.mean(power.mean(axis=1) > highest_mean(100, FREQUENCIES, freedom))
    assert beyond == pytest.approx(CHANCE / 100, rel=0.35)
    explained = drawn[:, 0].real ** 2 + drawn[:, 2].imag ** 2 + drawn[:, 4].real ** 2
    left = power.sum(axis=1) - explained
    beyond = np.mean(explained > most_explained(left, 100, FREQUENCIES, freedom))
    assert beyond == pytest.approx(CHANCE / 100, rel=0.35)


@pytest.mark.parametrize(("freedom", "found"), [(4.0, (3.0, 5.5)), (8.0, (6.0, 11.0)), (1e6, (17.0, 20.0))])
@pytest.mark.parametrize("faulty", [0, 60])
def test_the_spread_of_the_points_is_found_beside_faults(
    freedom: float, found: tuple[float, float], faulty: int
) -> None:
    """60 of 700 points are off by any factor from 1e3 to 1e5 in power: they count neither as usual nor as rare."""
    rng = np.random.default_rng(11)
    ratio = 0.7 * np.abs(errors(700, freedom, rng)) ** 2
    ratio[:faulty] *= 10 ** rng.uniform(3, 5, (faulty, 1))
    assert found[0] <= freedom_of(ratio) <= found[1]


def test_errors_of_nothing_are_no_error() -> None:
    assert 2 <= freedom_of(np.zeros((30, FREQUENCIES))) <= 20
