"""The device as a box: where sound can come from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Real
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.view import device_centre_m, device_size_m, relative_wavenumber

LARGEST_SHARE = 0.85
"""No part of the surface is taken to lie farther out than this share of the scanned surface's distance."""


@dataclass(frozen=True, eq=False)
class Box:
    """Middle (3,) and size (3,) = (depth, width, height) in m."""

    centre_m: Real
    size_m: Real

    @property
    def area_m2(self) -> float:
        x, y, z = self.size_m
        return float(2 * (x * y + y * z + z * x))

    def reach_m(self, centre_m: Real) -> Real:
        """Distance from centres (..., 3) to the box's farthest corner, (...)."""
        reach: Real = np.linalg.norm(np.abs(centre_m - self.centre_m) + self.size_m / 2, axis=-1)
        return reach


@dataclass(frozen=True, eq=False)
class Surface:
    """Cells of a surface: ``position_m`` (cells, 3), outward ``normal`` (cells, 3), ``area_m2`` (cells,)."""

    position_m: Real
    normal: Real
    area_m2: Real


def device_box(setup: ScanSetup) -> Box:
    """The stated box, or a guess from the scanned surface."""
    return Box(np.array(device_centre_m(setup)), np.array(device_size_m(setup)))


def heard_at(scan: Scan, box: Box, plan: FitPlan | None = None) -> Real:
    """Positions (points, 3) as the model takes them: moved where the plan says so.

    A device-sized array sees each point's own wave number as a small change of its distance.
    """
    offset = (scan.setup.position_m - box.centre_m) * relative_wavenumber(scan.setup)[:, None]
    moved = plan is not None and len(plan.moved_m) > 0
    return box.centre_m + offset + (plan.moved_m if plan is not None and moved else 0.0)


def box_surface(box: Box, spacing_m: float, inset_m: float, scanned_m: Real) -> Surface:
    """Cells about ``spacing_m`` apart on the box drawn in by ``inset_m`` on every side.

    Cells that would lie near or beyond the scanned points (points, 3), as the corners of a box around a round
    device do, are drawn in along their radius and face along it.
    """
    size = np.maximum(box.size_m - 2 * inset_m, 0.2 * box.size_m)
    faces = [_face(size, axis, side, spacing_m) for axis in range(3) for side in (-0.5, 0.5)]
    position = np.concatenate([face.position_m for face in faces])
    normal = np.concatenate([face.normal for face in faces])
    radius = np.linalg.norm(position, axis=1)
    limit = LARGEST_SHARE * _scanned_radius(position / radius[:, None], scanned_m - box.centre_m) - inset_m
    outside = radius > limit
    normal[outside] = position[outside] / radius[outside, None]
    position[outside] *= (limit / radius)[outside, None]
    return Surface(position + box.centre_m, normal, np.concatenate([face.area_m2 for face in faces]))


def edge_nearness(box: Box, position_m: Real, width_m: float) -> Real:
    """1 on the box's edges, falling like a Gaussian of ``width_m`` with the distance from the nearest, (positions,)."""
    gap = np.sort(box.size_m / 2 - np.abs(position_m - box.centre_m), axis=1)
    distance = np.hypot(gap[:, 0], gap[:, 1])
    return np.exp(-0.5 * ((distance - distance.min()) / width_m) ** 2)


def _scanned_radius(direction: Real, offset_m: Real) -> Real:
    """Distance of the scanned points in about the given directions: the least of the four nearest."""
    radius = np.linalg.norm(offset_m, axis=1)
    _, nearest = cKDTree(offset_m / radius[:, None]).query(direction, k=min(4, len(radius)))
    return radius[nearest.reshape(len(direction), -1)].min(axis=1)


def _face(size: Real, axis: int, side: float, spacing_m: float) -> Surface:
    u, v = (axis + 1) % 3, (axis + 2) % 3
    counts = [max(2, int(np.ceil(size[i] / spacing_m))) for i in (u, v)]
    first, second = ((np.arange(n) + 0.5) / n - 0.5 for n in counts)
    grid = np.empty((counts[0] * counts[1], 3))
    grid[:, axis] = side
    grid[:, u] = np.repeat(first, counts[1])
    grid[:, v] = np.tile(second, counts[0])
    normal = np.zeros_like(grid)
    normal[:, axis] = np.sign(side)
    return Surface(grid * size, normal, np.full(len(grid), size[u] * size[v] / len(grid)))
