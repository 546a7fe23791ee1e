"""What more points on the same surface would bring, by the informed fit's own posterior."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from scanproc.conventions import Real
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import ScanSetup
from scanproc.steps.field.view import wavenumbers
from scanproc.steps.fit.box import Box
from scanproc.steps.fit.dictionary import SurfaceKind, surface_kind
from scanproc.steps.fit.informed import Device, expected_variance, make_model, missing_sound
from scanproc.steps.fit.multipoles import complete_multipoles
from scanproc.steps.fit.plan import everywhere_informed, weights_at
from scanproc.steps.points.law import Projection
from scanproc.waves.directions import fibonacci_sphere
from scanproc.waves.least_squares import decibels

MOST_TIMES = 2.0
"""No number beyond this multiple of the points taken: the weights were learnt from these."""
DEEPEST_MISS_DB = 8.0
"""Nor where the target is missed by more: weights learnt from points that explain little say little."""
LARGEST_WORK = 5e10
"""Points times squared columns of the largest hypothetical scan; above, it would take minutes."""
USUAL_COLUMNS = 2000
EITHER_WAY = 0.25
"""The interval told, as a share of the points: a choice of this project, wider than what was seen on two drums."""
MANY_POINTS = 1_000_000
"""So many that only ``LARGEST_COMPLETE`` limits the multipoles."""
NEAREST = 3
GAP = 1.5
"""A hypothetical point farther from all scanned ones than this many spacings lies in a gap, and is not taken."""


def by_posterior(
    setup: ScanSetup, plan: FitPlan, frequency_hz: float, error_db: float, target_db: float
) -> Projection | None:
    """The number of points at which the posterior meets the target, from the error that the points taken have.

    None where the plan has learnt no weights, the target is missed by far, or twice the points do not meet it; nor
    where the columns do not hold all that the device radiates (neither a rigid cabinet nor complete multipoles): what
    they miss, more points would not show.
    """
    if not np.any(np.isfinite(plan.noise)) or error_db > min(target_db + DEEPEST_MISS_DB, 0.0):
        return None
    if MOST_TIMES * setup.points * USUAL_COLUMNS**2 > LARGEST_WORK:
        return None
    at = int(plan.at(np.array([frequency_hz]))[0])
    k = float(wavenumbers(setup, np.array([frequency_hz]))[0])
    box = Box(plan.box_centre_m, plan.box_size_m)
    if not _complete(box, k, setup.points):
        return None
    weight = weights_at(plan, frequency_hz, k)
    missing = missing_sound(weight, float(plan.sensor_noise[at]))
    device = Device(box, plan.driver_m)
    centre = everywhere_informed(plan).centre_m[at]

    def variance(times: float) -> float:
        position = like_these(setup, round(times * setup.points))
        return expected_variance(make_model(position, k, device, centre), weight)

    now, error = variance(1.0), 10 ** (error_db / 10)

    def expected_db(times: float) -> float:
        share = variance(times) / now
        return float(decibels(np.asarray(share * error + (1 - share) * min(missing, error))))

    low, high = (1.0, error_db), (MOST_TIMES, expected_db(MOST_TIMES))
    if high[1] > target_db:
        return None
    for _ in range(2):
        middle = _between(low, high, target_db)
        found = (middle, expected_db(middle))
        low, high = (found, high) if found[1] > target_db else (low, found)
    points = _between(low, high, target_db) * setup.points
    return Projection(points, max(points * (1 - EITHER_WAY), setup.points), points * (1 + EITHER_WAY))


def complete_with_more_points(setup: ScanSetup, plan: FitPlan, frequency_hz: float) -> bool:
    """Whether with enough points the fit would hold all that the device radiates.

    Where the plan takes the informed fit and the device is too large for a rigid cabinet and for complete multipoles,
    errors fall ever more slowly with more points, and no curve is to be carried on.
    """
    if plan.informed[int(plan.at(np.array([frequency_hz]))[0])] == 0:
        return True
    k = float(wavenumbers(setup, np.array([frequency_hz]))[0])
    return _complete(Box(plan.box_centre_m, plan.box_size_m), k, MANY_POINTS)


def _complete(box: Box, wavenumber: float, points: int) -> bool:
    return surface_kind(box, wavenumber) is SurfaceKind.RIGID or bool(
        complete_multipoles(box, wavenumber, points)
    )


def like_these(setup: ScanSetup, count: int) -> Real:
    """Positions (about ``count``, 3) of an even scan of the same surface: directions spread evenly about the middle,
    each as far out as the scanned points around it; layer by layer. Gaps of the scan stay gaps."""
    layer = np.zeros(setup.points, np.int64) if setup.layer is None else setup.layer
    middle = setup.position_m.mean(axis=0)
    parts = []
    for number, one in enumerate(np.unique(layer)):
        offset = setup.position_m[layer == one] - middle
        radius = np.linalg.norm(offset, axis=1)
        tree = cKDTree(offset / radius[:, None])
        wanted = fibonacci_sphere(round(count * len(radius) / setup.points)) @ _turn(number).T
        distance, near = tree.query(wanted, k=min(NEAREST, len(radius)))
        closeness = 1 / np.maximum(distance, 1e-9)
        out = np.sum(closeness * radius[near], axis=1) / closeness.sum(axis=1)
        covered = distance[:, 0] < GAP * np.sqrt(4 * np.pi / len(radius))
        parts.append(middle + (wanted * out[:, None])[covered])
    return np.concatenate(parts)


def _between(low: tuple[float, float], high: tuple[float, float], target_db: float) -> float:
    """Multiple of the points at the target, on a straight line of dB over the logarithm of the points."""
    share = (low[1] - target_db) / max(low[1] - high[1], 1e-9)
    return float(low[0] * (high[0] / low[0]) ** min(max(share, 0.02), 0.98))


def _turn(number: int) -> Real:
    """A rotation, another for each layer, the same every time."""
    turned: Real = np.linalg.qr(np.random.default_rng(number).normal(size=(3, 3)))[0]
    return turned
