"""Where the next points go: against the formula evaluated with each candidate added."""

from __future__ import annotations

import numpy as np
import pytest
from box_scans import taken
from threadpoolctl import threadpool_limits

from scanproc.steps.fit.plan import prepare
from scanproc.steps.points.bands import Band, formula_of, tell
from scanproc.steps.points.next_points import next_points

CANDIDATES = 12


@pytest.fixture(scope="module")
def band():
    """90 points of two shells at 2 kHz, none at the front left."""
    with threadpool_limits(1):
        scan = taken(150, 1).take_frequencies(slice(1, 2))
        scan = scan.take_points(np.flatnonzero(~cut(scan.setup.position_m)))
        return Band(scan, prepare(scan), 0)


def cut(position_m):
    return (position_m[:, 0] > -0.1) & (position_m[:, 1] > 0.0)


def test_the_first_is_what_lowers_the_error_most_and_the_second_counts_it(band):
    candidates = taken(CANDIDATES, 9).setup.position_m
    formula = formula_of(band, tell(band, ()))
    scanned = band.scan.setup.position_m
    chosen = next_points([formula], 2, None, candidates).position_m
    for _ in range(2):
        errors = [formula.at(np.concatenate([scanned, one[None]])) for one in candidates]
        best = candidates[np.argmin(errors)]
        np.testing.assert_allclose(chosen[0], best)
        scanned, chosen = np.concatenate([scanned, best[None]]), chosen[1:]


def test_points_go_into_a_gap(band):
    found = next_points([formula_of(band, tell(band, ()))], 4)
    assert np.all(cut(found.position_m))
    assert found.gain[0] > 2


def test_what_is_scanned_already_is_left_out(band):
    scanned = band.scan.setup.position_m
    more = np.concatenate([scanned, [[0.2, 0.2, 0.1]]])
    known = [formula_of(band, tell(band, ()))]
    np.testing.assert_allclose(next_points(known, 3, None, more).position_m, [[0.2, 0.2, 0.1]])
    assert len(next_points(known, 3, None, scanned).position_m) == 0
