"""The points that a target takes in every band, from the errors at a few numbers of points."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.steps.points.law import (
    NORMAL_95,
    Projection,
    carried_on,
    crossing,
    project,
)

SAFETY_DB = 2.0
"""A number of points below that of the scan counts as enough when the predicted error is this far below the target:
fresh scans scatter, by 1.8 dB (standard deviation) about what a study predicts for their number of points. Numbers
beyond the scan are the likeliest ones, without it, and have an interval."""
USUAL_SPREAD_DB = 0.7
"""Standard deviation over draws that is assumed at least; one or two draws say little."""


def needed_points(
    size: Real,
    mean: Real,
    spread: Real,
    frequency: Real,
    target_db: float,
    looked: Mapping[int, tuple[int, float]],
    complete: Boolean,
) -> list[Projection]:
    """Points for the target in each band: read from the table, or carried on from other bands.

    ``size`` (sizes,) rising numbers of points; ``mean`` and ``spread`` (sizes, bands): far-field error in dB and its
    standard deviation over subsets, NaN where there is one; ``frequency`` (bands,) in Hz.
    ``looked``: for some bands one more number of points, between the sizes, and its error: errors fall ever faster
    with more points, so that a straight line from size to size promises too much. ``complete`` (bands,): whether with
    enough points a fit holds all that the device radiates; else errors end by falling ever more slowly.

    A band that all points serve, though without the safety, asks for all of them: no fresh scan has to be as lucky.
    """
    served: Boolean = mean[-1] <= target_db
    wide = NORMAL_95 * np.maximum(_filled(spread), USUAL_SPREAD_DB)

    def crossings(shift_db: Real) -> Real:
        columns = zip(mean.T, shift_db.T, strict=True)
        return np.array([_crossing(size, c, target_db, looked.get(b), s) for b, (c, s) in enumerate(columns)])

    middle, low, high = (crossings(SAFETY_DB + side * wide) for side in (0, -1, 1))
    likely = crossings(0 * wide)
    inside: Boolean = (likely > size[0]) & (likely <= size[-1])
    found = []
    for index, points in enumerate(middle):
        if np.isnan(points) and served[index]:
            found.append(Projection(size[-1], low[index] if np.isfinite(low[index]) else size[-1], size[-1]))
        elif np.isnan(points):
            whole = bool(complete[index])
            by_law = project(frequency, likely, inside, frequency[index], complete=whole)
            found.append(carried_on(by_law, size, mean[:, index], target_db, complete=whole))
        else:
            top = high[index] if np.isfinite(high[index]) else float(size[-1])
            found.append(Projection(points, low[index], max(top, points)))
    return found


def _crossing(
    size: Real, error_db: Real, target_db: float, looked: tuple[int, float] | None, shift_db: Real
) -> float:
    """As :func:`crossing` with the errors shifted, and with one more size where one was looked at."""
    error = error_db + shift_db
    if looked is not None and looked[0] not in size:
        at = int(np.searchsorted(size, looked[0]))
        size = np.insert(size, at, looked[0])
        error = np.insert(error, at, looked[1] + shift_db[at])
    return crossing(size, error, target_db)


def _filled(spread: Real) -> Real:
    """Spreads with those of the size before where one draw shows none; zero where nothing is known."""
    filled = spread.copy()
    for row in range(1, len(filled)):
        missing = np.isnan(filled[row])
        filled[row, missing] = filled[row - 1, missing]
    return np.nan_to_num(filled)
