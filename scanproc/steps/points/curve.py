"""Where the error of more and more points meets a target."""

from __future__ import annotations

import math

import numpy as np

from scanproc.conventions import Real


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


def round_points(number: float) -> int:
    """A number of points as it is told: whole below a thousand, else to three digits."""
    step = 10 ** max(0, int(math.log10(max(number, 1))) - 2)
    return round(number / step) * step
