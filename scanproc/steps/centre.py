"""The acoustic centre: the expansion centre about which the fewest degrees explain the scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solveh_banded
from scipy.optimize import minimize

from scanproc.conventions import Complex, Real, mode_count
from scanproc.steps.basis import ends, outgoing_basis
from scanproc.steps.box import Box
from scanproc.steps.geometry import view_from
from scanproc.steps.order_choice import highest_order
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.least_squares import nested_fit

SEARCH_POINTS = 350
"""The search uses at most so many points, chosen at random once."""
SEARCH_ORDER = 12
"""Highest order tried in the search: a centre is found by how well few degrees do."""
UNKNOWN_M = 0.3
"""Standard error of a centre where no candidate explains anything."""
GRID = (2, 3, 4)
"""Coarse candidates along depth, width and height of the box."""
SMALL_DEVICE_KA = 1.5
"""Below this k times the box's half diagonal the centre does not matter, and the scan's own is kept."""
NEAR_OWN_M = 0.002
"""A centre this near to the scan's own is taken to be it: about a shell's own centre all frequencies share a basis."""
LEAST_GAIN_DB = 1.0
"""A centre is moved only where this much is gained over the scan's own."""
PATH_STEP_M = 0.02
"""Step of the centre from one third-octave band to the next that is as likely as not."""


@dataclass(frozen=True, eq=False)
class Centres:
    """``centre_m`` (S, 3) by sample frequency, smoothed, and its ``standard_error_m`` (S, 3)."""

    centre_m: Real
    standard_error_m: Real


def find_centres(
    position_m: Real, pressure: Complex, wavenumber: Real, relative: Real, box: Box, own_centre_m: Real
) -> Centres:
    """Centres at sample frequencies with ``pressure`` (points, S), by least held-out error, on a smooth path.

    ``relative`` (points,): each point's wave number over ``wavenumber`` (S,). From the bottom up: a coarse grid
    of candidates in the box at every third sample, elsewhere the neighbour's centre, then a downhill search. Where
    nothing gains over the scan's own centre, the neighbours decide.
    """
    chosen = np.arange(len(position_m))
    if len(chosen) > SEARCH_POINTS:
        chosen = np.sort(np.random.default_rng(1).choice(len(chosen), SEARCH_POINTS, replace=False))
    half_diagonal = 0.5 * float(np.linalg.norm(box.size_m))
    samples = len(wavenumber)
    centre = np.tile(own_centre_m, (samples, 1)).astype(np.float64)
    error = np.full((samples, 3), PATH_STEP_M / 4)
    start: Real | None = None
    for s in range(samples):
        if wavenumber[s] * half_diagonal < SMALL_DEVICE_KA:
            continue
        search = _Search(position_m[chosen], pressure[chosen, s], wavenumber[s], relative[chosen], box)
        candidates = [own_centre_m, box.centre_m] if start is None else [own_centre_m, box.centre_m, start]
        if start is None or s % 3 == 0:
            candidates += list(_grid(box))
        best = search.downhill(min(candidates, key=search.error_db))
        if search.error_db(best) <= search.error_db(own_centre_m) - LEAST_GAIN_DB:
            centre[s], error[s] = best, search.standard_error(best)
            start = best
        elif start is not None:
            centre[s], error[s] = start, UNKNOWN_M
    path = _smooth_path(centre, error)
    near = np.linalg.norm(path - own_centre_m, axis=1) < NEAR_OWN_M
    return Centres(np.where(near[:, None], own_centre_m, path), error)


@dataclass(frozen=True, eq=False)
class _Search:
    position_m: Real
    pressure: Complex
    wavenumber: float
    relative: Real
    box: Box

    def error_db(self, centre_m: Real) -> float:
        """Least held-out error over low orders about a centre, dB; outside the box it grows with the distance."""
        inside = np.clip(
            centre_m, self.box.centre_m - self.box.size_m / 2, self.box.centre_m + self.box.size_m / 2
        )
        outside = float(np.linalg.norm(centre_m - inside))
        view = view_from(self.position_m, inside)
        order = min(highest_order(len(self.position_m)), SEARCH_ORDER)
        harmonics = real_harmonics(order, view.direction)
        basis = outgoing_basis(view, harmonics, order, self.wavenumber, self.relative)
        nested = nested_fit(basis, self.pressure[:, None], ends(order), overwrite=True)
        return float(np.nanmin(nested.held_out_db())) + 100 * outside / float(self.box.size_m.max())

    def downhill(self, start_m: Real) -> Real:
        step = 0.12 * self.box.size_m
        simplex = np.vstack([start_m, start_m + np.diag(np.where(start_m > self.box.centre_m, -step, step))])
        options = {"initial_simplex": simplex, "maxfev": 45, "xatol": 2e-3, "fatol": 0.02}
        found: Real = minimize(self.error_db, start_m, method="Nelder-Mead", options=options).x
        return found

    def standard_error(self, centre_m: Real) -> Real:
        """From the curvature of the log error: m·ln(error) rises by one at one standard error, (3,)."""
        step = 0.02
        middle = self.error_db(centre_m)
        freedom = max(len(self.pressure) - mode_count(SEARCH_ORDER) / 2, len(self.pressure) / 4)
        spread = np.empty(3)
        for axis in range(3):
            shift = step * np.eye(3)[axis]
            rise = 0.5 * (self.error_db(centre_m + shift) + self.error_db(centre_m - shift)) - middle
            nats = max(rise, 0.01) * np.log(10) / 10
            spread[axis] = step / np.sqrt(nats * freedom / 4)
        return np.clip(spread, 0.002, 0.2)


def _grid(box: Box) -> Real:
    axes = [
        middle + size * ((np.arange(count) + 0.5) / count - 0.5)
        for middle, size, count in zip(box.centre_m, box.size_m, GRID, strict=True)
    ]
    return np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)


def _smooth_path(centre_m: Real, error_m: Real) -> Real:
    """Minimises Σ((c-x)/error)² + Σ(Δ²x/PATH_STEP_M)² along each axis."""
    count = len(centre_m)
    if count < 3:
        return centre_m
    second = np.diff(np.eye(count), n=2, axis=0) / PATH_STEP_M
    roughness = second.T @ second
    banded = np.zeros((3, count))
    for offset in range(3):
        banded[offset, : count - offset] = np.diag(roughness, -offset)
    path = np.empty_like(centre_m)
    for axis in range(3):
        weight = 1 / error_m[:, axis] ** 2
        matrix = banded.copy()
        matrix[0] += weight
        path[:, axis] = solveh_banded(matrix, weight * centre_m[:, axis], lower=True)
    return path
