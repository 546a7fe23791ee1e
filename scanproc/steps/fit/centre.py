"""The acoustic centre: the expansion centre about which the fewest degrees explain the scan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy.linalg import solveh_banded
from scipy.optimize import minimize

from scanproc.conventions import Complex, Real, mode_count
from scanproc.steps.each import Each, in_turn
from scanproc.steps.field.basis import ends, outgoing_basis
from scanproc.steps.field.order import highest_order
from scanproc.steps.field.view import view_from
from scanproc.steps.fit.box import Box
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.least_squares import nested_fit

SEARCH_POINTS = 350
"""The search uses at most so many points, chosen at random once."""
SEARCH_ORDER = 12
"""Highest order tried in the search: a centre is found by how well few degrees do."""
DEGREES_ABOVE_SIZE = 4
"""No order is tried in the search beyond k times half the diagonal plus this."""
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
ROUNDS = 2
"""So often every sample tries its neighbours' centres: at high frequencies the error has many hollows."""
SAME_PLACE_M = 0.02
WORTH_A_TRY_DB = 3.0
"""A neighbour's centre is searched from when its own error is at most this much above that of the place known."""
PATH_STEP_M = 0.02
"""Step of the centre from one third-octave band to the next that is as likely as not."""


@dataclass(frozen=True, eq=False)
class Centres:
    """``centre_m`` (S, 3) by sample frequency, smoothed, and its ``standard_error_m`` (S, 3)."""

    centre_m: Real
    standard_error_m: Real


def find_centres(
    position_m: Real,
    pressure: Complex,
    wavenumber: Real,
    relative: Real,
    box: Box,
    own_centre_m: Real,
    each: Each = in_turn,
) -> Centres:
    """Centres at sample frequencies with ``pressure`` (points, S), by least held-out error, on a smooth path.

    ``relative`` (points,): each point's wave number over ``wavenumber`` (S,). At every sample a downhill search from
    the best of a coarse grid in the box; then from the neighbours' centres. Where nothing gains over the scan's own
    centre, the neighbours decide. ``each`` maps a function over the samples.
    """
    chosen = np.arange(len(position_m))
    if len(chosen) > SEARCH_POINTS:
        chosen = np.sort(np.random.default_rng(1).choice(len(chosen), SEARCH_POINTS, replace=False))
    samples = np.flatnonzero(wavenumber * 0.5 * float(np.linalg.norm(box.size_m)) >= SMALL_DEVICE_KA)
    searches = [
        _Search(
            position_m[chosen], _of_one_scale(pressure[:, s])[chosen], wavenumber[s], relative[chosen], box
        )
        for s in samples
    ]
    own = [own_centre_m, box.centre_m]
    found = each(lambda search: search.best_of([*own, *_grid(box)]), searches)
    before: Sequence[_Place | None] = [None] * len(found)
    for _ in range(ROUNDS):
        improved = each(partial(_from_beside, searches, found, before), range(len(found)))
        before, found = found, improved
    gained = each(lambda n: searches[n].gains(found[n], own_centre_m), range(len(found)))
    centre = np.tile(own_centre_m, (len(wavenumber), 1)).astype(np.float64)
    error = np.full((len(wavenumber), 3), PATH_STEP_M / 4)
    last: Real | None = None
    for s, place, spread in zip(samples, found, gained, strict=True):
        if spread is not None:
            centre[s], error[s], last = place.centre_m, spread, place.centre_m
        elif last is not None:
            centre[s], error[s] = last, UNKNOWN_M
    path = _smooth_path(centre, error)
    near = np.linalg.norm(path - own_centre_m, axis=1) < NEAR_OWN_M
    return Centres(np.where(near[:, None], own_centre_m, path), error)


@dataclass(frozen=True, eq=False)
class _Place:
    centre_m: Real
    error_db: float


@dataclass(frozen=True, eq=False)
class _Search:
    position_m: Real
    pressure: Complex
    wavenumber: float
    relative: Real
    box: Box

    def error_db(self, centre_m: Real) -> float:
        """Least held-out error over low orders about a centre, dB; outside the box it grows with the distance.

        In single precision, which takes half the time and is right to 0.3 dB at the largest condition allowed.
        """
        inside = np.clip(
            centre_m, self.box.centre_m - self.box.size_m / 2, self.box.centre_m + self.box.size_m / 2
        )
        outside = float(np.linalg.norm(centre_m - inside))
        view = view_from(self.position_m, inside)
        half_diagonal = 0.5 * float(np.linalg.norm(self.box.size_m))
        enough = int(np.ceil(self.wavenumber * half_diagonal)) + DEGREES_ABOVE_SIZE
        order = min(highest_order(len(self.position_m)), SEARCH_ORDER, enough)
        harmonics = real_harmonics(order, view.direction)
        basis = outgoing_basis(view, harmonics, order, self.wavenumber, self.relative)
        nested = nested_fit(
            np.asarray(basis, np.complex64, order="C"),
            self.pressure[:, None].astype(np.complex64),
            ends(order),
            only_well_told_apart=True,
        )
        return float(np.nanmin(nested.held_out_db())) + 100 * outside / float(self.box.size_m.max())

    def best_of(self, candidates_m: Sequence[Real]) -> _Place:
        """Downhill from the best candidate."""
        return self.downhill(min(candidates_m, key=self.error_db))

    def gains(self, place: _Place, own_centre_m: Real) -> Real | None:
        """The standard error of a place, (3,), or None where the scan's own centre does as well."""
        if place.error_db > self.error_db(own_centre_m) - LEAST_GAIN_DB:
            return None
        return self.standard_error(place.centre_m)

    def downhill(self, start_m: Real) -> _Place:
        step = 0.12 * self.box.size_m
        simplex = np.vstack([start_m, start_m + np.diag(np.where(start_m > self.box.centre_m, -step, step))])
        options = {"initial_simplex": simplex, "maxfev": 45, "xatol": 2e-3, "fatol": 0.02}
        found = minimize(self.error_db, start_m, method="Nelder-Mead", options=options)
        return _Place(found.x, float(found.fun))

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


def _of_one_scale(pressure: Complex) -> Complex:
    """Divided by the strongest point's, (points,): neither loudness nor a common phase then changes how single
    precision rounds, and a filtered scan finds the very same places."""
    strongest = pressure[np.argmax(np.abs(pressure))]
    return pressure / strongest if strongest else pressure


def _from_beside(
    searches: Sequence[_Search], places: Sequence[_Place], before: Sequence[_Place | None], index: int
) -> _Place:
    """The best of a sample's place and those that lie downhill from its neighbours' places, if these are others than
    ``before``."""
    best = places[index]
    near = slice(max(index - 1, 0), index + 2)
    for beside in [place for place, old in zip(places[near], before[near], strict=True) if place is not old]:
        far = np.linalg.norm(beside.centre_m - best.centre_m) > SAME_PLACE_M
        if far and searches[index].error_db(beside.centre_m) < best.error_db + WORTH_A_TRY_DB:
            best = min(best, searches[index].downhill(beside.centre_m), key=lambda place: place.error_db)
    return best


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
