"""The device's field near it: sources and low multipoles inside the box, where all degrees about the middle diverge."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Complex, Real, mode_count
from scanproc.records.fitted.near_field import Multipole, NearField
from scanproc.steps.fit.weights import learning_points
from scanproc.steps.model.box import Box
from scanproc.steps.model.dictionary import columns_at, source_strengths
from scanproc.steps.model.field_model import FieldModel, split
from scanproc.waves.algebra.dense import gram_of_rows
from scanproc.waves.algebra.gaussian_fit import regress, whole_factor
from scanproc.waves.directions import fibonacci_sphere

DISTANCES_M = (0.02, 0.05, 0.1, 0.2, 0.5)
"""From the box: where the predicted error is told."""
DIRECTIONS = 32
MULTIPOLES_M = 0.05
"""Multipoles about the places go as far as if the scan had come so near to the box; by true errors on the demo."""
DOUBTED = 1.5
"""Power of what leaving out shows beyond the prediction: where the sources cannot make all that was heard, they fail
more near the box than at the points. By true errors on the demo, where one is up to 10 dB too good."""
SURFACE, BY_PLACES = "surface", "sources near the places"


def near_field(model: FieldModel, weight: Real, pressure: Complex, noise: Real) -> NearField:
    """The device's near field from pressures (points,) for weights of the blocks; ``noise`` (points,) re the
    mean square of the pressures.

    The same regression on at most as many points as weights are learnt on, without the blocks that diverge inside the
    sphere or beside the places: surface sources take their weight.
    """
    box = model.device.box
    places = model.device.place_m
    around = [np.concatenate([outside(box, d), _before(box, places, d)]) for d in DISTANCES_M]
    of_columns, of_room = _weights(model, weight)
    used, chosen = np.flatnonzero(of_columns), learning_points(len(pressure))
    power = float(np.mean(np.abs(pressure) ** 2))
    columns = model.columns[chosen][:, used] * np.sqrt(of_columns[used])
    sound = gram_of_rows(columns)
    if model.room is not None and of_room > 0:
        sound += of_room * model.room.covariance(chosen, chosen)
    sound[np.diag_indices(len(sound))] += noise[chosen]
    regression = regress(whole_factor(sound), pressure[chosen] / np.sqrt(power))
    mean = np.zeros(len(of_columns), dtype=np.complex128)
    mean[used] = np.sqrt(of_columns[used] * power) * (regression.solved.conj() @ columns).conj()
    fields = columns_at(model.dictionary, np.concatenate(around), model.wavenumber, model.scaling_m)
    level = np.abs(fields @ mean) ** 2
    fields = fields[:, used] * np.sqrt(of_columns[used])
    variance = power * regression.variance(fields @ columns.conj().T, np.sum(np.abs(fields) ** 2, axis=1))
    return _record(model, mean, level, max(1.0, regression.calibration) ** DOUBTED * variance)


def outside(box: Box, distance_m: float, directions: int = DIRECTIONS) -> Real:
    """Positions (directions, 3) so far outside the box, evenly spread as seen from its middle."""
    unit = fibonacci_sphere(directions)
    low, high = np.zeros(directions), np.full(directions, np.linalg.norm(box.size_m) / 2 + distance_m)
    for _ in range(40):
        middle = (low + high) / 2
        gap = np.maximum(np.abs(unit * middle[:, None]) - box.size_m / 2, 0)
        inside = np.linalg.norm(gap, axis=1) < distance_m
        low, high = np.where(inside, middle, low), np.where(inside, high, middle)
    return box.centre_m + unit * high[:, None]


def _before(box: Box, place_m: Real, distance_m: float) -> Real:
    """The positions so far outside the box that are nearest to places (places, 3) in it."""
    half = box.size_m / 2
    offset = np.clip(place_m - box.centre_m, -half, half)
    rows, face = np.arange(len(offset)), np.argmin(half - np.abs(offset), axis=1)
    side = np.where(offset[rows, face] < 0, -1, 1)
    offset[rows, face] = side * (half[face] + distance_m)
    return box.centre_m + offset


def _weights(model: FieldModel, weight: Real) -> tuple[Real, float]:
    """Variances of the columns (M,), and the room's weight.

    Multipoles as far as k times the distance of the nearest position allows, as for the points of a scan, were it
    ``MULTIPOLES_M`` from the box: fewer cannot make what is heard, more diverge.
    """
    before = _before(model.device.box, model.device.place_m, MULTIPOLES_M)
    names, moved = model.dictionary.names, weight.copy()
    blocks = len(names)
    moved[names.index(SURFACE)] += split(model, weight)[1].sum()
    row = blocks
    for one in reversed(model.dictionary.multipoles):
        row -= len(one.last_degree)
        near = model.wavenumber * float(np.linalg.norm(before - one.place_m, axis=1).min())
        kept = max(1, int(np.searchsorted(one.last_degree, near + 1, side="right")))
        steep = slice(row + kept, row + len(one.last_degree))
        moved[names.index(BY_PLACES)] += moved[steep].sum()
        moved[steep] = 0
    of_columns, _, of_room = split(model, moved)
    return of_columns, of_room


def _record(model: FieldModel, mean: Complex, level: Real, variance: Real) -> NearField:
    sources, terms = source_strengths(model.dictionary, mean)
    multipoles = [
        Multipole(one.place_m, _without_zeros(values))
        for one, values in zip(model.dictionary.multipoles, terms, strict=True)
    ]
    square = level.reshape(len(DISTANCES_M), -1).mean(axis=1)
    error = variance.reshape(len(DISTANCES_M), -1).mean(axis=1)
    return NearField(
        box_centre_m=model.device.box.centre_m,
        box_size_m=model.device.box.size_m,
        source_m=model.dictionary.source_m,
        source_pa_m=sources,
        multipoles=multipoles,
        distance_m=np.array(DISTANCES_M),
        rms_pa=np.sqrt(square),
        error_db=10 * np.log10(error / square),
    )


def _without_zeros(terms: Complex) -> Complex:
    """Terms up to the highest degree that has any."""
    highest = int(np.sqrt(np.flatnonzero(terms).max(initial=0)))
    return terms[: mode_count(highest)]
