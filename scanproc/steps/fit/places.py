"""Where sound leaves above all: found by evidence over the box, band by band."""

from __future__ import annotations

import numpy as np
from scipy.linalg import cho_solve
from scipy.optimize import minimize

from scanproc.conventions import Complex, Real, mode_count
from scanproc.steps.each import Each, in_turn
from scanproc.steps.model.box import Box, box_surface
from scanproc.steps.model.degrees import all_degrees
from scanproc.steps.model.dictionary import INSET_SHARE
from scanproc.steps.model.multipoles import Multipoles, low_multipoles
from scanproc.waves.algebra.dense import gram_of_rows, lower_factor

SEARCH_POINTS = 250
FIRST_KR = 4.0
"""Below this k times the reach a place tells little that the middle does not."""
PER_SIDE = 5
"""First tries along each side of each face."""
SEARCH_NOISE = (1e-2, 1e-3, 1e-4)
"""Of these the one with the most evidence."""
SEARCH_DEGREES = 5
"""Groups of low degrees that the search places."""
DEGREES_WEIGHT = 0.3
"""Weight of all degrees about the middle together, against one for the place, during the search."""
SAME_SHARE = 0.1
"""Places nearer to each other than this share of the box's longest side are one (as wide as a driver's patch)."""
MOST_PLACES = 2


def find_places(
    position_m: Real, pressure: Complex, wavenumber: Real, box: Box, each: Each = in_turn
) -> Real:
    """Places (places, 3), the surest first, at least one.

    ``pressure`` complex (points, F) at a few frequencies of rising ``wavenumber`` (F,). At each that tells something
    the likeliest place of low multipoles beside all degrees about the middle is sought: a grid on the box's faces,
    then a search from the best of it.
    """
    chosen = np.sort(np.random.default_rng(0).permutation(len(position_m))[:SEARCH_POINTS])
    position = position_m[chosen]
    high = np.flatnonzero(wavenumber * float(box.reach_m(box.centre_m)) >= FIRST_KR)[::-1]
    found = each(
        lambda f: _likeliest(position, pressure[chosen, f], float(wavenumber[f]), box), high.tolist()
    )
    same = SAME_SHARE * float(box.size_m.max())
    places: list[Real] = []
    for _, place in sorted(found, key=lambda one: -one[0]):
        if all(np.linalg.norm(place - other) > same for other in places):
            places.append(place)
    return np.array(places[:MOST_PLACES] or [box.centre_m])


def _likeliest(position_m: Real, pressure: Complex, wavenumber: float, box: Box) -> tuple[float, Real]:
    """By how much the likeliest place raises the log evidence against the device's middle, and the place (3,)."""
    degrees = all_degrees(box, wavenumber, position_m)
    beside = degrees.covariance(DEGREES_WEIGHT * degrees.usual / degrees.usual.sum(), position_m, position_m)
    spacing = float(box.size_m.max()) / PER_SIDE
    tried = box_surface(box, spacing, INSET_SHARE * float(box.size_m.min()), position_m).position_m
    noise = min(
        SEARCH_NOISE, key=lambda n: _misfit(box.centre_m, box, position_m, pressure, wavenumber, beside, n)
    )

    def loss(place: Real) -> float:
        outside = np.maximum(np.abs(place - box.centre_m) - box.size_m / 2, 0) / box.size_m
        return _misfit(place, box, position_m, pressure, wavenumber, beside, noise) + 1e3 * float(
            outside.sum()
        )

    start = min(tried, key=loss)
    simplex = start + np.vstack([np.zeros(3), np.eye(3) * spacing / 2])
    options = {"initial_simplex": simplex, "maxfev": 60, "xatol": 0.05 * spacing, "fatol": 0.1}
    best = minimize(loss, start, method="Nelder-Mead", options=options)
    return loss(box.centre_m) - float(best.fun), np.asarray(best.x)


def _misfit(
    place: Real,
    box: Box,
    position_m: Real,
    pressure: Complex,
    wavenumber: float,
    beside: Complex,
    noise: float,
) -> float:
    """-log evidence at the likeliest scale of the whole (Rasmussen and Williams 2006, sec. 5.4.1)."""
    radius = float(np.median(np.linalg.norm(position_m - place, axis=1)))
    multipoles = low_multipoles(place[None], wavenumber, position_m, box)[0]
    columns = multipoles.columns_at(position_m, wavenumber, radius)
    root = np.sqrt(_spread(multipoles, columns))
    kernel = gram_of_rows(columns[:, : len(root)] * root) + beside
    kernel[np.diag_indices(len(kernel))] += noise
    triangle = lower_factor(kernel)
    logarithm = 2 * float(np.sum(np.log(np.diag(triangle).real)))
    solved = cho_solve((triangle, True), pressure, check_finite=False)
    return logarithm + len(pressure) * float(np.log(np.real(np.vdot(pressure, solved))))


def _spread(multipoles: Multipoles, columns: Complex) -> Real:
    """Usual variances of the lowest groups' columns, together of a mean square of one at the points."""
    groups = min(SEARCH_DEGREES, len(multipoles.usual))
    last = multipoles.last_degree[groups - 1]
    share = multipoles.share()[:groups, : mode_count(last)]
    power = np.mean(np.abs(columns[:, : mode_count(last)]) ** 2, axis=0)
    usual = np.array(multipoles.usual[:groups])
    variance: Real = (usual / usual.sum() / (share @ power)) @ share
    return variance
