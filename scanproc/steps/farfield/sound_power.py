"""Sound power levels."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import REFERENCE_VOLTAGE_V, Real
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.field.extrapolate import radiated_power_w
from scanproc.waves.bands import third_octave_index

REFERENCE_W = 1e-12


def power_levels(expansion: Expansion) -> Real:
    """Sound power level in dB re 1 pW of a sine of 2.83 V, (F,): exact, no sum over angles."""
    power = radiated_power_w(expansion) * (REFERENCE_VOLTAGE_V / expansion.drive_voltage_v) ** 2
    level: Real = 10 * np.log10(power / REFERENCE_W)
    return level


def third_octave_means(frequency_hz: Real, level_db: Real) -> tuple[Real, Real]:
    """For each third-octave band that holds frequencies (F,) one of them, and the mean of powers in it, dB."""
    number = third_octave_index(frequency_hz)
    bands = [np.flatnonzero(number == one) for one in np.unique(number)]
    mean = [10 * np.log10(np.mean(10 ** (level_db[band] / 10))) for band in bands]
    return np.array([frequency_hz[band[len(band) // 2]] for band in bands]), np.array(mean)
