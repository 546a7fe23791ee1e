"""Reading off and carrying on the number of points, against lines and tables made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.steps.points.law import Projection, by_curve, carried_on, crossing, project, with_other

SIZE = np.array([100.0, 200.0, 400.0])


@pytest.mark.parametrize(
    ("error", "points"),
    [
        ([-30.0, -40.0, -50.0], 100),  # met with the fewest
        ([-15.0, -35.0, -50.0], 100 * 2**0.5),  # half way between the first two
        ([-30.0, -20.0, -30.0], 200 * 2**0.5),  # what the first size promised did not last
        ([-10.0, -25.0, -50.0], 200),
    ],
)
def test_crossing(error, points):
    assert crossing(SIZE, np.array(error), -25.0) == pytest.approx(points)


def test_a_target_that_all_miss_has_no_crossing():
    assert np.isnan(crossing(SIZE, np.array([0.0, -10.0, -24.9]), -25.0))


def box_law():
    """√m at k·a of the boundary-element box in the design of the study: 13.8, 19.7, 26.3 at 9.5, 15.9, 22.3."""
    return np.array([9.5, 15.9, 22.3]), np.array([13.8, 19.7, 26.3])


def test_the_published_box_is_a_line():
    """Its last number follows from a line through bands around the first two within 10 %."""
    ka, root = box_law()
    low = np.linspace(ka[0], ka[1], 5)
    needed = np.interp(low, ka, root) ** 2
    found = project(low, needed, np.ones(5, bool), ka[2])
    assert found.points == pytest.approx(root[2] ** 2, rel=0.1)
    assert found.low < root[2] ** 2 < found.high


def test_intervals_hold_fresh_draws():
    """Bands that scatter by 3 % about a line: the 95 % interval holds about that share of new ones."""
    rng = np.random.default_rng(8)
    frequency = 1000 * 10 ** (np.arange(7) / 10)
    truth = 4 + frequency / 200
    held = 0
    for _ in range(300):
        root = truth * (1 + 0.03 * rng.normal(size=7))
        found = project(frequency[:6], root[:6] ** 2, np.ones(6, bool), frequency[6])
        held += found.low <= root[6] ** 2 <= found.high
    assert held >= 0.92 * 300


@pytest.mark.parametrize(
    ("known", "wanted", "reason"),
    [
        (3, 2000.0, "in 3 bands below, 4 are needed"),
        (6, 9000.0, "too far above"),
    ],
)
def test_refusals_say_why(known, wanted, reason):
    frequency = 1000 * 10 ** (np.arange(6) / 10)
    found = project(frequency, (4 + frequency / 200) ** 2, np.arange(6) < known, wanted)
    assert np.isnan(found.points)
    assert reason in found.reason


def test_scattered_bands_are_refused():
    frequency = 1000 * 10 ** (np.arange(6) / 10)
    needed = np.array([100.0, 300, 120, 400, 200, 600])
    assert "too wide" in project(frequency, needed, np.ones(6, bool), 4500.0).reason


def test_where_numbers_grow_faster_only_the_nearest_bands_count() -> None:
    """√points = 10 up to 2.5 kHz and then 4 more per kHz; no fit holds all that is radiated in the band asked for."""
    frequency = 1000 * 10 ** (np.arange(8) / 10)
    needed = (10 + np.maximum(frequency - frequency[4], 0) / 250) ** 2
    wanted = 1000 * 10**0.8
    truth = (10 + (wanted - frequency[4]) / 250) ** 2
    known = np.ones(8, bool)
    assert project(frequency, needed, known, wanted).points < 0.8 * truth
    assert project(frequency, needed, known, wanted, complete=False).points == pytest.approx(truth, rel=1e-9)


NO_LAW = Projection(np.nan, np.nan, np.nan, "no law")


def test_a_curve_is_carried_on_a_little() -> None:
    size, error = np.array([100.0, 200.0, 400.0]), np.array([-5.0, -16.0, -22.0])
    found = by_curve(size, error, -24.0)
    assert found is not None
    assert found.points == pytest.approx(400 * 2 ** (1 / 3))  # 6 dB per doubling, 2 dB short
    assert found.low == pytest.approx(400, rel=0.01)
    assert found.high == pytest.approx(400 * 2 ** (2 / 3), rel=0.01)
    assert by_curve(size, error, -30.0) is None
    assert by_curve(size, np.array([-5.0, -22.0, -22.0]), -24.0) is None
    assert by_curve(size[:1], error[-1:], -24.0) is None
    assert by_curve(size, np.array([-2.0, -3.0, -18.0]), -23.0) is None  # steep, since it just begins
    assert carried_on(NO_LAW, size, error, -24.0) is NO_LAW


def test_law_and_curve_are_weighted_by_what_they_know() -> None:
    size, error = np.array([100.0, 200.0, 400.0]), np.array([-5.0, -16.0, -22.0])
    law = Projection(600.0, 500.0, 720.0)
    near, far = carried_on(law, size, error, -23.0), carried_on(law, size, error, -30.0)
    assert near.points == pytest.approx(400 * 2 ** (1 / 6), rel=0.1)  # 1 dB short: the curve knows
    assert far.points == pytest.approx(600, rel=0.1)  # 8 dB short: the law does
    assert near.low < near.points < near.high
    flat = carried_on(law, size, np.array([-5.0, -22.0, -22.0]), -23.0)
    assert flat.points == pytest.approx(600)
    assert (flat.low, flat.high) == (pytest.approx(500, rel=0.01), pytest.approx(720, rel=0.01))


def test_what_law_and_curve_cannot_tell_is_refused() -> None:
    size, error = np.array([100.0, 200.0, 400.0]), np.array([-5.0, -22.0, -22.0])
    few = carried_on(Projection(300.0, 280.0, 330.0), size, error, -25.0)
    assert "should be enough here, they are not" in few.reason
    wide = carried_on(Projection(1600.0, 1100.0, 2100.0), size, np.array([-5.0, -16.0, -22.0]), -26.0)
    assert "too wide" in wide.reason


def test_an_interval_holds_what_the_other_way_says() -> None:
    taken, refused = Projection(400.0, 350.0, 500.0), Projection(np.nan, np.nan, np.nan, "too wide")
    assert with_other(taken, refused) == taken
    assert with_other(taken, Projection(700.0, 600.0, 900.0)) == Projection(400.0, 350.0, 700.0)
    assert with_other(taken, Projection(300.0, 200.0, 400.0)) == Projection(400.0, 300.0, 500.0)
