"""Weights and groups of ANSI/CTA-2034-A (from memory) against the table in tests/truth/direction_curves.json."""

from __future__ import annotations

import numpy as np
import pytest
from truth import rows

from scanproc.waves.orbit_sets import (
    CEILING_BOUNCE,
    FLOOR_BOUNCE,
    FRONT_WALL,
    LISTENING_WINDOW,
    PLACES,
    REAR_WALLS,
    SIDE_WALLS,
    directions,
    power_weights,
    quadrangle_weight,
    zone_weight,
)

SUMS = dict(rows("direction_curves", "sp_weight_sums"))


@pytest.mark.parametrize(
    ("angle", "count", "zone", "quadrangle", "quoted"),
    [(row[0], row[2], row[3], row[4], float(row[5])) for row in rows("direction_curves", "sp_weights")],
)
def test_weights(angle: float, count: int, zone: float, quadrangle: float, quoted: float) -> None:
    assert zone_weight(angle) == pytest.approx(zone, rel=1e-12)
    assert quadrangle_weight(angle) == pytest.approx(quadrangle, rel=1e-12)
    assert quadrangle_weight(angle) == pytest.approx(quoted, abs=6e-10)
    ring = [place for place in PLACES if abs(place[1]) in (angle, 180 - angle)]
    assert len(ring) == 2 * count if angle != 90 else len(ring) == count


def test_sums_of_the_weights() -> None:
    assert power_weights("zones").sum() == pytest.approx(SUMS["zone weights, 70 points"], abs=1e-14)
    assert power_weights("quadrangles").sum() == pytest.approx(
        SUMS["quadrangle weights, 70 points"], abs=1e-12
    )


def test_seventy_different_angles() -> None:
    unit = directions()
    assert len(PLACES) == len(set(PLACES)) == 70
    apart = unit @ unit.T - 2 * np.eye(70)
    assert apart.max() < np.cos(np.deg2rad(9.9))


def test_sizes_of_the_groups() -> None:  # from memory
    groups = [LISTENING_WINDOW, FLOOR_BOUNCE, CEILING_BOUNCE, FRONT_WALL, SIDE_WALLS, REAR_WALLS["all"]]
    assert [len(group) for group in groups] == [9, 3, 3, 7, 10, 19]
    assert all(place in PLACES for group in groups for place in group)
