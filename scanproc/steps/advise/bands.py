"""The fewest second-order filters that take away what may be taken away."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from scipy.optimize import least_squares

from scanproc.conventions import Real
from scanproc.records.answers.advice import Band, Departures, Proposal
from scanproc.waves.biquads import Kind, biquad, response

DEEPEST_DB = -12.0
SHELF_Q = (0.4, 0.9)
PEAK_Q = (0.5, 10.0)
"""Bounds of what is proposed; common practice, no source."""
TRIED_Q = (0.7, 1.4, 2.8, 5.6, 10.0)
TRIED_PER_OCTAVE = 6
REFINED = 3
SHOWN_DB = 0.05
"""Half of the last digit that is shown of a level: a band that gains less is not proposed."""
EXCESS = 10.0
"""Weight of a boost beyond the limit against a level missed by as much."""


@dataclass(frozen=True)
class Limits:
    """``most`` bands that raise nothing by more than ``boost_db`` over the median of what they do, digital
    at ``sampling_rate_hz``."""

    most: int = 5
    boost_db: float = 3.0
    sampling_rate_hz: float = 48000.0


def propose(departures: Departures, limits: Limits) -> Proposal:
    """Bands joined one by one, all fitted again each time, and no more than gain something beyond the error bar.

    Half of the sampling rate must lie above the frequencies.
    """
    hz, rate = departures.frequency_hz, limits.sampling_rate_hz
    departures = replace(departures, bears_db=_within_boost(departures, limits.boost_db))
    found: list[tuple[Band, ...]] = [()]
    for _ in range(limits.most):
        found.append(_joined(departures, found[-1], limits))
    left = [_left(departures, bands, rate) for bands in found]
    known = float(np.sqrt(departures.weight @ departures.error_db**2))
    count = 0
    while count < limits.most and left[count] - left[count + 1] > max(SHOWN_DB, known):
        count += 1
    level = bands_level_db(found[count], hz, rate)
    whole = tuple(changed_rms(departures, departures.off_db + bands_level_db(one, hz, rate)) for one in found)
    top = bands_level_db(found[count], np.geomspace(5.0, 0.499 * rate, 2000), rate)
    headroom = float(max(top.max(), 0.0))
    quieter = headroom - float(departures.weight @ level)
    return Proposal(found[count], tuple(left), whole, headroom, quieter, rate, level)


def _within_boost(departures: Departures, boost_db: float) -> Real:
    """What may be taken away, cut where that would raise the level by more than the boost over the median."""
    bears = departures.bears_db
    cut: Real = np.maximum(bears, _median(departures.weight, bears) - boost_db)
    return cut


def _median(weight: Real, value: Real) -> float:
    order = np.argsort(value)
    return float(value[order][np.searchsorted(np.cumsum(weight[order]), 0.5)])


def bands_level_db(bands: Sequence[Band], frequency_hz: Real, sampling_rate_hz: float) -> Real:
    """Level (F,) of the bands in a row."""
    total = np.zeros(len(frequency_hz))
    for one in bands:
        section = biquad(one.kind, one.frequency_hz, one.q, one.gain_db, sampling_rate_hz)
        value = response(*section, frequency_hz, sampling_rate_hz)
        total += 10 * np.log10(value.real**2 + value.imag**2)
    return total


def _left(departures: Departures, bands: Sequence[Band], rate: float) -> float:
    return changed_rms(departures, departures.bears_db + bands_level_db(bands, departures.frequency_hz, rate))


def changed_rms(departures: Departures, value_db: Real) -> float:
    """Rms of a departure (F,) about its mean: the height is free."""
    weight = departures.weight
    return float(np.sqrt(weight @ (value_db - weight @ value_db) ** 2))


def _joined(departures: Departures, bands: tuple[Band, ...], limits: Limits) -> tuple[Band, ...]:
    """One band more, the best of some that were tried; never worse than without it."""
    rate = limits.sampling_rate_hz
    tried = [(*bands, one) for one in _starts(departures, bands, limits)]
    refined = [_refined(departures, one, limits) for one in tried]
    fair = [one for one in refined if _boost(departures, one, rate) <= limits.boost_db + SHOWN_DB]
    return min([bands, *fair], key=lambda one: _left(departures, one, rate))


def _boost(departures: Departures, bands: Sequence[Band], rate: float) -> float:
    level = bands_level_db(bands, departures.frequency_hz, rate)
    return float(level.max() - _median(departures.weight, level))


def _starts(departures: Departures, bands: Sequence[Band], limits: Limits) -> list[Band]:
    """The best single additions by what their gain alone takes away, of different kinds or places."""
    hz, weight, rate = departures.frequency_hz, departures.weight, limits.sampling_rate_hz
    rest = departures.bears_db + bands_level_db(bands, hz, rate)
    octaves = np.log2(hz[-1] / hz[0])
    places = np.geomspace(hz[0], hz[-1], max(2, int(octaves * TRIED_PER_OCTAVE)))
    highest = _highest_q(hz)
    shapes: list[tuple[Kind, float]] = [("low_shelf", 0.7), ("high_shelf", 0.7)]
    shapes += [("peaking", q) for q in TRIED_Q if q <= highest]
    scored = []
    for (kind, q), at in product(shapes, places):
        shape = bands_level_db([Band(kind, float(at), q, 1.0)], hz, rate)
        shape = shape - weight @ shape
        power = max(float(weight @ shape**2), 1e-12)
        gain = float(np.clip(-(weight @ (shape * rest)) / power, DEEPEST_DB, limits.boost_db))
        gained = -2 * gain * float(weight @ (shape * rest)) - gain**2 * power
        scored.append((gained, Band(kind, float(at), q, gain)))
    scored.sort(key=lambda pair: -pair[0])
    chosen: list[Band] = []
    for _, one in scored:
        if all(
            one.kind != other.kind or abs(np.log2(one.frequency_hz / other.frequency_hz)) > 0.5
            for other in chosen
        ):
            chosen.append(one)
    return chosen[:REFINED]


def _highest_q(hz: Real) -> float:
    """A half-power bandwidth spans three frequencies at least."""
    return float(min(PEAK_Q[1], 0.5 / np.diff(np.log(hz)).max()))


def _refined(departures: Departures, bands: Sequence[Band], limits: Limits) -> tuple[Band, ...]:
    """All sizes fitted at once by least squares of levels."""
    hz, root = departures.frequency_hz, np.sqrt(departures.weight)
    kinds = [one.kind for one in bands]
    highest = _highest_q(hz)

    def misses(flat: Real) -> Real:
        level = bands_level_db(_unpacked(kinds, flat), hz, limits.sampling_rate_hz)
        rest = departures.bears_db + level
        beyond = np.maximum(level - _median(departures.weight, level) - limits.boost_db, 0)
        return np.concatenate([root * (rest - departures.weight @ rest), EXCESS * root * beyond])

    low, high = [], []
    for kind in kinds:
        narrow = SHELF_Q if kind.endswith("shelf") else (min(PEAK_Q[0], highest / 2), highest)
        low += [np.log(hz[0]), np.log(narrow[0]), DEEPEST_DB]
        high += [np.log(hz[-1]), np.log(narrow[1]), max(limits.boost_db, 1e-3)]
    start = np.array([(np.log(one.frequency_hz), np.log(one.q), one.gain_db) for one in bands]).ravel()
    edge = 1e-6 * (np.array(high) - low)
    found = least_squares(misses, np.clip(start, low + edge, high - edge), bounds=(low, high), max_nfev=60)
    return _unpacked(kinds, found.x)


def _unpacked(kinds: Sequence[Kind], flat: Real) -> tuple[Band, ...]:
    rows = zip(kinds, flat.reshape(-1, 3), strict=True)
    return tuple(Band(kind, float(np.exp(at)), float(np.exp(q)), float(gain)) for kind, (at, q, gain) in rows)
