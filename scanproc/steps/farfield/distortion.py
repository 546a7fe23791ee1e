"""Harmonics of the far field against the fundamental, with what noise alone could look like.

Two ratios in the sense of IEC 60268-21 (2018; its wording from memory): harmonic distortion compares the harmonic with
the fundamental at the excitation frequency; equivalent input distortion compares it with the fundamental at the
harmonic's own frequency, as if it had entered with the drive signal, which takes the response's shape out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from scanproc.conventions import Integer, Real, level_db
from scanproc.records.answers.curves import Curves
from scanproc.records.answers.distortion import PLACES, Distortion
from scanproc.records.checked import short_repr
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.farfield.curves import STANDARD, CurveChoices, average_weights, derived_curves
from scanproc.steps.farfield.error_bars import error_model
from scanproc.steps.field.extrapolate import far_field_variance
from scanproc.steps.sound.drive_levels import POWER_99
from scanproc.waves.orbit_sets import directions

CURVES = dict(zip(PLACES, ("on axis", "listening window", "sound power, exact"), strict=True))

Reference = Literal["excitation", "own"]


@dataclass(frozen=True, eq=False)
class Harmonic:
    """The ``expansion`` of a harmonic at its own frequencies, ``at`` which excitation frequencies (indices);
    ``noise_pa_m`` (F,): least rms error of a far-field pressure that the microphones' noise allows, Pa·m."""

    expansion: Expansion
    at: Integer
    noise_pa_m: Real


@short_repr
@dataclass(frozen=True, eq=False)
class Ratio:
    """Of pressures, dB (F,): ``value_db`` with ``standard_error_db``, and ``floor_db`` up to which it is no more than
    noise could be."""

    value_db: Real
    standard_error_db: Real
    floor_db: Real


def distortion(
    fundamental: Expansion,
    excitation: Integer,
    harmonics: Mapping[int, Harmonic],
    choices: CurveChoices = STANDARD,
) -> Distortion:
    """Levels, errors and floors of harmonics by order; ``excitation``: indices into the fundamental's frequencies."""
    whole = _levels(derived_curves(fundamental, choices))[0]
    hz = fundamental.frequency_hz[excitation]
    unknown = np.full((len(harmonics), len(PLACES), len(hz)), np.nan)
    level, error, floor, own = (unknown.copy() for _ in range(4))
    for row, one in enumerate(harmonics.values()):
        found = one.expansion
        level[row][:, one.at], error[row][:, one.at] = _levels(derived_curves(found, choices))
        floor[row][:, one.at] = _floor(one, choices)
        octave, known = np.log2(found.frequency_hz), np.log2(fundamental.frequency_hz)
        own[row][:, one.at] = [np.interp(octave, known, levels) for levels in whole]
    orders: Integer = np.array(list(harmonics), dtype=np.int64)
    return Distortion(hz, orders, level, error, floor, whole[:, excitation], own)


def harmonic_ratio(found: Distortion, row: int, place: int, reference: Reference) -> Ratio:
    """One harmonic by its place in ``order`` against the fundamental; place in ``PLACES``."""
    against = _against(found, place, reference)[row]
    level, error, floor = (a[row, place] for a in (found.level_db, found.standard_error_db, found.floor_db))
    return Ratio(level - against, error, floor - against)


def total_ratio(found: Distortion, place: int, reference: Reference) -> Ratio:
    """All harmonics that are known at an excitation frequency: the root of the sum of their squares.

    Against the fundamental, not against the whole sound. NaN where no harmonic is known.
    """
    against = _against(found, place, reference)
    power = 10 ** ((found.level_db[:, place] - against) / 10)
    floor = 10 ** ((found.floor_db[:, place] - against) / 10)
    total, least = _sum(power), _sum(floor)
    spread = np.sqrt(_sum((power * found.standard_error_db[:, place]) ** 2))
    with np.errstate(divide="ignore", invalid="ignore"):
        return Ratio(10 * np.log10(total), spread / total, 10 * np.log10(least))


def _against(found: Distortion, place: int, reference: Reference) -> Real:
    """Level of the fundamental for each harmonic (N, F)."""
    if reference == "own":
        return found.own_db[:, place]
    return np.broadcast_to(found.fundamental_db[place], found.own_db[:, place].shape)


def _sum(values: Real) -> Real:
    """Over the orders that are known; NaN where none is."""
    known = np.isfinite(values)
    return np.where(known.any(axis=0), np.where(known, values, 0.0).sum(axis=0), np.nan)


def _levels(curves: Curves) -> tuple[Real, Real]:
    """Levels and standard errors at the places, (P, F) each."""
    found = [curves.get(name) for name in CURVES.values()]
    return np.stack([one.value for one in found]), np.stack([one.standard_error for one in found])


def _floor(one: Harmonic, choices: CurveChoices) -> Real:
    """Levels (P, F) up to which 99 % of errors alone would reach: those that the fit predicts, no less than those of
    the noise at the microphones."""
    expansion, weights = one.expansion, average_weights(choices)
    variance = far_field_variance(expansion, directions())
    averaged = [weights[name] @ variance for name in CURVES.values() if name in weights]
    everywhere = np.sum(error_model(expansion).mode_power, axis=0) / (4 * np.pi)
    power = POWER_99 * np.maximum([*averaged, everywhere], one.noise_pa_m**2)
    return level_db(np.sqrt(power), expansion.drive_voltage_v)
