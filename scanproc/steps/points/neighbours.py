"""Points so close to each other that one gives away the other."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Integer
from scanproc.records.scan import ScanSetup

SHARE_OF_SPACING = 0.75
"""Nothing nearer than this part of the usual spacing lies on an even layer, so only twins are found."""
MOST_NEIGHBOURS = 5


def usual_spacing_m(setup: ScanSetup) -> float:
    """Distance between neighbours if the points of one layer were spread evenly over its surface.

    The surface is taken as the sphere with the median radius about the points' middle.
    """
    radius = np.linalg.norm(setup.position_m - setup.position_m.mean(axis=0), axis=1)
    layers = 1 if setup.layer is None else len(np.unique(setup.layer))
    return float(np.median(radius)) * float(np.sqrt(4 * np.pi * layers / setup.points))


def groups(setup: ScanSetup, tested: Integer, wavelength_m: float) -> Integer:
    """Each tested point with the neighbours that must be left out with it, (tests, members).

    Neighbours are nearer than half a wavelength and than 0.75 of the usual spacing of one layer; the bound by the
    spacing keeps an evenly scanned surface from having holes torn into it where it is sampled well. The tested
    point comes first and stands in for members that do not exist.
    """
    reach = min(wavelength_m / 2, SHARE_OF_SPACING * usual_spacing_m(setup))
    tree = cKDTree(setup.position_m)
    most = min(MOST_NEIGHBOURS + 1, setup.points)
    distance, near = tree.query(setup.position_m[tested], k=most, distance_upper_bound=reach)
    near = np.where(np.isfinite(distance), near, tested[:, None])
    return _tested_first(near.astype(np.int64), tested)


def _tested_first(near: Integer, tested: Integer) -> Integer:
    """The tested point moved to the front; columns that hold only stand-ins dropped."""
    others = near != tested[:, None]
    order = np.argsort(~others, axis=1, kind="stable")
    sorted_near = np.take_along_axis(near, order, axis=1)[:, : int(others.sum(axis=1).max(initial=0))]
    return np.concatenate([tested[:, None], sorted_near], axis=1)
