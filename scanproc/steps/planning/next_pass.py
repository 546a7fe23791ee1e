"""The next pass of a scan whose points do not suffice, placed by what they have told."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Integer
from scanproc.errors import SettingsError
from scanproc.records.answers.next_pass import NextPass
from scanproc.steps.planning.earlier import Earlier
from scanproc.steps.planning.expected import Conditions, as_before
from scanproc.steps.planning.positions import in_passes
from scanproc.steps.points.formula import FarError
from scanproc.steps.points.next_points import next_points

MOST_TIMES = 1.0
"""No more new points than this multiple of those taken, unless asked for: what is told of more rests on less."""


@dataclass(frozen=True)
class PassChoices:
    """So many ``points``, or as many as the target takes in the bands up to a frequency."""

    up_to_hz: float
    target_db: float = -25.0
    points: int | None = None
    seconds_per_point: float | None = None


@dataclass(frozen=True, eq=False)
class Standing:
    """One third-octave band of a scan: its error with all points, and the formula for more, or the ``reason`` why
    nothing can be told."""

    band_hz: float
    error_db: float
    formula: FarError | None
    reason: str


def standing_of(earlier: Earlier, up_to_hz: float) -> list[Standing]:
    """What a converted scan knows of itself, by band."""
    found = []
    for index in np.flatnonzero(earlier.frequency_hz <= up_to_hz * 1.12):
        told = as_before(earlier, int(index), earlier.position_m, Conditions())
        formula = None if told.reason else told.formula
        found.append(
            Standing(float(earlier.frequency_hz[index]), float(earlier.error_db[index]), formula, told.reason)
        )
    return found


def next_pass(
    bands: Sequence[Standing], layer: Integer | None, choices: PassChoices, pace_s: float
) -> NextPass:
    """Points on the surface of a scan, its points in ``layer`` (points,), that lower the error most in the bands that
    miss the target and can be told: as many as are asked for, or as the target takes, at most as many as there are.
    Each takes ``pace_s`` unless the choices say otherwise.

    They come in passes, the most useful first, each from point to nearest point. Raises SettingsError when no band
    misses the target, or none that does can be told.
    """
    target_db, points = choices.target_db, choices.points
    missed = [i for i, one in enumerate(bands) if one.error_db > target_db]
    if not missed:
        raise SettingsError(f"all bands meet the target of {target_db:g} dB: no more points are needed")
    formulas = {i: one.formula for i, one in enumerate(bands) if one.formula is not None}
    known = [i for i in missed if i in formulas]
    if not known:
        raise SettingsError(
            f"where the target of {target_db:g} dB is missed the points do not explain the sound: plan a denser scan, "
            "or a lower frequency"
        )
    scanned = formulas[known[0]].model.position_m
    most = points or round(MOST_TIMES * len(scanned))
    found = next_points([formulas[i] for i in known], most, layer, target_db=-np.inf if points else target_db)
    then = np.full(len(bands), np.nan)
    then[known] = found.error_db
    for i in formulas.keys() - set(known):
        then[i] = formulas[i].at(np.concatenate([scanned, found.position_m]))
    return NextPass(
        target_db,
        len(scanned),
        np.array([one.band_hz for one in bands]),
        np.array([one.error_db for one in bands]),
        then,
        tuple(one.reason for one in bands),
        in_passes(found.position_m, found.layer),
        choices.seconds_per_point or pace_s,
    )
