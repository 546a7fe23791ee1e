"""Fractional-octave bands, base ten (IEC 61260-1:2014, clause 5; the clause is from memory)."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Integer, Real

REFERENCE_HZ = 1000.0
THIRD_OCTAVES_PER_DECADE = 10
_NOMINAL = np.array([1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0])


def third_octave_index(frequency_hz: Real) -> Integer:
    """Number of the third-octave band that holds each frequency: 0 around 1 kHz, 10 around 10 kHz."""
    return np.floor(THIRD_OCTAVES_PER_DECADE * np.log10(frequency_hz / REFERENCE_HZ) + 0.5).astype(np.int64)


def third_octave_centre(index: Integer) -> Real:
    """Exact mid-band frequencies 1000·10^(index/10), Hz."""
    centre: Real = REFERENCE_HZ * 10 ** (np.asarray(index) / THIRD_OCTAVES_PER_DECADE)
    return centre


def third_octave_name(frequency_hz: float) -> float:
    """The rounded mid-band frequency of the band that holds a frequency, Hz."""
    return third_octave_nominal(int(third_octave_index(np.array([frequency_hz]))[0]))


def third_octave_nominal(index: int) -> float:
    """The rounded mid-band frequency by which a band is called, Hz (IEC 61260-1, annex; from memory)."""
    decade, step = divmod(index, THIRD_OCTAVES_PER_DECADE)
    return float(_NOMINAL[step] * REFERENCE_HZ * 10.0**decade)


def octave_fractions(lowest_hz: float, highest_hz: float, per_octave: int) -> Real:
    """Frequencies 1000·10^(3x/(10·per_octave)), x whole, from ``lowest_hz`` to ``highest_hz`` inclusive."""
    step = 0.3 / per_octave
    first = np.ceil(np.log10(lowest_hz / REFERENCE_HZ) / step - 1e-9)
    last = np.floor(np.log10(highest_hz / REFERENCE_HZ) / step + 1e-9)
    frequency: Real = REFERENCE_HZ * 10 ** (np.arange(first, last + 1) * step)
    return frequency


def band_centres(per_octave: int, lowest_hz: float, highest_hz: float) -> Real:
    """Exact mid-band frequencies, Hz, of the bands that lie wholly within a range.

    1000·G^(x/b) for odd b, 1000·G^((2x+1)/2b) for even b, where 1000 Hz is an edge; G = 10^(3/10).
    """
    half = 0 if per_octave % 2 else 0.5
    step = 0.3 / per_octave
    first = np.ceil(np.log10(lowest_hz / REFERENCE_HZ) / step + 0.5 - half - 1e-9)
    last = np.floor(np.log10(highest_hz / REFERENCE_HZ) / step - 0.5 - half + 1e-9)
    centre: Real = REFERENCE_HZ * 10 ** ((np.arange(first, last + 1) + half) * step)
    return centre


def band_edges(centre_hz: Real, per_octave: int) -> tuple[Real, Real]:
    """Lower and upper edges f·G^(∓1/2b), Hz."""
    ratio = 10 ** (0.15 / per_octave)
    return centre_hz / ratio, centre_hz * ratio
