"""More points on the surface of a scan, or fewer: as dense here and there as an even scan of it would be, or one that
looks even from elsewhere."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Integer, Real
from scanproc.steps.points.subsets import farthest_first, whole_shell
from scanproc.waves.directions import fibonacci_sphere

NEAREST = 3
GAP = 1.5
"""A place farther from all scanned points than this many spacings lies in a gap, and is not taken."""
PLACES = 4
"""Places to choose from for each point, where a surface is no sphere,"""
CLOSE_PLACES = 12
"""or where points close to a place lie denser than those far from it."""


def like_these(position_m: Real, layer: Integer | None, count: int) -> Real:
    """Positions (about ``count``, 3) of an even scan of the surface that scanned ones (points, 3) lie on, layer by
    ``layer`` (points,). Gaps of the scan stay gaps."""
    return np.concatenate(layers_like_these(position_m, layer, count))


def layers_like_these(
    position_m: Real, layer: Integer | None, count: int, view_m: Real | None = None
) -> list[Real]:
    """The same, each layer on its own; even as seen from ``view_m`` (3,) if that is given."""
    layers = np.zeros(len(position_m), np.int64) if layer is None else layer
    middle = position_m.mean(axis=0)
    parts = []
    for number, one in enumerate(np.unique(layers)):
        scanned = position_m[layers == one]
        wanted = round(count * len(scanned) / len(position_m))
        even = _even(scanned, middle, wanted if view_m is None else CLOSE_PLACES * wanted, number)
        if view_m is not None:
            away = even - view_m
            seen = away / np.linalg.norm(away, axis=1)[:, None]
            even = even[farthest_first(seen, round(len(even) / CLOSE_PLACES), np.random.default_rng(number))]
        parts.append(even)
    return parts


def _even(scanned: Real, middle: Real, wanted: int, number: int) -> Real:
    """Even positions (wanted, 3) on the surface that scanned ones (points, 3) lie on."""
    centre = _centre(scanned)
    if whole_shell(scanned, centre) is not None:
        return _surface(scanned, centre, wanted, number)
    places = _surface(scanned, middle, PLACES * wanted, number)
    kept = min(len(places), round(wanted * len(places) / (PLACES * wanted)))
    return places[farthest_first(places, kept, np.random.default_rng(number))]


def _centre(position_m: Real) -> Real:
    """Of the sphere nearest to positions (points, 3): |x|² = 2 x·centre + constant, by least squares."""
    terms = np.column_stack([2 * position_m, np.ones(len(position_m))])
    found: Real = np.linalg.lstsq(terms, np.sum(position_m**2, axis=1))[0][:3]
    return found


def _surface(scanned: Real, middle: Real, count: int, number: int) -> Real:
    """Directions spread evenly about the middle, each as far out as the scanned points around it."""
    offset = scanned - middle
    radius = np.linalg.norm(offset, axis=1)
    tree = cKDTree(offset / radius[:, None])
    wanted = fibonacci_sphere(count) @ _turn(number).T
    distance, near = tree.query(wanted, k=min(NEAREST, len(radius)))
    closeness = 1 / np.maximum(distance, 1e-9)
    out = np.sum(closeness * radius[near], axis=1) / closeness.sum(axis=1)
    covered = distance[:, 0] < GAP * np.sqrt(4 * np.pi / len(radius))
    found: Real = middle + (wanted * out[:, None])[covered]
    return found


def _turn(number: int) -> Real:
    """A rotation, another for each layer, the same every time."""
    turned: Real = np.linalg.qr(np.random.default_rng(number).normal(size=(3, 3)))[0]
    return turned
