"""Which order an expansion should have."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import median_filter

from scanproc.conventions import Integer, Real, mode_count
from scanproc.errors import ScanDataError

MARGIN_DB = 0.25
"""The smallest order whose held-out error is this near to the best is taken."""
SMOOTHING_OCTAVES = 1 / 12
"""Errors are averaged over about this width before orders are compared, so that the order does not flicker."""
POINTS_PER_MODE = 1.1
"""No order is tried that leaves fewer points per coefficient than this."""


def highest_order(points: int, max_order: int | None = None) -> int:
    """The highest order that ``points`` can carry, capped at ``max_order``.

    Raises ScanDataError when there are too few points for order 1.
    """
    limit = int(np.sqrt(points / POINTS_PER_MODE)) - 1
    if limit < 1:
        raise ScanDataError(
            f"position_m holds {points} points, a fit needs at least {int(np.ceil(4 * POINTS_PER_MODE))}: "
            "scan more points"
        )
    return limit if max_order is None else min(limit, max_order)


def checked_order(order: int, points: int) -> int:
    """The order itself. Raises ScanDataError when the points cannot carry it."""
    if mode_count(order) > points / POINTS_PER_MODE:
        raise ScanDataError(
            f"order {order} needs at least {int(np.ceil(mode_count(order) * POINTS_PER_MODE))} points, "
            f"the scan has {points}: lower the order to {highest_order(points)} or add points"
        )
    return order


def choose_orders(held_out_db: Real, frequency_hz: Real) -> Integer:
    """Order per frequency, (F,), from held-out errors (orders, F) in dB (NaN where not defined).

    The smallest order within ``MARGIN_DB`` of the best, after smoothing over frequency.
    """
    smooth = _smoothed(np.where(np.isnan(held_out_db), np.inf, held_out_db), frequency_hz)
    good_enough = smooth <= smooth.min(axis=0) + MARGIN_DB
    chosen = np.argmax(good_enough, axis=0)
    return median_filter(chosen, size=5, mode="nearest") if len(chosen) >= 5 else chosen


def between(sample_hz: Real, sample_order: Integer, frequency_hz: Real) -> Integer:
    """Orders at all frequencies from those at some, (F,): linear over log frequency, rounded up."""
    order = np.interp(np.log(frequency_hz), np.log(sample_hz), sample_order.astype(np.float64))
    return np.ceil(order - 1e-9).astype(np.int64)


def _smoothed(error_db: Real, frequency_hz: Real) -> Real:
    """Gaussian average over log frequency of each order's error."""
    octave = np.log2(frequency_hz)
    weight = np.exp(-0.5 * ((octave[:, None] - octave[None, :]) / SMOOTHING_OCTAVES) ** 2)
    weight /= weight.sum(axis=0)
    finite = np.isfinite(error_db)
    smooth = np.where(finite, error_db, 0) @ weight
    return np.where(finite, smooth, np.inf)
