"""Cookbook filters against the analogue prototypes of the same note, through scipy's bilinear transform.

W3C Working Group Note "Audio EQ Cookbook" (2021): H(s) of each kind with s normalised to the corner; the digital filter
is the bilinear transform with the corner prewarped. Prototypes from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import bilinear, freqz

from scanproc.waves.biquads import KINDS, biquad, q_of_slope, response

RATE = 48000.0
HZ = np.geomspace(20, 23000, 60)


def prototype(kind: str, q: float, gain_db: float) -> tuple[list[float], list[float]]:
    a = 10 ** (gain_db / 40)
    bottom = [1, 1 / q, 1]
    return {
        "low_pass": ([0, 0, 1], bottom),
        "high_pass": ([1, 0, 0], bottom),
        "band_pass": ([0, 1 / q, 0], bottom),
        "notch": ([1, 0, 1], bottom),
        "all_pass": ([1, -1 / q, 1], bottom),
        "peaking": ([1, a / q, 1], [1, 1 / (a * q), 1]),
        "low_shelf": ([a, a * a**0.5 / q, a * a], [a, a**0.5 / q, 1]),
        "high_shelf": ([a * a, a * a**0.5 / q, a], [1, a**0.5 / q, a]),
    }[kind]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    ("hz", "q", "gain_db"), [(80.0, 0.7071, 6.0), (1000.0, 3.0, -9.0), (12000.0, 0.6, 4.0)]
)
def test_against_the_analogue_prototype(kind, hz: float, q: float, gain_db: float) -> None:
    top, bottom = biquad(kind, hz, q, gain_db, RATE)
    scale = 1 / np.tan(np.pi * hz / RATE) / 2  # s -> scale · 2 (z-1)/(z+1), which is s = 1j at the corner
    exact = bilinear(*prototype(kind, q, gain_db), fs=scale)
    wanted = freqz(*exact, worN=HZ, fs=RATE)[1]
    np.testing.assert_allclose(freqz(top, bottom, worN=HZ, fs=RATE)[1], wanted, rtol=1e-9, atol=1e-12)
    np.testing.assert_allclose(response(top, bottom, HZ, RATE), wanted, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize(
    ("kind", "level_db"),
    [
        ("low_pass", 20 * np.log10(1.3)),  # |H| = Q at the corner
        ("high_pass", 20 * np.log10(1.3)),
        ("band_pass", 0.0),
        ("all_pass", 0.0),
        ("peaking", -7.0),
        ("low_shelf", -3.5),  # half the gain in dB at the corner
        ("high_shelf", -3.5),
    ],
)
def test_level_at_the_corner(kind, level_db: float) -> None:
    top, bottom = biquad(kind, 900.0, 1.3, -7.0, RATE)
    at = freqz(top, bottom, worN=[900.0], fs=RATE)[1]
    assert 20 * np.log10(np.abs(at[0])) == pytest.approx(level_db, abs=1e-9)


def test_ends_of_the_shelves() -> None:
    ends = np.array([0.0, RATE / 2])
    for kind, wanted in (("low_shelf", [8.0, 0.0]), ("high_shelf", [0.0, 8.0])):
        level = 20 * np.log10(np.abs(response(*biquad(kind, 900.0, 0.7, 8.0, RATE), ends, RATE)))
        assert level == pytest.approx(wanted, abs=1e-9)


def test_slope_one_is_q_of_a_butterworth_shelf() -> None:
    assert q_of_slope(1.0, 9.0) == pytest.approx(np.sqrt(0.5))
    a = 10 ** (6 / 40)
    assert 1 / q_of_slope(0.5, 6.0) ** 2 == pytest.approx((a + 1 / a) * (1 / 0.5 - 1) + 2)
