"""Errors and orders by third-octave band."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.waves.bands import third_octave_index, third_octave_nominal


@dataclass(frozen=True)
class Band:
    """One third-octave band: its nominal mid frequency, the frequencies of the scan in it, what was found.

    Errors are means of powers over the frequencies of the band, in dB; None where nothing is known.
    """

    nominal_hz: float
    lowest_hz: float
    highest_hz: float
    frequencies: int
    lowest_order: int
    highest_order: int
    held_out_db: float | None
    far_field_error_db: float | None

    def meets(self, target_db: float) -> bool:
        """Whether the predicted far-field error is low enough."""
        return self.far_field_error_db is not None and self.far_field_error_db <= target_db

    def held_out_meets(self, target_db: float) -> bool:
        """Whether the held-out error is low enough, a harder test on evenly spread points."""
        return self.held_out_db is not None and self.held_out_db <= target_db


def bands(expansion: Expansion) -> tuple[Band, ...]:
    """The bands that hold frequencies of the expansion, rising."""
    number = third_octave_index(expansion.frequency_hz)
    held_out = held_out_at_order(expansion)
    return tuple(
        _band(expansion, held_out, np.flatnonzero(number == one), int(one)) for one in np.unique(number)
    )


def held_out_at_order(expansion: Expansion) -> Real:
    """Held-out error of the order used at each frequency (F,), dB."""
    held_out: Real = np.take_along_axis(expansion.held_out_db, expansion.order[None, :], axis=0)[0]
    return held_out


def widest_run(found: tuple[Band, ...], met: Sequence[bool]) -> tuple[Band, ...]:
    """The longest row of neighbouring bands that are all ``met``; the lower of equals."""
    best: tuple[Band, ...] = ()
    run: tuple[Band, ...] = ()
    for band, good in zip(found, met, strict=True):
        run = (*run, band) if good else ()
        best = run if len(run) > len(best) else best
    return best


def _band(expansion: Expansion, held_out: Real, which: Integer, number: int) -> Band:
    return Band(
        nominal_hz=third_octave_nominal(number),
        lowest_hz=float(expansion.frequency_hz[which[0]]),
        highest_hz=float(expansion.frequency_hz[which[-1]]),
        frequencies=len(which),
        lowest_order=int(expansion.order[which].min()),
        highest_order=int(expansion.order[which].max()),
        held_out_db=_power_mean_db(held_out[which]),
        far_field_error_db=_power_mean_db(expansion.far_field_error_db[which]),
    )


def _power_mean_db(error_db: Real) -> float | None:
    if np.any(np.isnan(error_db)):
        return None
    power = np.mean(10 ** (error_db / 10))
    return round(float(10 * np.log10(power)), 2) if power > 0 else None
