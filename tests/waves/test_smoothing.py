"""Bands against the table of IEC 61260-1; means against integrals in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from truth import rows

from scanproc.waves.bands import band_centres, band_edges
from scanproc.waves.smoothing import band_means, smoothed


@pytest.mark.parametrize("per_octave", [1, 3, 12, 24])
def test_bands_are_those_of_the_standard(per_octave: int) -> None:
    table = [row[2:] for row in rows("bands", "bands") if row[0] == f"1/{per_octave}"]
    assert table
    centre = band_centres(per_octave, 10, 30000)
    low, high = band_edges(centre, per_octave)
    for wanted in table:
        index = int(np.argmin(np.abs(centre - wanted[0])))
        assert (centre[index], low[index], high[index]) == pytest.approx(wanted, rel=1e-9)


def test_for_even_b_1_khz_is_an_edge() -> None:
    assert np.min(np.abs(band_edges(band_centres(12, 500, 2000), 12)[0] - 1000)) < 1e-9
    assert np.min(np.abs(band_centres(3, 500, 2000) - 1000)) < 1e-9


def test_only_bands_that_are_covered() -> None:
    centre = band_centres(3, 89.1250938, 1122.01846)
    assert centre[[0, -1]] == pytest.approx([100, 1000])
    assert band_centres(3, 90, 1122)[[0, -1]] == pytest.approx([125.892541, 794.328235])


def test_a_straight_line_stays_and_a_constant_stays() -> None:
    hz = np.sort(np.random.default_rng(1).uniform(20, 20000, 90))
    line = 3 + 2 * np.log10(hz)
    np.testing.assert_allclose(smoothed(hz, line, 3), line, rtol=1e-12)
    np.testing.assert_allclose(smoothed(hz, np.full(90, 2 - 1j), 1), 2 - 1j, rtol=1e-12)


def test_a_sine_over_log_frequency_shrinks_as_its_integral_says() -> None:
    hz = np.geomspace(20, 20000, 3001)
    turn = 2 * np.pi * np.log10(hz) / 0.5  # half a decade per period
    width = 0.3 / 2
    wanted = np.sin(turn) * np.sin(np.pi * width / 0.5) / (np.pi * width / 0.5)
    inner = slice(300, -300)
    np.testing.assert_allclose(
        smoothed(hz, np.sin(turn), 2)[inner], wanted[inner], atol=2e-5
    )  # chords: (ω·step)²/8


def test_band_means_against_brute_force() -> None:
    hz = np.geomspace(30, 18000, 400)
    power = 1 + np.sin(np.log(hz) * 5) ** 2
    centre, found = band_means(hz, np.stack([power, 2 * power]), 3)
    for index, (low, high) in enumerate(zip(*band_edges(centre, 3), strict=True)):
        fine = np.interp(np.linspace(np.log(low), np.log(high), 20001), np.log(hz), power)
        assert found[:, index] == pytest.approx([fine.mean(), 2 * fine.mean()], rel=1e-5)
