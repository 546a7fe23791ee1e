"""How many points a band will take, from bands where the answer is known.

On diffracting boxes the square root of the number of points needed grows as k·a plus a constant: the points of a shell
must carry (N + 1)² terms, and the order N needed grows with k times the size of what radiates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import t as student

from scanproc.conventions import Boolean, Real

FEWEST_BANDS = 4
MOST_BANDS = 8
"""The nearest bands below count: what radiates changes over many octaves (another driver takes over)."""
FARTHEST_RATIO = 1.8
"""No answer beyond this multiple of the highest frequency for which the number is known."""
WIDEST_RATIO = 2.0
"""No answer when the upper end of the interval exceeds the lower by more than this."""
MOST_BEYOND = 1.4
"""A band's own curve is carried on by at most this ratio of points."""
SHORTEST_RATIO = 1.25
"""Smallest span of frequencies from which a slope is read."""
USUAL_SCATTER = 0.03
"""Relative standard deviation of √points about the line that is expected before any band is seen."""
USUAL_WEIGHT = 4
"""That expectation counts as much as this many bands."""


@dataclass(frozen=True)
class Projection:
    """Points with a 95 % prediction interval; NaN with a ``reason`` where there is no answer."""

    points: float
    low: float
    high: float
    reason: str = ""


def crossing(size: Real, error_db: Real, target_db: float) -> float:
    """Points from which on the error stays at or below the target, between sizes along log(points).

    ``size`` (S,) rising, ``error_db`` (S,). NaN when the largest size misses the target; the smallest size when none
    does.
    """
    missed = np.flatnonzero(~(error_db <= target_db))
    if len(missed) == 0:
        return float(size[0])
    last = int(missed[-1])
    if last == len(size) - 1:
        return float("nan")
    above, below = error_db[last], error_db[last + 1]
    if not np.isfinite(above) or not np.isfinite(below):
        return float(size[last + 1])
    share = (above - target_db) / (above - below)
    return float(size[last] * (size[last + 1] / size[last]) ** share)


def project(frequency_hz: Real, needed: Real, known: Boolean, wanted_hz: float) -> Projection:
    """Points at ``wanted_hz`` by √points = α + β·f, fitted to the nearest known bands below.

    ``frequency_hz``, ``needed`` and ``known`` (B,): a band is known when its number lies between the fewest and the
    most points tried.
    """
    use = np.flatnonzero(known & (frequency_hz < wanted_hz))[-MOST_BANDS:]
    if len(use) < FEWEST_BANDS:
        return _refused(
            f"the target is met with a number of points that can be told in {len(use)} bands below, "
            f"{FEWEST_BANDS} are needed to see how it grows"
        )
    x, y = frequency_hz[use], np.sqrt(needed[use])
    if x[-1] < SHORTEST_RATIO * x[0]:
        return _refused("the bands where the number of points is known lie too close together")
    if wanted_hz > FARTHEST_RATIO * x[-1]:
        return _refused(
            f"it lies too far above {x[-1] / 1000:.3g} kHz, the highest band where the number of points is known"
        )
    slope, start = np.polyfit(x, y, 1)
    if slope <= 0:
        return _refused("the number of points does not grow with frequency where it is known")
    middle = start + slope * wanted_hz
    half = _half_width(x, y, start + slope * x, wanted_hz, middle)
    low, high = max(middle - half, y[-1]), middle + half
    if high**2 > WIDEST_RATIO * low**2:
        return _refused(f"anything from {low**2:.0f} to {high**2:.0f} points: too wide to say")
    return Projection(middle**2, low**2, high**2)


def carried_on(size: Real, error_db: Real, target_db: float) -> Projection | None:
    """A little beyond the sizes tried, along the band's own curve; None where it falls too slowly or ends too high.

    ``size`` (S,) rising, ``error_db`` (S,): error against the logarithm of the points, straight on from the last two
    sizes. The interval reaches from the points tried to the square of the ratio told.
    """
    if len(size) < 2 or not np.all(np.isfinite(error_db[-2:])):
        return None
    fall = float((error_db[-2] - error_db[-1]) / np.log(size[-1] / size[-2]))
    if fall <= 0:
        return None
    ratio = float(np.exp(min((error_db[-1] - target_db) / fall, 10.0)))
    if ratio > MOST_BEYOND:
        return None
    return Projection(size[-1] * ratio, float(size[-1]), size[-1] * ratio**2)


def _half_width(x: Real, y: Real, fitted: Real, wanted: float, middle: float) -> float:
    """Half of the 95 % prediction interval of a straight line (any text on regression)."""
    free = len(x) - 2 + USUAL_WEIGHT
    scatter = (np.sum((y - fitted) ** 2) + USUAL_WEIGHT * (USUAL_SCATTER * middle) ** 2) / free
    spread = 1 + 1 / len(x) + (wanted - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2)
    return float(student.ppf(0.975, free) * np.sqrt(scatter * spread))


def _refused(reason: str) -> Projection:
    nothing = float("nan")
    return Projection(nothing, nothing, nothing, reason)
