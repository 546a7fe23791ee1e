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
FARTHEST_INCOMPLETE = 1.3
"""Nor beyond this where no fit holds all that the device radiates: on the demo's loudspeaker the law was near one
third-octave band above the highest known one (1,600 needed), far off in the next (2,360 points told, 3,700 needed)."""
WIDEST_RATIO = 2.0
"""No answer when the upper end of the interval exceeds the lower by more than this."""
MOST_BEYOND = 1.4
FARTHEST_DB = 4.0
"""A band's own curve alone is carried on by at most this ratio of points, and this fall of the error: where a fit just
begins to succeed its curve is far steeper than it will be."""
OWN_SPREAD = 0.5
"""Standard deviation of the logarithm by which a curve is carried on, as a share of it: a choice of this project."""
NORMAL_95 = 1.96
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


def project(
    frequency_hz: Real,
    needed: Real,
    known: Boolean,
    wanted_hz: float,
    *,
    complete: bool = True,
) -> Projection:
    """Points at ``wanted_hz`` by √points = α + β·f, fitted to the nearest known bands below.

    ``frequency_hz``, ``needed`` and ``known`` (B,): a band is known when its number lies between the fewest and the
    most points tried. ``complete``: whether with enough points a fit holds all that the device radiates at
    ``wanted_hz``; if not, numbers grow faster than before, so that only the nearest four bands count, and the answer
    is refused sooner.
    """
    below = np.flatnonzero(known & (frequency_hz < wanted_hz))
    use = below[-(MOST_BANDS if complete else FEWEST_BANDS) :]
    if len(use) < FEWEST_BANDS:
        return _refused(
            f"the target is met with a number of points that can be told in {len(use)} bands below, "
            f"{FEWEST_BANDS} are needed to see how it grows"
        )
    x, y = frequency_hz[use], np.sqrt(needed[use])
    if x[-1] < SHORTEST_RATIO * x[0]:
        return _refused("the bands where the number of points is known lie too close together")
    if wanted_hz > (FARTHEST_RATIO if complete else FARTHEST_INCOMPLETE) * x[-1]:
        return _refused(
            f"it lies too far above {x[-1] / 1000:.3g} kHz, the highest band where the number of points is known"
            + ("" if complete else ", and no fit here holds all that the device radiates")
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


def carried_on(
    law: Projection, size: Real, error_db: Real, target_db: float, *, complete: bool = True
) -> Projection:
    """Beyond the sizes tried, by what other bands say (``law``) and along the band's own curve; refused as the law is.

    ``size`` (S,) rising, ``error_db`` (S,) of which the last misses the target. The curve goes on straight over the
    logarithm of the points from the last two sizes; how far it goes is known to ``OWN_SPREAD`` of that logarithm, so
    near the target it decides, and far from it the law does. The two are weighted by their variances, and where they
    disagree the interval grows. Where no fit holds all that the device radiates (``complete`` is False) a curve does
    not go on straight, and the law alone counts.
    """
    if law.reason:
        return law
    points = float(size[-1])
    beyond = _beyond(size, error_db, target_db) if complete else np.inf
    told = max(float(np.log(law.points / points)), 0.0)
    value, variance = np.array([told, beyond]), np.array([_spread(law), OWN_SPREAD * beyond]) ** 2
    if not np.isfinite(beyond):
        value, variance = value[:1], variance[:1]
    weight = 1 / np.maximum(variance, 1e-6)
    middle = float(weight @ value / weight.sum())
    spread = float(np.sqrt((1 + weight @ (value - middle) ** 2) / weight.sum()))
    if middle <= 0:
        return _refused("other bands say that the points should be enough here, they are not")
    found = _around(points, middle, spread)
    if found.high > WIDEST_RATIO * found.low:
        return _refused(f"anything from {found.low:.0f} to {found.high:.0f} points: too wide to say")
    return found


def by_curve(size: Real, error_db: Real, target_db: float) -> Projection | None:
    """Beyond the sizes tried along the band's own curve alone, as in :func:`carried_on`; None where it is too far."""
    beyond = _beyond(size, error_db, target_db)
    if beyond > np.log(MOST_BEYOND) or error_db[-1] > target_db + FARTHEST_DB:
        return None
    return _around(float(size[-1]), beyond, OWN_SPREAD * beyond)


def with_other(taken: Projection, other: Projection) -> Projection:
    """One projection, its interval widened to hold what another one says, if that says anything."""
    if other.reason:
        return taken
    return Projection(taken.points, min(taken.low, other.points), max(taken.high, other.points))


def _beyond(size: Real, error_db: Real, target_db: float) -> float:
    """Natural log of the ratio of points by which the curve reaches the target; inf where it does not fall."""
    if len(size) < 2 or not np.all(np.isfinite(error_db[-2:])):
        return np.inf
    fall = float((error_db[-2] - error_db[-1]) / np.log(size[-1] / size[-2]))
    return float((error_db[-1] - target_db) / fall) if fall > 0 else np.inf


def _spread(law: Projection) -> float:
    """Standard deviation of the logarithm of the points, from the interval."""
    return float(np.log(law.high / law.points) / NORMAL_95)


def _around(points: float, beyond: float, spread: float) -> Projection:
    """A projection from the logarithm of the ratio of points; it cannot fall below them."""
    low, high = (float(points * np.exp(max(beyond + side * NORMAL_95 * spread, 0.0))) for side in (-1, 1))
    return Projection(points * float(np.exp(beyond)), low, high)


def _half_width(x: Real, y: Real, fitted: Real, wanted: float, middle: float) -> float:
    """Half of the 95 % prediction interval of a straight line (any text on regression)."""
    free = len(x) - 2 + USUAL_WEIGHT
    scatter = (np.sum((y - fitted) ** 2) + USUAL_WEIGHT * (USUAL_SCATTER * middle) ** 2) / free
    spread = 1 + 1 / len(x) + (wanted - x.mean()) ** 2 / np.sum((x - x.mean()) ** 2)
    return float(student.ppf(0.975, free) * np.sqrt(scatter * spread))


def _refused(reason: str) -> Projection:
    nothing = float("nan")
    return Projection(nothing, nothing, nothing, reason)
