"""Air that changes during the scan: per point speeds of sound, set right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from cooling_scans import cooling, far_error_db, unaware

from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.view import relative_wavenumber, speed_of_sound
from scanproc.steps.sound.mean_air import in_mean_air
from scanproc.waves.air import speed_in_moist_air_m_s, speed_of_sound_m_s
from scanproc.waves.directions import fibonacci_sphere
from synthetic_scans import recipe as recipes


def drifting(points=60, radius=0.4, **setup) -> ScanSetup:
    celsius = np.linspace(21.5, 18.5, points)
    return ScanSetup(radius * fibonacci_sphere(points), point_temperature_c=celsius, **setup)


def test_relative_wavenumbers_are_those_of_the_formula() -> None:
    setup = drifting()
    want = np.sqrt((20.0 + 273.15) / (setup.point_temperature_c + 273.15))
    np.testing.assert_allclose(relative_wavenumber(setup), want, rtol=1e-12)
    stated = drifting(temperature_c=17.0)
    np.testing.assert_allclose(
        relative_wavenumber(stated) / speed_of_sound(stated),
        1 / speed_of_sound_m_s(stated.point_temperature_c),
        rtol=1e-12,
    )
    assert np.all(relative_wavenumber(ScanSetup(np.ones((3, 3)))) == 1)


def test_humidity_brings_in_the_moist_air_formula() -> None:
    setup = ScanSetup(np.ones((3, 3)), temperature_c=22.0, humidity_percent=50.0)
    assert speed_of_sound(setup) == pytest.approx(345.2386, abs=1e-4)  # Cramer 1993
    assert speed_in_moist_air_m_s(22.0, 50.0) == speed_of_sound(setup)


def test_a_source_where_it_is_assumed_is_exact() -> None:
    setup = drifting()
    distance = np.linalg.norm(setup.position_m - [0.1, 0, 0.05], axis=1)[:, None]
    frequency = np.array([500.0, 3000.0, 10000.0])
    own = 2 * np.pi * frequency / speed_of_sound_m_s(setup.point_temperature_c)[:, None]
    scan = in_mean_air(Scan(setup, frequency, np.exp(-1j * own * distance) / distance), [0.1, 0, 0.05])
    k = 2 * np.pi * frequency / speed_of_sound_m_s(20.0)
    np.testing.assert_allclose(scan.pressure_pa, np.exp(-1j * k * distance) / distance, atol=1e-10)
    assert scan.setup.point_temperature_c is None
    assert speed_of_sound(scan.setup) == pytest.approx(speed_of_sound_m_s(20.0), rel=1e-12)


def test_three_kelvin_over_a_scan_of_spectra() -> None:
    """At 10 kHz the error falls by at least 15 dB."""
    near = {"spacing": "linear", "start_hz": 9400.0, "stop_hz": 10600.0, "count": 13}
    recipe = recipes.parse(cooling(frequencies=near))
    scan, truth = recipes.make_scan(recipe), recipes.truth(recipe)
    scan = replace(scan, setup=replace(scan.setup, device_size_m=np.array([0.2, 0.1, 0.25])))
    at = np.array([6])
    assert scan.frequency_hz[6] == 10000.0
    before = far_error_db(unaware(scan).take_frequencies(at), truth)
    after = far_error_db(in_mean_air(scan).take_frequencies(at), truth)
    assert before[0] - after[0] > 15
