"""Numbers of points from tables made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.steps.points.law import Projection
from scanproc.steps.points.needed import needed_points


def test_a_curve_that_will_not_go_on_straight_leaves_it_to_the_law() -> None:
    """√points = 4 + f / 250 Hz in six bands; the curves of the next two fall steeply at the last size."""
    frequency = 1000 * 10 ** (np.arange(8) / 10)
    needed = (4 + frequency / 250) ** 2
    size = np.array([10.0, 20, 40, 80, 160, 320])
    error = -25 - 20 * np.log2(size[:, None] / needed)
    error[:, 6:] = np.array([-1.0, -2, -4, -8, -12, -24.4])[:, None]

    def told(complete: bool) -> list[Projection]:
        whole = np.array(6 * [True] + 2 * [complete])
        return needed_points(size, error, np.full(error.shape, np.nan), frequency, -25.0, {}, whole)

    by_both, by_law = told(True)[6], told(False)[6]
    assert by_both.points < 350  # 0.6 dB short of the target, 12.4 dB per doubling: 331
    assert by_law.points == pytest.approx(needed[6], rel=0.01)
    assert "too far above 3.16 kHz" in told(False)[7].reason
    assert "holds all that the device radiates" in told(False)[7].reason
