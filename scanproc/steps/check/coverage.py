"""How the points lie: holes in the sphere, the order they carry, layers, points that repeat others."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull, QhullError, cKDTree

from scanproc.conventions import Integer, Real, mode_count
from scanproc.records.measured.scan import Scan
from scanproc.steps.field.order import highest_order
from scanproc.steps.sound.repeats import SAME_M
from scanproc.waves.harmonics import real_harmonics

WORST_CONDITION = 10.0
"""Largest singular value over smallest of the harmonics at the points, up to which an order counts as carried
(a choice of this project; an even sphere has about 1)."""
HIGHEST_ORDER = 30
NEAR_SHARE = 0.1
"""Points closer than this part of the usual distance to the nearest point are near-duplicates."""


@dataclass(frozen=True)
class Gap:
    """The largest hole: ``radius_deg`` of the largest circle without a point, and its middle."""

    radius_deg: float
    polar_deg: float
    azimuth_deg: float


def largest_gap(direction: Real) -> Gap:
    """The largest empty circle among unit vectors (points, 3): the farthest facet of their convex hull."""
    try:
        planes = ConvexHull(direction).equations
    except (QhullError, ValueError):
        return Gap(180.0, 0.0, 0.0)
    worst = planes[np.argmin(-planes[:, 3])]
    x, y, z = worst[:3]
    radius = np.degrees(np.arccos(np.clip(-worst[3], -1, 1)))
    return Gap(
        float(radius),
        float(np.degrees(np.arctan2(np.hypot(x, y), z))),
        float(np.degrees(np.arctan2(y, x)) % 360),
    )


def carried_order(direction: Real) -> int:
    """The highest order whose harmonics the points tell apart well (see ``WORST_CONDITION``)."""
    top = min(HIGHEST_ORDER, highest_order(len(direction)))
    basis = real_harmonics(top, direction)
    gram = basis.T @ basis
    low, high = 0, top + 1
    while high - low > 1:
        middle = (low + high) // 2
        values = np.linalg.eigvalsh(gram[: mode_count(middle), : mode_count(middle)])
        good = values[0] > 0 and values[-1] <= WORST_CONDITION**2 * values[0]
        low, high = (middle, high) if good else (low, middle)
    return low


def repeats(position_m: Real) -> Integer:
    """Pairs (pairs, 2) of points at the same place, the earlier first."""
    pairs = cKDTree(position_m).query_pairs(SAME_M, output_type="ndarray")
    return np.sort(np.asarray(pairs, dtype=np.int64).reshape(-1, 2), axis=1)


def near_pairs(position_m: Real) -> tuple[Integer, float]:
    """Pairs of points nearly at the same place, and the usual distance to the nearest point in metres."""
    nearest = cKDTree(position_m).query(position_m, k=min(3, len(position_m)))[0][:, 1:]
    usual = float(np.median(np.where(nearest[:, 0] > SAME_M, nearest[:, 0], nearest[:, -1])))
    pairs = cKDTree(position_m).query_pairs(NEAR_SHARE * usual, output_type="ndarray").reshape(-1, 2)
    apart = np.linalg.norm(position_m[pairs[:, 0]] - position_m[pairs[:, 1]], axis=1) > SAME_M
    return np.sort(pairs[apart].astype(np.int64), axis=1), usual


def repeatability_db(scan: Scan, pairs: Integer) -> Real:
    """Typical difference of a pair of repeats over √2, re the pressure, in dB (F,): the noise of one value."""
    one, other = scan.pressure_pa[pairs[:, 0]], scan.pressure_pa[pairs[:, 1]]
    size = np.maximum(np.median(np.abs(scan.pressure_pa), axis=0), 1e-300)
    apart = np.median(np.abs(one - other), axis=0) / np.sqrt(2 * np.log(2)) / np.sqrt(2)
    level: Real = 20 * np.log10(np.maximum(apart / size, 1e-15))
    return level
