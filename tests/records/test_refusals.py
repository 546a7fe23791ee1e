"""What records refuse, in their words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scanproc.errors import ScanDataError
from scanproc.records.comparison import Reference
from scanproc.records.curves import Curve, Curves
from scanproc.records.fit_plan import FitPlan, join
from scanproc.records.impulse import ImpulseSet
from scanproc.records.sweeps import SweepSet

HZ = np.array([100.0, 200.0])
AHEAD = np.array([[1.0, 0, 0]])
REFERENCE = Reference("r", ("ahead",), AHEAD, np.array([2.0]), HZ, np.ones((1, 2)))
SWEEPS = SweepSet("s", AHEAD, HZ, np.ones((1, 2)), np.zeros((1, 2)))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"direction": 2 * AHEAD}, "direction must hold unit vectors"),
        ({"label": ("a", "b")}, "label must name all 1 angles, got 2"),
        ({"distance_m": np.array([0.0])}, "distance_m must be above zero at all angles"),
        (
            {"direction": np.empty((0, 3)), "pressure_pa": np.empty((0, 2)), "label": ()},
            "the reference is empty",
        ),
    ],
)
def test_references(change: dict[str, object], words: str) -> None:
    with pytest.raises(ScanDataError, match=words):
        replace(REFERENCE, **change)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"direction": 2 * AHEAD}, "direction must hold unit vectors"),
        ({"delay": "lost"}, 'delay must be "removed" or "kept", got \'lost\''),
        ({"distance_m": np.array([-1.0])}, "distance_m must be above zero"),
    ],
)
def test_sweeps(change: dict[str, object], words: str) -> None:
    with pytest.raises(ScanDataError, match=words):
        replace(SWEEPS, **change)


def test_curves() -> None:
    curve = Curve("on axis", "dB", np.zeros(2), np.zeros(2))
    with pytest.raises(ScanDataError, match="on axis must have 2 values, got 3"):
        Curves(HZ, (replace(curve, value=np.zeros(3), standard_error=np.zeros(3)),))
    with pytest.raises(KeyError):
        Curves(HZ, (curve,)).get("off axis")


def test_impulse_responses() -> None:
    good = ImpulseSet("i", AHEAD, np.zeros((1, 8)), 48000.0, 4, (100.0, 1000.0))
    with pytest.raises(ScanDataError, match="time_zero_sample must be a sample of the responses, got 8"):
        replace(good, time_zero_sample=8)
    with pytest.raises(ScanDataError, match="direction must hold unit vectors"):
        replace(good, direction=2 * AHEAD)


def plan(hz: float, names: tuple[str, ...]) -> FitPlan:
    one, nan = np.array([hz]), np.array([np.nan])
    weight = np.arange(1.0, len(names) + 1)[:, None]
    zero = np.zeros((1, 3))
    return FitPlan(
        one, np.array([3]), zero, one * 0, one * 0, np.array([2]), one * 0, one, zero, zero, nan, nan,
        names, weight, nan, np.zeros(3), np.ones(3), np.empty((0, 3)),
    )  # fmt: skip


def test_plans_of_bands_become_one() -> None:
    low, high = plan(100.0, ("surface",)), plan(200.0, ("poles", "surface"))
    assert join([low]) is low
    both = join([low, high])
    assert both.frequency_hz.tolist() == [100, 200]
    assert both.block_names == ("surface", "poles")
    assert both.block_weight[0].tolist() == [1, 2]
    assert np.isnan(both.block_weight[1, 0])
    assert both.block_weight[1, 1] == 1
    assert both.at(np.array([200.0])).tolist() == [1]
