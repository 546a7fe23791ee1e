"""Multipoles as columns: far and near, told from another centre."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import mode_count
from scanproc.steps.model.box import Box
from scanproc.steps.model.multipoles import Multipoles, low_multipoles
from scanproc.waves.directions import fibonacci_sphere

SCALING_M = 0.5
LARGE = Box(np.zeros(3), np.full(3, 10.0))


def test_far_away_the_columns_are_their_far_field() -> None:
    """p r e^{jkr} at 2 km, the distance told from another centre than that of the terms."""
    k, centre, far_m = 8.0, np.array([0.1, -0.05, 0.0]), 2e3
    direction = fibonacci_sphere(40)
    low_ones = low_multipoles(np.array([[0.0, 0.05, 0.1]]), k, 3 * direction, LARGE)
    assert low_ones[0].order == 24
    for one in low_ones:
        low = slice(0, mode_count(4))
        near = one.columns_at(centre + far_m * direction, k, SCALING_M)[:, low]
        want = near * far_m * np.exp(1j * k * far_m)
        found = one.far_columns(direction, centre, k, SCALING_M)[:, low]
        np.testing.assert_allclose(found, want, atol=0.02 * np.abs(want).max())


def test_degrees_that_would_rise_steeply_at_the_nearest_point_are_left_out() -> None:
    """k times its distance is 6.0 and 1.0: degrees to 7 about the first place, to 1 about the second."""
    place = np.array([[0.0, 0.0, 0.0], [0.25, 0.0, 0.0]])
    scanned = 0.3 * np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
    orders = [one.order for one in low_multipoles(place, 20.0, scanned, LARGE)]
    assert orders == [7, 1]
    first = Multipoles(place[0], (9,), ("all",), (1.0,))
    near, far = (np.abs(first.columns_at(r * scanned / 0.3, 20.0, 0.5)).max(axis=0) for r in (0.3, 0.5))
    zonal = np.arange(10) * (np.arange(10) + 1)
    rise = near[zonal] / far[zonal]
    assert rise[:8].max() < 4  # the distance alone makes 0.5 / 0.3
    assert rise[9] > 8


def test_degrees_that_only_sources_beyond_a_place_would_make_are_left_out() -> None:
    """k is 40: of a box 0.2 m long a place reaches 0.05 m, so degrees to 40 * 0.05 + 4 = 6, in whole groups 5."""
    place, box = np.zeros((1, 3)), Box(np.zeros(3), np.array([0.2, 0.1, 0.1]))
    assert low_multipoles(place, 40.0, fibonacci_sphere(20), box)[0].order == 5
