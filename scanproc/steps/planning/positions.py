"""Points on shells and drums, even about the middle or as seen from elsewhere, in an order that is short to travel and
may stop at any time."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.records.answers.scan_plan import Positions
from scanproc.steps.points.subsets import farthest_first
from scanproc.waves.directions import fibonacci_sphere

GOLDEN_ANGLE = np.pi * (3 - np.sqrt(5))
PASS_SHARE = 0.06
"""Points of one pass around the device, as a part of all: fewer spread sooner, more travel less."""
FEWEST_PER_PASS = 24


def shell(radius_m: float, count: int, turn: int) -> Real:
    """Even points (count, 3) on a sphere; each ``turn`` is rotated against the others."""
    return radius_m * _directions(count, turn)


def shell_seen_from(view_m: Real, radius_m: float, count: int, turn: int) -> Real:
    """Points (count, 3) on the same sphere, even as seen from a place (3,) inside it."""
    direction = _directions(count, turn)
    along = direction @ view_m
    return view_m + direction * (np.sqrt(along**2 + radius_m**2 - view_m @ view_m) - along)[:, None]


def drum_seen_from(view_m: Real, radius_m: float, half_height_m: float, count: int, turn: int) -> Real:
    """Points (count, 3) on an upright cylinder with lids, even as seen from a place (3,) inside it."""
    direction = _directions(count, turn)
    flat = np.maximum(np.sum(direction[:, :2] ** 2, axis=1), np.finfo(float).tiny)
    along = direction[:, :2] @ view_m[:2]
    room = radius_m**2 - view_m[:2] @ view_m[:2]
    to_side = (np.sqrt(along**2 + flat * room) - along) / flat
    steep = np.maximum(np.abs(direction[:, 2]), np.finfo(float).tiny)
    to_lid = (half_height_m - np.sign(direction[:, 2]) * view_m[2]) / steep
    return view_m + direction * np.minimum(to_side, to_lid)[:, None]


def drum(radius_m: float, half_height_m: float, count: int, turn: int) -> Real:
    """Even points (count, 3) on an upright cylinder, side and both lids."""
    lid = round(count * radius_m / (2 * radius_m + 4 * half_height_m))
    side = count - 2 * lid
    index = np.arange(side)
    azimuth = GOLDEN_ANGLE * index + turn
    height = half_height_m * (1 - (2 * index + 1) / side)
    around = np.column_stack([radius_m * np.cos(azimuth), radius_m * np.sin(azimuth), height])
    return np.concatenate(
        [_lid(radius_m, half_height_m, lid, turn), around, _lid(radius_m, -half_height_m, lid, turn)]
    )


def travel_order(
    position_m: Real, layer: Integer, rng: np.random.Generator, view_m: Real | None = None
) -> Positions:
    """The points in passes: each pass fills the widest gaps left by those before, and goes from point to nearest point.

    After every complete pass the points so far are spread over all layers; a pass that was cut short adds to that. With
    a ``view_m`` (3,) gaps are as wide as they look from there.
    """
    seen = position_m if view_m is None else position_m - view_m
    apart = seen if view_m is None else seen / np.linalg.norm(seen, axis=1)[:, None]
    order = farthest_first(apart, len(position_m), rng)
    return in_passes(position_m[order], layer[order])


def in_passes(position_m: Real, layer: Integer) -> Positions:
    """Points (points, 3) in passes from the first to the last, each from point to nearest point."""
    each = max(FEWEST_PER_PASS, round(PASS_SHARE * len(position_m)))
    here = position_m[0]
    path = []
    for start in range(0, len(position_m), each):
        part = _tour(position_m, np.arange(start, min(start + each, len(position_m))), here)
        here = position_m[part[-1]]
        path.append(part)
    chosen = np.concatenate(path)
    return Positions(position_m[chosen], layer[chosen])


def travel_m(position_m: Real) -> float:
    """Length of the straight lines from point to point."""
    return float(np.sum(np.linalg.norm(np.diff(position_m, axis=0), axis=1)))


def _tour(position: Real, part: Integer, start: Real) -> Integer:
    """The part from nearest point to nearest point."""
    left = list(part)
    tour = []
    while left:
        at = int(np.argmin(np.linalg.norm(position[left] - start, axis=1)))
        tour.append(left.pop(at))
        start = position[tour[-1]]
    return np.array(tour)


def _directions(count: int, turn: int) -> Real:
    """Even directions (count, 3)."""
    angle = 0.6 * turn
    cos, sin = np.cos(angle), np.sin(angle)
    tilt = np.array([[1, 0, 0], [0, cos, -sin], [0, sin, cos]])
    return fibonacci_sphere(count) @ tilt.T


def _lid(radius: float, height: float, count: int, turn: int) -> Real:
    index = np.arange(count)
    rho = radius * np.sqrt((index + 0.5) / max(count, 1))
    azimuth = GOLDEN_ANGLE * index + turn
    return np.column_stack([rho * np.cos(azimuth), rho * np.sin(azimuth), np.full(count, height)])
