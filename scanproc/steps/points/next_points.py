"""Where further points would help a scan most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import qr, solve_triangular
from scipy.spatial import cKDTree

from scanproc.conventions import Complex, Real, mode_count, mode_degrees
from scanproc.records.scan import ScanSetup
from scanproc.steps.field.view import View, view_from, wavenumbers
from scanproc.waves.directions import fibonacci_sphere
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import outgoing_radial

POINTS_PER_TERM = 1.5
"""The order at which points are judged leaves this many of them per term, as an even scan would need."""
CANDIDATES = 600
SAME_PLACE_M = 0.005
LARGEST_ORDER = 30


@dataclass(frozen=True, eq=False)
class NextPoints:
    """``position_m`` (places, 3), most useful first, and ``gain`` (places,): the predictive variance there over that
    at the median candidate. On an evenly scanned surface all gains are near one; in a gap they are large."""

    position_m: Real
    gain: Real


def next_points(
    setup: ScanSetup,
    frequency_hz: float,
    count: int,
    centre_m: ArrayLike = (0.0, 0.0, 0.0),
    candidate_m: Real | None = None,
) -> NextPoints:
    """The candidates with the largest variance of the predicted pressure, each chosen as if those before were scanned.

    ``candidate_m`` (candidates, 3), by default even points at the scan's median radius; those scanned already are left
    out.
    """
    view = view_from(setup.position_m, centre_m)
    candidates = _even(view) if candidate_m is None else np.asarray(candidate_m, np.float64)
    candidates = candidates[cKDTree(setup.position_m).query(candidates)[0] > SAME_PLACE_M]
    if not len(candidates):
        return NextPoints(np.empty((0, 3)), np.empty(0))
    order = min(LARGEST_ORDER, int(np.sqrt(setup.points / POINTS_PER_TERM)) - 1)
    k = float(wavenumbers(setup, np.array([frequency_hz]))[0])
    triangle = qr(_terms(view, view, order, k), mode="r", check_finite=False)[0][: mode_count(order)]
    there = view_from(candidates, centre_m)
    rows = solve_triangular(triangle, _terms(there, view, order, k).T, trans="T", check_finite=False).T
    return _greedy(candidates, rows, count)


def _greedy(candidates: Real, rows: Complex, count: int) -> NextPoints:
    """Largest variance first; a chosen point lowers the variance around it (rank-one update)."""
    variance: Real = np.sum(np.abs(rows) ** 2, axis=1)
    usual = float(np.median(variance))
    chosen, gain = [], []
    for _ in range(min(count, len(candidates))):
        best = int(np.argmax(variance))
        chosen.append(best)
        gain.append(variance[best] / usual)
        row = rows[best]
        share = rows @ row.conj()
        rows = rows - np.outer(share, row) * _shrink(float(variance[best]))
        variance = np.sum(np.abs(rows) ** 2, axis=1)
        variance[chosen] = -1.0
    return NextPoints(candidates[chosen], np.array(gain))


def _shrink(length: float) -> float:
    """c with (I - c·v vᴴ)² = (I + v vᴴ)⁻¹ for |v|² = ``length``."""
    return (1 - 1 / np.sqrt(1 + length)) / length


def _even(view: View) -> Real:
    return view.centre_m + view.scaling_radius_m * fibonacci_sphere(CANDIDATES)


def _terms(at: View, scan: View, order: int, wavenumber: float) -> Complex:
    """Outgoing terms at the points of ``at``, scaled as for the scan, (points, modes)."""
    radial = outgoing_radial(order, wavenumber * at.radius_m, wavenumber * scan.scaling_radius_m)
    terms: Complex = real_harmonics(order, at.direction) * radial[mode_degrees(order)].T
    return terms
