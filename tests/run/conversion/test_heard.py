"""The sound of a scan as the fit hears it, where the air changed while the scan ran."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from cooling_scans import cooling, far_error_db, unaware

from scanproc.files.stored.scan_file import open_scan, write_scan
from scanproc.records.measured.scan import ImpulseScan, Scan
from scanproc.run.conversion.heard import hear
from scanproc.run.conversion.preparation import wanted_frequencies
from scanproc.run.settings.conversion import FrequencySettings
from synthetic_scans import recipe as recipes


def heard(scan: ImpulseScan, frequency_hz: np.ndarray, path: Path) -> Scan:
    """As a conversion hears a scan from its file."""
    write_scan(path, scan)
    with open_scan(path) as file:
        return hear(file).steady(frequency_hz)


def test_three_kelvin_over_a_scan_of_impulse_responses(tmp_path: Path) -> None:
    """At 10 kHz the error falls by at least 15 dB."""
    recipe = recipes.parse(cooling(impulse={"sampling_rate_hz": 28000.0, "length_s": 0.02}))
    scan, truth = recipes.make_scan(recipe), recipes.truth(recipe)
    frequency = np.array([1000.0, 10000.0])
    before = far_error_db(heard(unaware(scan), frequency, tmp_path / "unaware.h5"), truth)
    after = far_error_db(heard(scan, frequency, tmp_path / "scan.h5"), truth)
    assert before[1] - after[1] > 15
    assert after.max() < -40


def test_reflections_are_set_right_too(tmp_path: Path) -> None:
    room = {
        "size_m": [7.1, 5.2, 3.05],
        "origin_m": [2.9, 2.3, 1.35],
        "reflection": [0.8] * 6,
        "reflections": 1,
    }
    grid = {"sampling_rate_hz": 8000.0, "length_s": 0.06}
    surface = {"kind": "shells", "points": 24, "radii_m": [0.5]}
    device = {"kind": "paging_loudspeaker", "detail": 0.1}
    recipe = recipes.parse(cooling(impulse=grid, room=room, surface=surface, device=device))
    scan = recipes.make_scan(recipe)
    frequency = np.array([1000.0, 2500.0])
    speed = float(recipes.speed_of_sound_m_s(20.0))
    want = recipes.in_its_room(recipe).pressure(scan.setup.position_m, frequency, speed)
    got = heard(scan, frequency, tmp_path / "scan.h5").pressure_pa
    left = heard(unaware(scan), frequency, tmp_path / "unaware.h5").pressure_pa
    assert np.linalg.norm(got - want) < 0.25 * np.linalg.norm(left - want)


def test_results_keep_to_the_band_that_was_driven_unless_told_otherwise(tmp_path: Path) -> None:
    """Below and above the sweep's band nothing but noise was recorded."""
    few = {"kind": "shells", "points": 60, "radii_m": [0.4]}
    impulse = {"sampling_rate_hz": 28000.0, "length_s": 0.02}
    scan = recipes.make_scan(recipes.parse(cooling(surface=few, impulse=impulse)))
    driven = replace(scan, setup=replace(scan.setup, lowest_hz=200.0, highest_hz=1800.0))
    write_scan(tmp_path / "scan.h5", driven)
    with open_scan(tmp_path / "scan.h5") as file:
        found = wanted_frequencies(file, FrequencySettings())
        told = wanted_frequencies(file, FrequencySettings(lowest_hz=100.0))
    assert 200 <= found[0] < 210
    assert 1700 < found[-1] <= 1800
    assert 100 <= told[0] < 105
    assert told[-1] == found[-1]
