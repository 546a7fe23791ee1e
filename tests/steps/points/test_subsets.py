"""Well-spread parts of a scan's points."""

from __future__ import annotations

import numpy as np
import pytest
from small_scans import even_points

from scanproc.records.measured.scan import ScanSetup
from scanproc.steps.points.subsets import farthest_first, spread_subset, subset_sizes


def test_sizes_rise_to_all():
    size = subset_sizes(4000, 8)
    assert size[0] == 400
    assert size[-1] == 4000
    assert np.all(np.diff(np.log(size)) == pytest.approx(np.log(10) / 7, rel=0.01))


@pytest.mark.parametrize("kind", ["shell", "drum", "gap"])
def test_subsets_are_spread(kind):
    """The widest hole, from any scanned point to the nearest chosen one, is far smaller than in a plain draw."""
    position = even_points(1000, 0.4)
    if kind == "gap":
        position = position[position[:, 2] > -0.3]
    if kind == "drum":
        position = position * [1, 1, 1.8]
    setup = ScanSetup(position)
    rng = np.random.default_rng(0)
    for size in (100, 400):
        chosen = spread_subset(setup, size, rng)
        assert len(np.unique(chosen)) == size
        plain = rng.permutation(len(position))[:size]
        assert hole(position, chosen) < 0.75 * hole(position, plain)


def hole(position, chosen):
    return np.linalg.norm(position[:, None] - position[None, chosen], axis=2).min(axis=1).max()


def nearest(position):
    distance = np.linalg.norm(position[:, None] - position[None], axis=2) + 9 * np.eye(len(position))
    return distance.min(axis=1)


def test_layers_give_their_shares():
    position = np.concatenate([even_points(300, 0.4), even_points(100, 0.5)])
    setup = ScanSetup(position, layer=np.repeat([0, 1], [300, 100]))
    chosen = spread_subset(setup, 81, np.random.default_rng(0))
    assert len(chosen) == 81
    assert np.sum(chosen >= 300) in (20, 21)


def test_every_beginning_of_farthest_first_is_spread():
    position = even_points(600, 0.4)
    order = farthest_first(position, 300, np.random.default_rng(2))
    assert len(np.unique(order)) == 300
    for count in (30, 100, 300):
        ideal = 0.4 * np.sqrt(8 * np.pi / np.sqrt(3) / count)  # spacing of a triangular lattice
        assert nearest(position[order[:count]]).min() > 0.5 * ideal
