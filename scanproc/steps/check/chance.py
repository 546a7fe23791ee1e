"""How far off a good point may be.

What the model lacks it lacks more at some points than at others: errors are as large as predicted times a factor of
each point's own. With its square inverse gamma of ν degrees of freedom, a point's errors at all frequencies are a
multivariate t (Lange, Little and Taylor 1989, from memory): the mean of their squares over the predicted variances
follows Fisher's F, and so does what three numbers explain of them over what is left. How unlike the points are, ν, is
told by all of a scan; the worst take no part as long as they stand out of the law that they themselves would make.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import f as fisher

from scanproc.conventions import Real
from scanproc.waves.algebra.gaussian_fit import USUAL_COUNT

CHANCE = 0.01
"""Chance that a test accuses anybody in a scan whose points are all good."""
FREEDOM = np.geomspace(2.0, 2 * USUAL_COUNT, 25)
"""ν may be one of these; the highest is what the predicted variance counts for."""


def freedom_of(ratio: Real) -> float:
    """ν of a scan, from squared errors over their predicted variances (points, F)."""
    points, frequencies = ratio.shape
    mean = np.sort(np.mean(ratio, axis=1))
    middle = fisher.median(2 * frequencies, FREEDOM)
    scaled = mean / max(float(np.median(mean)), 1e-300)
    likelihood = fisher.logpdf(scaled * middle[:, None], 2 * frequencies, FREEDOM[:, None])
    best = np.argmax(np.cumsum(likelihood + np.log(middle)[:, None], axis=1), axis=0)
    bars = np.array([highest_mean(points, frequencies, one) for one in FREEDOM]) / middle
    beyond = np.flatnonzero((scaled > bars[best]) & (scaled > bars[-1]))
    good = beyond[0] if len(beyond) else points
    return float(FREEDOM[best[good - 1]])


def highest_mean(points: int, frequencies: int, freedom: float) -> float:
    """The mean of a point's squared errors over their variances that none of so many good points exceeds but by
    ``CHANCE``."""
    return float(fisher.isf(CHANCE / points, 2 * frequencies, freedom))


def most_explained(left: Real, points: int, frequencies: int, freedom: float) -> Real:
    """The same of the sum that three numbers explain when the sum ``left`` (points,) remains."""
    others = freedom + 2 * frequencies - 3
    most: Real = 1.5 * fisher.isf(CHANCE / points, 3, others) * (freedom + 2 * left) / others
    return most
