"""Whether a scan has two layers of points, and whether they are concentric shells."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Integer
from scanproc.errors import ScanDataError
from scanproc.records.scan import ScanSetup
from scanproc.steps.field.view import SHELL_TOLERANCE, View

NEIGHBOURS = 8
"""Points on about the same ray, whose radii are compared after a plane through them is taken away."""
LEAST_DEPTH = 0.01
"""Depth over radius below which points count as one layer (rounding and roughness of one surface)."""

ONE_LAYER = (
    "telling the device from the room needs two layers of points, the scan has one: "
    "scan a second layer 5 to 10 cm away, or gate impulse responses (room.method)"
)


def depth_of_layers_m(setup: ScanSetup, view: View) -> float:
    """How far apart in radius the layers lie, in metres. Raises ScanDataError when there is one layer only."""
    if setup.layer is not None and len(np.unique(setup.layer)) > 1:
        return _labelled_depth(setup.layer, view)
    shells = two_shells(view)
    depth = _local_depth(view) if shells is None else _shell_depth(view, *shells)
    if depth < LEAST_DEPTH * view.scaling_radius_m or setup.layer is not None:
        raise ScanDataError(ONE_LAYER)
    return depth


def two_shells(view: View) -> tuple[Integer, Integer] | None:
    """Indices of the points on the inner and the outer of exactly two concentric shells, else None."""
    middle = (view.radius_m.min() + view.radius_m.max()) / 2
    inner, outer = np.flatnonzero(view.radius_m < middle), np.flatnonzero(view.radius_m >= middle)
    if not len(inner):
        return None
    spread = max(np.ptp(view.radius_m[inner]), np.ptp(view.radius_m[outer]))
    return (inner, outer) if spread <= SHELL_TOLERANCE * view.scaling_radius_m else None


def _labelled_depth(layer: Integer, view: View) -> float:
    """Least distance in radius between neighbouring layers, each point against the nearest ray of the next."""
    labels = np.unique(layer)
    depths = []
    for one, other in pairwise(labels):
        here, there = layer == one, layer == other
        nearest = cKDTree(view.direction[there]).query(view.direction[here])[1]
        depths.append(abs(float(np.median(view.radius_m[there][nearest] - view.radius_m[here]))))
    return min(depths)


def _shell_depth(view: View, inner: Integer, outer: Integer) -> float:
    return float(view.radius_m[outer].min() - view.radius_m[inner].max())


def _local_depth(view: View) -> float:
    """Median over points of the spread (two deviations) of radius about a plane through neighbours."""
    if len(view.radius_m) < NEIGHBOURS:
        return float(2 * np.std(view.radius_m))
    nearest = cKDTree(view.direction).query(view.direction, k=NEIGHBOURS)[1]
    radius = view.radius_m[nearest]
    offset = view.direction[nearest] - view.direction[:, None, :]
    plane = np.concatenate([np.ones((*radius.shape, 1)), offset], axis=-1)
    fitted = plane @ (np.linalg.pinv(plane, rcond=1e-3) @ radius[..., None])
    left = np.sum((radius - fitted[..., 0]) ** 2, axis=1) / (NEIGHBOURS - 3)
    return float(2 * np.sqrt(np.median(left)))
