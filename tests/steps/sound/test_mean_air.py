"""Air that changes during the scan: per point speeds of sound, set right."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.field.view import relative_wavenumber, speed_of_sound
from scanproc.steps.fit.expand import fit
from scanproc.steps.sound.mean_air import in_mean_air, mean_air, spectra_in_mean_air
from scanproc.waves.air import speed_in_moist_air_m_s, speed_of_sound_m_s
from scanproc.waves.directions import fibonacci_sphere, lebedev_grid
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
    assert scan.setup == mean_air(setup) or scan.setup.point_temperature_c is None


def table(**changes):
    """The paging loudspeaker, 3 K cooler at the end than at the start, in free field."""
    return {
        "name": "cooling",
        "temperature_drift_k": 3.0,
        "device": {
            "kind": "sources",
            "source": [{"position_m": [0.12, 0.01, -0.06]}, {"position_m": [0.1, 0.0, 0.1]}],
        },
        "surface": {"kind": "shells", "points": 1500, "radii_m": [0.4]},
    } | changes


def far_error_db(scan: Scan, truth) -> np.ndarray:
    direction, weight = lebedev_grid(65)
    want = truth.far_field(direction, scan.frequency_hz)
    missed = weight @ np.abs(far_field(fit(scan, order=34), direction) - want) ** 2
    return 10 * np.log10(missed / (weight @ np.abs(want) ** 2))


def unaware(scan):
    """The same scan with nothing known of the change."""
    return replace(scan, setup=mean_air(scan.setup))


def test_three_kelvin_over_a_scan_of_spectra() -> None:
    """At 10 kHz the error falls by at least 15 dB."""
    near = {"spacing": "linear", "start_hz": 9400.0, "stop_hz": 10600.0, "count": 13}
    recipe = recipes.parse(table(frequencies=near))
    scan, truth = recipes.make_scan(recipe), recipes.truth(recipe)
    scan = replace(scan, setup=replace(scan.setup, device_size_m=np.array([0.2, 0.1, 0.25])))
    at = np.array([6])
    assert scan.frequency_hz[6] == 10000.0
    before = far_error_db(unaware(scan).take_frequencies(at), truth)
    after = far_error_db(in_mean_air(scan).take_frequencies(at), truth)
    assert before[0] - after[0] > 15


def test_three_kelvin_over_a_scan_of_impulse_responses() -> None:
    """At 10 kHz the error falls by at least 15 dB; a room changes nothing about that."""
    grid = {"sampling_rate_hz": 28000.0, "length_s": 0.02}
    recipe = recipes.parse(table(impulse=grid))
    scan, truth = recipes.make_scan(recipe), recipes.truth(recipe)
    frequency = np.array([1000.0, 10000.0])
    before = far_error_db(spectra_in_mean_air(unaware(scan), frequency), truth)
    after = far_error_db(spectra_in_mean_air(scan, frequency), truth)
    assert before[1] - after[1] > 15
    assert after.max() < -40


def test_reflections_are_set_right_too() -> None:
    room = {
        "size_m": [7.1, 5.2, 3.05],
        "origin_m": [2.9, 2.3, 1.35],
        "reflection": [0.8] * 6,
        "reflections": 1,
    }
    grid = {"sampling_rate_hz": 8000.0, "length_s": 0.06}
    surface = {"kind": "shells", "points": 24, "radii_m": [0.5]}
    device = {"kind": "paging_loudspeaker", "detail": 0.1}
    recipe = recipes.parse(table(impulse=grid, room=room, surface=surface, device=device))
    scan = recipes.make_scan(recipe)
    frequency = np.array([1000.0, 2500.0])
    speed = float(recipes.speed_of_sound_m_s(20.0))
    want = recipes.in_its_room(recipe).pressure(scan.setup.position_m, frequency, speed)
    got = spectra_in_mean_air(scan, frequency).pressure_pa
    left = spectra_in_mean_air(unaware(scan), frequency).pressure_pa
    assert np.linalg.norm(got - want) < 0.25 * np.linalg.norm(left - want)
