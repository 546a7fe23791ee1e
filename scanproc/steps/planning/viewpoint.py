"""From where planned points should look even: the middle of the device, or on the way from there to a place."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Real
from scanproc.steps.model.box import Box
from scanproc.steps.planning.needs import Question
from scanproc.steps.planning.surfaces import Layers, LayersFrom

SHARES = (0.25, 0.5, 0.75, 1.0)
"""Of the way, that are tried."""
BANDS_APART = 3
"""Bands that are asked are an octave apart."""


@dataclass(frozen=True, eq=False)
class View:
    """A viewpoint ``at_m`` (3,), ``share`` of the way from the middle to the place ``toward_m`` (3,)."""

    at_m: Real
    share: float
    toward_m: Real


def views(box: Box, places_m: Sequence[Sequence[float]]) -> list[View]:
    """All that are tried; none lies outside the device."""
    low, high = box.centre_m - box.size_m / 2, box.centre_m + box.size_m / 2
    return [
        View(
            np.clip(box.centre_m + share * (np.array(place) - box.centre_m), low, high),
            share,
            np.array(place),
        )
        for place in places_m
        for share in SHARES
    ]


def best_view(
    question: Question, layers_from: LayersFrom, tried: Sequence[View], points: float
) -> View | None:
    """The view with which the worst band comes off best with so many points; None where that is the middle.

    A view that makes a band miss the target which even points would meet is not taken.
    """
    every: list[Layers] = [question.layers, *(layers_from(view.at_m) for view in tried)]
    bands = np.unique(question.worked[::-1][:: _step(question)])
    errors = np.array(
        [_errors_db(question, float(question.band_hz[band]), every, points) for band in bands], np.float64
    )
    errors = errors[np.isfinite(errors).all(axis=1)]
    met = errors[:, :1] <= question.target_db
    spoilt = np.any(met & (errors > question.target_db), axis=0)
    worst = np.where(spoilt, np.inf, errors.max(axis=0, initial=-np.inf))
    best = int(np.argmin(worst))
    return None if best == 0 else tried[best - 1]


def _step(question: Question) -> int:
    """Bands worked out are as far apart already where nobody has scanned a like device."""
    apart = np.diff(question.worked)
    return max(1, BANDS_APART // int(np.median(apart))) if len(apart) else 1


def _errors_db(question: Question, band_hz: float, every: Sequence[Layers], points: float) -> list[float]:
    expected = question.expected(band_hz)
    if expected.reason:
        return [np.nan] * len(every)
    at = [np.concatenate(layers(points)) for layers in every]
    more_db = question.corrected_db(band_hz, points)
    return [expected.seen_at(position).formula.at(position) + more_db for position in at]
