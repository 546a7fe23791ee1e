"""Well-spread random parts of a set of points."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Integer, Real
from scanproc.records.measured.scan import ScanSetup
from scanproc.waves.directions import fibonacci_sphere

UNEVENNESS = 0.3
"""How far chance may bend the rule "the farthest point next"; with none the first halvings leave a lattice."""
NEIGHBOURS = 12
"""Scanned points tried for each wanted place."""
FEWEST = 12
"""Points in the smallest part."""


def subset_sizes(points: int, count: int, smallest_share: float = 0.1) -> Integer:
    """``count`` numbers of points or fewer, rising in equal ratios from ``smallest_share`` to all."""
    lowest = min(points, max(FEWEST, smallest_share * points))
    return np.unique(np.geomspace(lowest, points, count).round().astype(np.int64))


def spread_subset(setup: ScanSetup, size: int, rng: np.random.Generator) -> Integer:
    """Indices (size,), rising, of a random part that is spread over the surface as a scan of that size would be.

    Each layer gives its share. On a shell the points nearest to an even set, turned at random; elsewhere farthest
    points first.
    """
    layers = np.zeros(setup.points, np.int64) if setup.layer is None else setup.layer
    parts = [np.flatnonzero(layers == one) for one in np.unique(layers)]
    wanted = _shares(np.array([len(part) for part in parts]), size)
    centre = setup.position_m.mean(axis=0)
    chosen = [
        part[_spread(setup.position_m[part], centre, int(count), rng)]
        for part, count in zip(parts, wanted, strict=True)
        if count
    ]
    return np.sort(np.concatenate(chosen))


def farthest_first(position_m: Real, count: int, rng: np.random.Generator) -> Integer:
    """Indices (count,) such that the points of every beginning lie far from each other (Gonzalez 1985)."""
    bend = 1 + UNEVENNESS * (rng.random(len(position_m)) - 0.5)
    order = np.empty(count, dtype=np.int64)
    order[0] = rng.integers(len(position_m))
    nearest = np.full(len(position_m), np.inf)
    for index in range(1, count):
        offset = position_m - position_m[order[index - 1]]
        np.minimum(nearest, np.einsum("ij,ij->i", offset, offset) * bend, out=nearest)
        nearest[order[index - 1]] = -1.0
        order[index] = np.argmax(nearest)
    return order


def _spread(position: Real, centre: Real, count: int, rng: np.random.Generator) -> Integer:
    if count >= len(position):
        return np.arange(len(position))
    even = whole_shell(position, centre)
    return farthest_first(position, count, rng) if even is None else _nearest_to_even(even, count, rng)


def whole_shell(position: Real, centre: Real) -> Real | None:
    """Directions of points that cover a sphere about the middle of the scan evenly, or None."""
    offset = position - centre
    radius = np.linalg.norm(offset, axis=1)
    if np.ptp(radius) > 0.1 * np.median(radius) or len(position) < 2 * NEIGHBOURS:
        return None
    direction = offset / radius[:, None]
    gap = cKDTree(direction).query(fibonacci_sphere(len(position)))[0]
    return direction if gap.max() < 3.5 / np.sqrt(len(position)) else None


def _nearest_to_even(direction: Real, count: int, rng: np.random.Generator) -> Integer:
    """The free point nearest to each place of an even set, places with a near point first."""
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    distance, near = cKDTree(direction).query(fibonacci_sphere(count) @ turn.T, k=NEIGHBOURS)
    taken = np.zeros(len(direction), dtype=bool)
    for place in np.argsort(distance[:, 0], kind="stable"):
        free = near[place][~taken[near[place]]]
        if len(free):
            taken[free[0]] = True
    missing = count - int(taken.sum())
    taken[rng.permutation(np.flatnonzero(~taken))[:missing]] = True
    return np.flatnonzero(taken)


def _shares(have: Integer, size: int) -> Integer:
    """``size`` split in proportion to ``have``, largest remainders first."""
    exact = have * (size / have.sum())
    share = np.floor(exact).astype(np.int64)
    rest = size - int(share.sum())
    share[np.argsort(share - exact, kind="stable")[:rest]] += 1
    return share
