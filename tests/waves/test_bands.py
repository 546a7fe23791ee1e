"""Third octaves against the base-ten table of IEC 61260-1; frequencies against the octave."""

from __future__ import annotations

import numpy as np
import pytest
from truth import rows

from scanproc.waves.bands import (
    octave_fractions,
    third_octave_centre,
    third_octave_index,
    third_octave_nominal,
)

THIRDS = [(int(index), mid, low, high) for b, index, mid, low, high in rows("bands", "bands") if b == "1/3"]


@pytest.mark.parametrize(("index", "mid", "low", "high"), THIRDS)
def test_mid_frequency_and_edges_are_those_of_the_standard(
    index: int, mid: float, low: float, high: float
) -> None:
    assert third_octave_centre(np.array([index]))[0] == pytest.approx(mid, rel=1e-14)
    inside = np.array([low * (1 + 1e-9), mid, high * (1 - 1e-9)])
    assert list(third_octave_index(inside)) == [index] * 3
    assert list(third_octave_index(np.array([low * (1 - 1e-9), high * (1 + 1e-9)]))) == [index - 1, index + 1]


def test_nominal_frequencies_are_the_preferred_ones() -> None:
    # ISO 266 R10, from memory
    preferred = [20, 25, 31.5, 40, 50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000]
    assert [third_octave_nominal(index) for index in range(-17, 1)] == pytest.approx(preferred)


@pytest.mark.parametrize("per_octave", [1, 3, 24])
def test_fractions_are_even_and_stay_inside(per_octave: int) -> None:
    frequency = octave_fractions(20.0, 20000.0, per_octave)
    octave = 10**0.3  # IEC 61260-1
    np.testing.assert_allclose(frequency[1:] / frequency[:-1], octave ** (1 / per_octave), rtol=1e-12)
    assert 1000.0 in frequency.round(9)
    assert 20.0 * (1 - 1e-9) <= frequency[0] < 20.0 * octave ** (1 / per_octave)
    assert 20000.0 / octave ** (1 / per_octave) < frequency[-1] <= 20000.0 * (1 + 1e-9)
