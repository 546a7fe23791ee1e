"""An arm out of adjustment is found from the sound; the truth is made by moving the points of a known field."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from spoilt_scans import two_layers

from scanproc.cli.commands import run
from scanproc.files.stored.scan_file import open_scan, write_scan
from scanproc.records.measured.scan import Scan
from scanproc.run.conversion.check import handle
from scanproc.run.settings.conversion import CheckSettings
from scanproc.steps.check.arm import estimate_arm_errors
from scanproc.steps.check.findings import judging_frequencies
from synthetic_scans import noise
from synthetic_scans.recipe import make_scan, truth


def heard_at(position: np.ndarray, outwards: float, sideways: float, scale: float) -> np.ndarray:
    """Where an arm that is off has the microphone: along and across its radius, then everything stretched."""
    radius, turn = (
        np.hypot(position[:, 0], position[:, 1]) + outwards,
        np.arctan2(position[:, 1], position[:, 0]),
    )
    x, y = radius * np.cos(turn) - sideways * np.sin(turn), radius * np.sin(turn) + sideways * np.cos(turn)
    return (1 + scale) * np.stack([x, y, position[:, 2]], axis=1)


def scan_of_an_arm(outwards: float, sideways: float, scale: float, points: int = 400) -> Scan:
    recipe = two_layers(points, 12, 50.0)
    clean = make_scan(recipe)
    assert isinstance(clean, Scan)
    position = heard_at(clean.setup.position_m, outwards, sideways, scale)
    pressure = truth(recipe).pressure(position, clean.frequency_hz)
    pressure = pressure + noise.complex_noise(clean.noise_pa, clean.points, np.random.default_rng(7))
    scan = Scan(clean.setup, clean.frequency_hz, pressure, clean.noise_pa)
    return scan.take_frequencies(judging_frequencies(scan.setup, scan.frequency_hz))


def test_an_offset_of_2_cm_and_a_scale_of_half_a_percent() -> None:
    arm = estimate_arm_errors(scan_of_an_arm(0.02, 0.0, 0.005))
    assert arm.found
    assert arm.value[:2] == pytest.approx([0.02, 0.0], abs=1e-3)
    assert arm.value[4] == pytest.approx(0.005, abs=5e-4)


def test_a_good_arm_is_left_alone() -> None:
    arm = estimate_arm_errors(scan_of_an_arm(0.0, 0.0, 0.0))
    assert not arm.found
    assert np.abs(arm.value[:2]).max() < 1e-3


def test_a_conversion_moves_the_points_on_request(tmp_path: Path) -> None:
    scan = scan_of_an_arm(0.0, 0.02, 0.005, 200)
    write_scan(tmp_path / "scan.h5", scan)
    with open_scan(tmp_path / "scan.h5") as file:
        handled = handle(file, CheckSettings(correct_positions=True))
        exact = heard_at(scan.setup.position_m, 0.0, 0.02, 0.005)
        assert np.linalg.norm(file.setup.position_m - exact, axis=1).max() < 2e-3
    assert any("corrected, as asked" in line for line in handled.warnings)


def test_one_shell_tells_little() -> None:
    scan = scan_of_an_arm(0.0, 0.0, 0.0)
    inner = scan.take_points(np.flatnonzero(scan.setup.layer == 0))
    assert not estimate_arm_errors(inner).known[4]


def test_the_command_says_what_is_wrong_with_the_arm(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_scan(tmp_path / "scan.h5", scan_of_an_arm(0.02, 0.0, 0.0, 200))
    assert run(["check", str(tmp_path / "scan.h5"), "--arm"]) == 0
    said = re.search(r"the arm seems off by \+([0-9.]+) ± [0-9.]+ mm outwards", capsys.readouterr().out)
    assert said is not None
    assert float(said[1]) == pytest.approx(20, abs=1)
