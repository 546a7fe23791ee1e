"""Where the points of a plan lie: a number of points to layers of positions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.steps.model.box import Box
from scanproc.steps.planning.earlier import Earlier
from scanproc.steps.planning.positions import drum, drum_seen_from, shell, shell_seen_from
from scanproc.steps.points.like_these import layers_like_these

Layers = Callable[[float], list[Real]]
"""Positions (points, 3) of each layer, for about so many points in all."""
LayersFrom = Callable[[Real | None], Layers]
"""The same, even as seen from a place (3,) if one is given."""


def even_layers(surface: str, box: Box, radii_m: Real, view_m: Real | None) -> Layers:
    """As many points on each of the shells or drums about the device's middle, nearest at ``radii_m`` (layers,).

    A drum clears the box by as much as a shell. Points are even over the surface, or as seen from ``view_m`` (3,).
    """
    view = None if view_m is None else view_m - box.centre_m

    def layers(count: float) -> list[Real]:
        total = round(count)
        share: Integer = np.full(len(radii_m), total // len(radii_m))
        share[: total % len(radii_m)] += 1
        return [
            box.centre_m + _surface(surface, box, float(radius), int(points), turn, view)
            for turn, (radius, points) in enumerate(zip(radii_m, share, strict=True))
        ]

    return layers


def earlier_layers(earlier: Earlier, view_m: Real | None) -> Layers:
    """The surface of an earlier scan, its gaps left open; even, or as seen from ``view_m`` (3,)."""
    return lambda count: layers_like_these(earlier.position_m, earlier.layer, round(count), view_m)


def layer_radii(box: Box, clearance_m: float, layers: int, gap_m: float) -> Real:
    """Distances of the layers' nearest points from the middle of the device, (layers,)."""
    radii: Real = (
        float(np.linalg.norm(box.size_m) / 2) + clearance_m + gap_m * np.arange(layers, dtype=np.float64)
    )
    return radii


def nearest_radii(layers: list[Real], box: Box) -> Real:
    """The same of layers of positions (points, 3)."""
    return np.array([np.linalg.norm(one - box.centre_m, axis=1).min() for one in layers])


def _surface(surface: str, box: Box, radius_m: float, count: int, turn: int, view: Real | None) -> Real:
    """About the middle of the box, and so is ``view`` (3,)."""
    if surface == "shell":
        return shell(radius_m, count, turn) if view is None else shell_seen_from(view, radius_m, count, turn)
    clear = radius_m - float(np.linalg.norm(box.size_m) / 2)
    around = float(np.linalg.norm(box.size_m[:2]) / 2) + clear, float(box.size_m[2]) / 2 + clear
    return drum(*around, count, turn) if view is None else drum_seen_from(view, *around, count, turn)
