"""Whether a scan has two layers of points, which tell the device from the room."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Real
from scanproc.records.measured.scan import ScanSetup

NEIGHBOURS = 8
"""Points on about the same ray, whose radii are compared after a plane through them is taken away."""
LEAST_DEPTH = 0.01
"""Depth over radius below which points count as one layer (rounding and roughness of one surface)."""


def has_two_layers(setup: ScanSetup, middle_m: Real) -> bool:
    """Whether points lie at different distances from the device's middle in about the same directions.

    The file's own numbers of layers decide where it has them.
    """
    if setup.layer is not None:
        return len(np.unique(setup.layer)) > 1
    offset = setup.position_m - middle_m
    radius = np.linalg.norm(offset, axis=1)
    return _local_depth(offset / radius[:, None], radius) >= LEAST_DEPTH * float(np.median(radius))


def _local_depth(direction: Real, radius: Real) -> float:
    """Median over points of the spread (two deviations) of radius about a plane through neighbours."""
    if len(radius) < NEIGHBOURS:
        return float(2 * np.std(radius))
    nearest = cKDTree(direction).query(direction, k=NEIGHBOURS)[1]
    near = radius[nearest]
    offset = direction[nearest] - direction[:, None, :]
    plane = np.concatenate([np.ones((*near.shape, 1)), offset], axis=-1)
    fitted = plane @ (np.linalg.pinv(plane, rcond=1e-3) @ near[..., None])
    left = np.sum((near - fitted[..., 0]) ** 2, axis=1) / (NEIGHBOURS - 3)
    return float(2 * np.sqrt(np.median(left)))
