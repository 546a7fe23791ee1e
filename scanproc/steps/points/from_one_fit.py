"""How many points a frequency beyond a fit's reach would take, told from one expansion alone."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Integer, Real, mode_degrees
from scanproc.records.expansion import Expansion
from scanproc.steps.field.extrapolate import far_field_terms
from scanproc.steps.points.law import FARTHEST_RATIO, SHORTEST_RATIO

FEWEST_FREQUENCIES = 8
MOSTLY = 0.8


def reach_index(error: Real, limit: float) -> int | None:
    """Where ``error`` (F,) passes the limit and stays above it, mostly; None where it never does."""
    bad = error > limit
    above = np.cumsum(bad[::-1])[::-1] / np.arange(len(bad), 0, -1)
    start = np.flatnonzero(bad & (above >= MOSTLY))
    return int(start[0]) if len(start) else None


def points_needed(expansion: Expansion, wanted_hz: float, limit: float) -> float:
    """Points with which the predicted far-field error (relative) would stay below ``limit`` up to a frequency.

    The points of a scan carry (N + 1)² terms, and the order N that the device needs grows as a straight line over
    frequency. The line is read where the fit is good: N is the least order beyond which the far field's power is less
    than the limit's. Where the predicted error passes the limit the scan's own number is just enough. NaN where the
    fit is good up to the wanted frequency already, or nothing can be told: good at too few frequencies, or the wanted
    one too far beyond.
    """
    hz = expansion.frequency_hz
    error = 10 ** (expansion.far_field_error_db / 20)
    first = reach_index(error, limit)
    if first is None or first < FEWEST_FREQUENCIES or hz[first] < SHORTEST_RATIO * hz[0]:
        return float("nan")
    reach_hz = _crossing(hz[first - 1 : first + 1], error[first - 1 : first + 1], limit)
    if not reach_hz < wanted_hz <= FARTHEST_RATIO * reach_hz:
        return float("nan")
    slope, start = np.polyfit(hz[:first], order_of(expansion, limit)[:first], 1)
    reached, wanted = (start + slope * at + 1 for at in (reach_hz, wanted_hz))
    return float(expansion.points * (wanted / reached) ** 2) if slope > 0 and reached > 0 else float("nan")


def _crossing(frequency_hz: Real, error: Real, limit: float) -> float:
    """Where an error that rises over two frequencies passes the limit, straight over the logarithms."""
    return float(np.exp(np.interp(np.log(limit), np.log(error), np.log(frequency_hz))))


def order_of(expansion: Expansion, limit: float) -> Integer:
    """The least order (F,) beyond which the far field has less than ``limit``² of its power."""
    power = np.abs(far_field_terms(expansion)) ** 2
    degree = mode_degrees(expansion.max_order)
    by_degree = np.stack([power[degree == n].sum(axis=0) for n in range(expansion.max_order + 1)])
    beyond = 1 - np.cumsum(by_degree, axis=0) / by_degree.sum(axis=0)
    return np.argmax(beyond <= limit**2, axis=0)
