"""Directions between the scan's frequencies and as impulse responses, against a device in closed form."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scanproc.errors import ScanDataError
from scanproc.records.answers.directions import DirectionSet
from scanproc.steps.farfield.grid import (
    impulse_responses,
    interpolation_errors_db,
    keep_delay,
    on_grid,
    smooth,
)
from scanproc.steps.farfield.interpolation import delays, interpolation_error
from scanproc.steps.farfield.sets import named_set
from scanproc.waves.bands import octave_fractions
from synthetic_scans.device import paging_loudspeaker
from synthetic_scans.sources import Cluster

SPEED = 343.2
ANGLES = named_set("orbits-45")
DEVICE: Cluster = paging_loudspeaker(0.2)
SCAN_HZ = octave_fractions(50, 16000, 24)


def directions(frequency_hz: np.ndarray) -> DirectionSet:
    pressure = DEVICE.far_field(ANGLES.direction, frequency_hz, SPEED)
    error = np.full(pressure.shape, 0.1)
    return DirectionSet(
        "orbits-45",
        ANGLES.direction,
        frequency_hz,
        pressure,
        error,
        ANGLES.orbit,
        ANGLES.angle_deg,
        speed_of_sound_m_s=SPEED,
    )


def distance_db(found: np.ndarray, exact: np.ndarray) -> float:
    return float(20 * np.log10(np.linalg.norm(found - exact) / np.linalg.norm(exact)))


def test_finer_grid_is_the_device_itself() -> None:
    fine = octave_fractions(51, 15900, 55)
    exact = directions(fine).pressure_pa_m
    coarse, dense = (directions(octave_fractions(50, 16000, per_octave)) for per_octave in (24, 48))
    error, denser = (distance_db(on_grid(one, fine).pressure_pa_m, exact) for one in (coarse, dense))
    assert error < -45
    assert error - denser > 12  # at least as the square of the spacing


def test_the_cost_of_interpolation_is_told_for_each_angle() -> None:
    """Half way between the scan's frequencies, where the device itself is known."""
    one = directions(octave_fractions(50, 16000, 12))
    middle = np.sqrt(one.frequency_hz[1:] * one.frequency_hz[:-1])
    exact = directions(middle).pressure_pa_m
    missed = np.abs(on_grid(one, middle).pressure_pa_m - exact)
    told = interpolation_error(one.frequency_hz, one.pressure_pa_m, middle)
    rms, worst, at = interpolation_errors_db(one)
    true_db = 10 * np.log10(np.sum(missed**2, axis=1) / np.sum(np.abs(exact) ** 2, axis=1))
    assert np.median(np.abs(rms - true_db)) < 3
    assert np.min(rms - true_db) > -4  # hardly ever too small; at the smoothest angles too large
    assert np.all(worst > rms)
    assert np.ptp(worst) > 10  # dB: one number for all angles would hide it
    assert np.all((at > 50) & (at < 16000))
    assert np.all(interpolation_error(one.frequency_hz, one.pressure_pa_m, one.frequency_hz[5:9]) == 0)
    assert told.shape == missed.shape


def test_a_long_delay_of_the_device_is_found_too() -> None:
    """Signal processing in the device may take tens of milliseconds."""
    value = np.exp(-2j * np.pi * SCAN_HZ * np.array([[31.2e-3], [30.5e-3]]))
    assert delays(SCAN_HZ, value) == pytest.approx([31.2e-3, 30.5e-3], abs=1e-5)


def test_the_same_grid_changes_nothing() -> None:
    one = directions(SCAN_HZ)
    assert on_grid(one, SCAN_HZ) is one


def test_a_known_delay_is_found() -> None:
    value = np.exp(-2j * np.pi * SCAN_HZ * np.array([[1.23e-3], [-0.5e-3], [0.0]]))
    assert delays(SCAN_HZ, value) == pytest.approx([1.23e-3, -0.5e-3, 0], abs=1e-5)


def test_outside_the_band_is_refused() -> None:
    with pytest.raises(ScanDataError, match="within the scan's"):
        on_grid(directions(SCAN_HZ), np.array([20.0, 100.0]))


def test_smoothing_states_what_it_averages() -> None:
    hz = np.geomspace(100, 10000, 800)
    ripple = 1 + 0.5 * np.exp(-2j * np.pi * hz * 2e-3)
    one = DirectionSet("x", [[1.0, 0, 0]], hz, ripple[None], np.full((1, 800), 0.2))
    by_power, by_value = (smooth(one, 1, kind).pressure_pa_m[0] for kind in ("power", "complex"))
    high = (hz > 3000) & (hz < 6000)
    assert np.abs(by_power[high]) == pytest.approx(np.sqrt(1.25), rel=0.05)  # mean of |1 + e/2|²
    assert by_value[high] == pytest.approx(1, rel=0.05)  # mean of 1 + e/2
    np.testing.assert_allclose(np.angle(by_power), np.angle(ripple), atol=1e-12)


def test_delay_over_the_distance() -> None:
    seat = replace(directions(SCAN_HZ), distance_m=np.full(ANGLES.direction.shape[0], 4.0))
    for one, metres in ((directions(SCAN_HZ), 1.0), (seat, 4.0)):
        kept = keep_delay(one)
        wanted = one.pressure_pa_m * np.exp(-2j * np.pi * SCAN_HZ * metres / SPEED)
        np.testing.assert_allclose(kept.pressure_pa_m, wanted, rtol=1e-12)
        assert kept.delay == "kept"
        assert keep_delay(kept) is kept


@pytest.mark.parametrize("keep", [False, True])
def test_impulse_responses_transform_back(keep: bool) -> None:
    found = impulse_responses(directions(SCAN_HZ), 48000.0, 16384, keep=keep)
    assert found.time_zero_sample == 4096
    inner = SCAN_HZ[3:-3]
    time = (np.arange(16384) - 4096) / 48000.0
    spectrum = found.response_pa_m @ np.exp(-2j * np.pi * np.outer(time, inner))
    exact = directions(inner).pressure_pa_m * (np.exp(-2j * np.pi * inner / SPEED) if keep else 1)
    assert distance_db(spectrum, exact) < -60
    assert np.max(np.abs(20 * np.log10(np.abs(spectrum / exact)))) < 0.01


def test_nothing_rings_around_the_end() -> None:
    response = impulse_responses(directions(SCAN_HZ), 48000.0, 16384).response_pa_m
    assert np.abs(response[:, -500:]).max() < 1e-3 * np.abs(response).max()
    peak = np.abs(response[0]).argmax()
    assert abs(peak - 4096) < 60  # the driver sits 0.2 m in front of the origin: about 28 samples early
