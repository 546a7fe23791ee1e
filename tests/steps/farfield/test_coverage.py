"""Stated 95 % intervals of a default fit hold the truth of a boundary-element box (tests/benchmarks/coverage.py)."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.coverage import EXACT, Device, device, held, scores, true_values
from tests.benchmarks.coverage import Sources as PointSources

SCANS, DRAWS, POINTS, SNR_DB = 30, 60, 200, 40.0
LEAST = 0.95 - 2 * np.sqrt(0.95 * 0.05 / (SCANS * 4))
"""Two standard deviations of the share below 95 %: the errors of a set of points at a frequency count as one value."""


@pytest.fixture(scope="module")
def box() -> Device:
    return device("bem-box-f")


@pytest.fixture(scope="module")
def found(box: Device) -> dict[str, np.ndarray]:
    return scores(box, POINTS, SNR_DB, DRAWS, SCANS, 1)


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "on axis",
        "listening window",
        "sound power",
        EXACT,
        "sound power directivity index",
        "early reflections directivity index",
        "horizontal beamwidth",
        "vertical beamwidth",
    ],
)
def test_intervals_hold_the_truth(name: str, found: dict[str, np.ndarray]) -> None:
    assert held(found[name]) >= LEAST


def test_the_truth_is_that_of_a_dipole_in_closed_form() -> None:
    """Two opposite sources close together: cos θ, -6 dB at arccos(10^-0.3), 10·log10(3) dB of directivity."""
    k, apart = 1.0, 1e-3
    place = np.array([[apart / 2, 0.0, 0.0], [-apart / 2, 0.0, 0.0]])
    true = true_values(PointSources(place, np.array([1.0, -1.0]), k))
    assert true["directivity index, exact"] == pytest.approx(10 * np.log10(3), abs=1e-4)
    width = 2 * np.degrees(np.arccos(10**-0.3))
    assert true["horizontal beamwidth, -6 dB"] == pytest.approx(width, abs=0.05)
    assert true["vertical beamwidth, -6 dB"] == pytest.approx(width, abs=0.05)
