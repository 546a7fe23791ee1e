"""Datasheet numbers against filters in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from patterns import pattern_expansion
from scipy.optimize import brentq
from scipy.signal import freqs
from scipy.special import sici

from scanproc.records.answers.curves import Curve, Curves
from scanproc.steps.farfield.curves import derived_curves
from scanproc.steps.farfield.headline import (
    Figure,
    band_mean,
    band_slope,
    coverage,
    headline,
    low_limit,
)

SEALED_HZ = 76.0


def sealed(frequency_hz, passband_db=94.0):
    """A second-order Butterworth high-pass on the axis of a point source."""
    omega = 2 * np.pi * SEALED_HZ
    response = freqs([1, 0, 0], [1, np.sqrt(2) * omega, omega**2], 2 * np.pi * frequency_hz)[1]
    gain = 20e-6 * 10 ** (passband_db / 20)
    return derived_curves(
        pattern_expansion(
            lambda unit: np.ones((len(unit), 1)) * gain * response, frequency_hz, 1, relative_variance=1e-4
        )
    )


def test_sealed_box() -> None:
    found = headline(sealed(np.geomspace(5, 5000, 400)))
    assert found.sensitivity is not None
    assert found.sensitivity.value == pytest.approx(94, abs=0.01)
    # 20 lg|H| = -3 dB at the corner (3.01); -10 dB at 76/9^(1/4) = 43.9 Hz
    assert found.low_limit["-3 dB"].value == pytest.approx(76, abs=0.3)
    assert found.low_limit["-10 dB"].value == pytest.approx(SEALED_HZ / 9**0.25, abs=0.2)
    assert found.low_limit["-6 dB"].value == pytest.approx(SEALED_HZ / (10**0.6 - 1) ** 0.25, abs=0.2)
    assert found.roll_off.value == pytest.approx(12, abs=0.15)
    assert 0 < found.low_limit["-3 dB"].standard_error < 2
    assert 0 < found.roll_off.standard_error < 1
    assert found.directivity_index.value == pytest.approx(0, abs=1e-9)


def test_a_scan_that_starts_too_high_says_nothing_of_the_limits() -> None:
    found = headline(sealed(np.geomspace(200, 5000, 60)))
    assert found.sensitivity is not None
    assert list(found.low_limit.values()) == [None, None, None]
    assert found.roll_off is None


def test_a_scan_outside_the_band_has_no_sensitivity() -> None:
    found = headline(sealed(np.geomspace(20, 250, 60)))
    assert found.sensitivity is None
    assert found.in_room_tilt is not None


def test_tilt_of_a_known_line() -> None:
    hz = np.geomspace(50, 20000, 173)
    line = Curve("x", "dB", 90 - 1.25 * np.log2(hz / 1000), np.full(173, 0.2))
    tilt = band_slope(hz, line, (100, 10000))
    assert tilt.value == pytest.approx(-1.25, abs=1e-9)
    assert (tilt.unit, tilt.from_hz >= 100, tilt.to_hz <= 10000) == ("dB per octave", True, True)


def test_a_dip_within_the_band_is_no_limit() -> None:
    hz = np.geomspace(20, 5000, 300)
    level = (
        np.where(hz < 60, 80.0, 94.0) - 8 * (np.abs(np.log2(hz / 700)) < 0.1) - 8 * ((hz > 300) & (hz < 330))
    )
    found = low_limit(
        hz, Curve("x", "dB", level, np.full(300, 0.1)), Figure(94.0, 0.1, "dB", 300.0, 3000.0), 6
    )
    edge = hz[hz >= 330][0]
    assert edge * 0.98 < found.value < edge  # nothing is above the limit from 300 Hz to there
    found = low_limit(
        hz, Curve("x", "dB", level, np.full(300, 0.1)), Figure(94.0, 0.1, "dB", 200.0, 3000.0), 6
    )
    assert found.value == pytest.approx(60, rel=0.03)


def test_the_mean_is_the_integral_over_log_frequency() -> None:
    hz = np.sort(np.random.default_rng(2).uniform(200, 4000, 40))
    level = 90 + 3 * np.sin(hz / 300)
    low, high = hz[0], 3000.0  # the scan begins within the band
    si = sici(np.array([low, high]) / 300)[0]  # the integral of sin(x)/x is Si
    wanted = 90 + 3 * (si[1] - si[0]) / np.log(high / low)
    found = band_mean(hz, Curve("x", "dB", level, np.full(40, 1e-6)), (300.0, 3000.0))
    assert found.value == pytest.approx(wanted, abs=min(0.05, 2 * found.standard_error))
    assert (found.from_hz, found.to_hz) == (pytest.approx(low), pytest.approx(high))
    found = band_mean(hz, Curve("x", "dB", level, np.full(40, 0.5)), (300.0, 3000.0))
    assert 0.5 / np.sqrt(11) < found.standard_error < 0.5  # eleven third-octaves, each on its own


def test_a_limit_moves_with_the_level_as_its_error_says() -> None:
    hz = np.geomspace(10, 5000, 400)
    curves = sealed(hz)
    reference = headline(curves).sensitivity
    axis = curves.get("on axis")
    here = low_limit(hz, axis, reference, 10)
    moved = low_limit(hz, Curve("x", "dB", axis.value + 0.1, axis.standard_error), reference, 10)
    index = np.searchsorted(hz, here.value)
    error_db = np.hypot(axis.standard_error[index], reference.standard_error)
    assert (here.value - moved.value) / 0.1 == pytest.approx(here.standard_error / error_db, rel=0.02)


def test_curves_must_fit_their_frequencies() -> None:
    with pytest.raises(Exception, match="x must have 3 values, got 2"):
        Curves(np.array([1.0, 2.0, 3.0]), (Curve("x", "dB", np.zeros(2), np.zeros(2)),))


@pytest.mark.parametrize("per_octave", [6, 12, 24])
def test_the_errors_count_the_sampling_of_the_band(per_octave: int) -> None:
    """A ripple whose mean and limit are known: 300 shifts of the frequencies, 95 % intervals hold both.

    The level is -10 lg(1 + (f₀/f)⁴) (a Butterworth high-pass) with 1 dB of ripple of half an octave.
    """

    def level(hz: np.ndarray) -> np.ndarray:
        return 94 - 10 * np.log10(1 + (SEALED_HZ / hz) ** 4) + np.sin(4 * np.pi * np.log2(hz / 1000))

    fine = np.geomspace(300, 3000, 20001)
    mean = np.trapezoid(level(fine), np.log(fine)) / np.log(10)
    limit = brentq(lambda hz: level(np.array([hz]))[0] - (mean - 6), 40, 75)
    z = []
    for shift in np.linspace(0, 1, 100, endpoint=False):
        hz = 20 * 2 ** ((np.arange(8 * per_octave) + shift) / per_octave)
        curve = Curve("on axis", "dB", level(hz), np.full(len(hz), 1e-4))
        sensitivity = band_mean(hz, curve, (300, 3000))
        assert (sensitivity.from_hz, sensitivity.to_hz) == (pytest.approx(300), pytest.approx(3000))
        below = low_limit(hz, curve, sensitivity, 6)
        z.append(
            [
                (sensitivity.value - mean) / sensitivity.standard_error,
                (below.value - limit) / below.standard_error,
            ]
        )
        assert abs(sensitivity.value - mean) < 0.05
        assert sensitivity.standard_error < 0.1
    assert np.mean(np.abs(z) < 1.96) > 0.9


def test_the_even_range_of_a_sealed_box_begins_at_its_corner() -> None:
    """20 lg|H| = -3 dB at 76/(10^0.3 - 1)^(1/4) Hz; above, nothing falls."""
    found = headline(sealed(np.geomspace(5, 5000, 400)))
    assert found.even_range.from_hz == pytest.approx(SEALED_HZ / (10**0.3 - 1) ** 0.25, rel=2e-3)
    assert found.even_range.to_hz == pytest.approx(5000)


def test_the_even_range_begins_at_the_lower_limit() -> None:
    """One number for one thing, at coarse frequencies too."""
    found = headline(sealed(np.geomspace(20, 5000, 30)))
    assert found.even_range.from_hz == pytest.approx(found.low_limit["-3 dB"].value, rel=1e-9)
    assert found.coverage == {"horizontal": None, "vertical": None}


def test_coverage_is_the_median_of_the_beamwidth_between_1_and_4_khz() -> None:
    hz = np.geomspace(500, 8000, 41)
    width = np.where(hz < 1500, np.nan, 100.0)
    curves = Curves(hz, (Curve("horizontal beamwidth, -6 dB", "deg", width, np.full(41, 1.0)),))
    assert coverage(curves, "horizontal beamwidth, -6 dB").value == 100.0
    wide = Curves(hz, (Curve("horizontal beamwidth, -6 dB", "deg", width * np.nan, width),))
    assert coverage(wide, "horizontal beamwidth, -6 dB") is None
