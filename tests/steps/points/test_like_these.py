"""More points on the surface of a scan: where they would lie."""

from __future__ import annotations

import numpy as np

from scanproc.steps.points.like_these import like_these
from scanproc.waves.directions import fibonacci_sphere


def drum(count):
    direction = fibonacci_sphere(count)
    flat = np.maximum(np.hypot(direction[:, 0], direction[:, 1]) / 0.4, np.abs(direction[:, 2]) / 0.5)
    return direction / flat[:, None]


def test_more_points_lie_on_the_surface_that_was_scanned():
    """Of a drum 0.4 m in radius and 0.5 m in half height: inside by the sag of a curve between neighbours at most."""
    found = like_these(drum(600), None, 900)
    assert len(found) == 900
    out = np.maximum(np.hypot(found[:, 0], found[:, 1]) / 0.4, np.abs(found[:, 2]) / 0.5)
    assert np.all(np.abs(out - 1) < 0.07)
    assert abs(np.median(out) - 1) < 0.01


def test_gaps_stay_gaps_and_layers_keep_their_shares():
    shell = fibonacci_sphere(400)
    kept = shell[:, 2] > -0.6
    position = np.concatenate([0.3 * shell[kept], 0.4 * shell[kept]])
    layer = np.repeat([0, 1], kept.sum())
    found = like_these(position, layer, 1000)
    middle = position.mean(axis=0)
    direction = (found - middle) / np.linalg.norm(found - middle, axis=1)[:, None]
    scanned = (position - middle) / np.linalg.norm(position - middle, axis=1)[:, None]
    nearest = np.arccos(np.clip((direction @ scanned.T).max(axis=1), -1, 1))
    assert np.degrees(nearest.max()) < 1.5 * np.degrees(np.sqrt(4 * np.pi / kept.sum())) + 1
    assert len(found) < 950
    radius = np.linalg.norm(found, axis=1)
    assert abs(np.mean(radius < 0.35) - 0.5) < 0.05


def test_more_points_of_a_shell_lie_on_its_sphere_whatever_the_origin():
    """To rounding, so that sums over degrees are those of a sphere."""
    middle = np.array([0.1, -0.2, 0.05])
    found = like_these(middle + 0.4 * fibonacci_sphere(300), None, 500)
    np.testing.assert_allclose(np.linalg.norm(found - middle, axis=1), 0.4, rtol=1e-12)
