"""What records refuse, in their words."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scanproc.errors import ScanDataError
from scanproc.records.answers.comparison import Reference
from scanproc.records.answers.curves import Curve, Curves
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.impulse import ImpulseSet
from scanproc.records.fitted.fit_plan import FitPlan

HZ = np.array([100.0, 200.0])
AHEAD = np.array([[1.0, 0, 0]])
REFERENCE = Reference("r", ("ahead",), AHEAD, np.array([2.0]), HZ, np.ones((1, 2)))
DIRECTIONS_PLACE = DirectionSet("s", AHEAD, HZ, np.ones((1, 2)), np.zeros((1, 2)))


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
def test_directions(change: dict[str, object], words: str) -> None:
    with pytest.raises(ScanDataError, match=words):
        replace(DIRECTIONS_PLACE, **change)


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


def test_plans_of_a_fit() -> None:
    two, one, none = np.zeros(2), np.zeros(1), np.empty((0, 3))
    plan = FitPlan(
        HZ, np.array([-1, -1]), np.zeros(3), two, np.zeros(3), np.ones(3), none, None, 0.0, 0.0, none, none,
        (np.nan, np.nan), np.array([100.0]), ("surface", "poles"), np.ones((2, 1)), one, one,
    )  # fmt: skip
    assert plan.at(np.array([200.0])).tolist() == [1]
    for change, words in (
        ({"order": np.array([3])}, "order must have"),
        ({"block_weight": np.ones((1, 1))}, "block_weight must have"),
        ({"noise": two}, "noise must have"),
        ({"moved_m": np.zeros((4, 2))}, "moved_m must have"),
    ):
        with pytest.raises(ScanDataError, match=words):
            replace(plan, **change)


def test_a_plan_for_some_points_takes_along_how_they_are_moved() -> None:
    two, one, none = np.zeros(2), np.zeros(1), np.empty((0, 3))
    moved = np.arange(12.0).reshape(4, 3)
    plan = FitPlan(
        HZ, np.array([-1, -1]), np.zeros(3), two, np.zeros(3), np.ones(3), none, None, 1e-3, 0.0, moved, 2 * moved,
        (np.nan, np.nan), np.array([100.0]), ("surface",), np.ones((1, 1)), one, one,
    )  # fmt: skip
    part = plan.of_points(np.array([3, 1]))
    assert part.moved_m.tolist() == moved[[3, 1]].tolist()
    assert part.moved_variance_m2.tolist() == (2 * moved[[3, 1]]).tolist()
