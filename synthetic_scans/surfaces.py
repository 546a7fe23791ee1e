"""Where the microphone goes: shells, a drum, a spiral."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Integer, Real

GOLDEN_ANGLE = np.pi * (3 - np.sqrt(5))


def sphere_points(count: int) -> Real:
    """Unit vectors (count, 3) spread evenly: equal shares of height, golden angle between points."""
    z = 1 - (2 * np.arange(count) + 1) / count
    turn = GOLDEN_ANGLE * np.arange(count)
    radius = np.sqrt(1 - z * z)
    return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), z])


def shells(radii_m: list[float], points: int) -> tuple[Real, Integer]:
    """Concentric shells with equal shares of the points (points, 3), and the shell of each point.

    Each shell is turned against the one before, so that no two points lie on one ray.
    """
    share = np.array_split(np.arange(points), len(radii_m))
    position, layer = [], []
    for index, (radius, part) in enumerate(zip(radii_m, share, strict=True)):
        position.append(radius * sphere_points(len(part)) @ _turned(0.6 * index).T)
        layer.append(np.full(len(part), index))
    return np.concatenate(position), np.concatenate(layer)


def drum(radii_m: list[float], half_heights_m: list[float], points: int) -> tuple[Real, Integer]:
    """Upright cylinders, side and both lids, one inside the other; points in proportion to each area."""
    share = np.array_split(np.arange(points), len(radii_m))
    position = [
        _cylinder(radius, half, len(part))
        for radius, half, part in zip(radii_m, half_heights_m, share, strict=True)
    ]
    layer = np.concatenate([np.full(len(part), index) for index, part in enumerate(share)])
    return np.concatenate(position), layer


def spiral(radius_m: float, points: int, gap_deg: float) -> tuple[Real, Integer]:
    """One pass from the top down to ``gap_deg`` above the stand's pole, even in area.

    Generalised spiral of Saff and Kuijlaars, Math. Intelligencer 19 (1997) 5 (from memory), cut off below.
    """
    z = np.linspace(1, np.cos(np.pi - np.deg2rad(gap_deg)), points)
    radius = np.sqrt(np.clip(1 - z * z, 0, None))
    area = (z[0] - z[-1]) / 2
    step = 3.6 * np.sqrt(area / points) / np.where(radius > 0, radius, np.inf)
    turn = np.cumsum(step)
    position = radius_m * np.column_stack([radius * np.cos(turn), radius * np.sin(turn), z])
    return position, np.zeros(points, np.int64)


def jittered(position_m: Real, spread_m: float, rng: np.random.Generator) -> Real:
    """The points moved by a normal deviate of ``spread_m`` along each axis."""
    return position_m + spread_m * rng.standard_normal(position_m.shape)


def _cylinder(radius: float, half: float, points: int) -> Real:
    lid_share = radius / (2 * radius + 4 * half)
    lid = round(points * lid_share)
    side = points - 2 * lid
    index = np.arange(side)
    turn = GOLDEN_ANGLE * index
    height = half * (1 - (2 * index + 1) / side)
    around = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), height])
    return np.concatenate([_lid(radius, half, lid), around, _lid(radius, -half, lid)])


def _lid(radius: float, height: float, points: int) -> Real:
    index = np.arange(points)
    rho = radius * np.sqrt((index + 0.5) / points)
    turn = GOLDEN_ANGLE * index
    return np.column_stack([rho * np.cos(turn), rho * np.sin(turn), np.full(points, height)])


def _turned(angle: float) -> Real:
    """Rotation by ``angle`` about x, then about z."""
    cos, sin = np.cos(angle), np.sin(angle)
    about_x = np.array([[1, 0, 0], [0, cos, -sin], [0, sin, cos]])
    about_z = np.array([[cos, -sin, 0], [sin, cos, 0], [0, 0, 1]])
    turned: Real = about_z @ about_x
    return turned
