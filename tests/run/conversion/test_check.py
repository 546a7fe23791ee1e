"""Check of scan files, and what a conversion does about it."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
from small_scans import even_points, monopole_scan
from spoilt_scans import two_layers

from scanproc.cli.commands import run
from scanproc.errors import ScanDataError
from scanproc.files.stored.scan_file import open_scan, write_scan
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from scanproc.run.conversion.check import check_scan, handle, judge_file
from scanproc.run.conversion.pipeline import convert
from scanproc.run.settings.conversion import CheckSettings, parse_settings
from synthetic_scans.recipe import make_scan

QUICK = {"points": {"in_convert": False}, "fit": {"centre_m": "origin", "estimator": "truncated"}}


@pytest.fixture
def three_flipped(tmp_path: Path) -> Path:
    """A scan whose points 5, 50 and 95 have the wrong sign."""
    scan = monopole_scan(200)
    pressure = scan.pressure_pa.copy()
    pressure[[5, 50, 95]] *= -1
    write_scan(tmp_path / "scan.h5", replace(scan, pressure_pa=pressure))
    return tmp_path / "scan.h5"


def responses(points: int = 200, samples: int = 1024, rate: float = 48000.0) -> ImpulseScan:
    """A short pulse that arrives at each point after its distance from a source off the origin."""
    position = even_points(points, 0.4)
    distance = np.linalg.norm(position - [0.05, 0.0, 0.02], axis=1)
    time = np.arange(samples) / rate - 0.002
    late = time - distance[:, None] / 343.0
    pulse = np.exp(-0.5 * (late / 8e-5) ** 2) * np.cos(2 * np.pi * 1500 * late) / distance[:, None]
    noise = 1e-4 * np.random.default_rng(3).standard_normal(pulse.shape)
    return ImpulseScan(ScanSetup(position, speed_of_sound_m_s=343.0), pulse + noise, rate, -0.002)


def test_the_command_says_where_and_exits_with_3(
    three_flipped: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["check", str(three_flipped)]) == 3
    assert "3 of 200 points with opposite polarity: 6, 51, 96; check the wiring" in capsys.readouterr().out
    assert run(["check", str(three_flipped), "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    assert [f["points"] for f in found["findings"] if f["kind"] == "polarity"] == [["6", "51", "96"]]


def test_a_good_scan_exits_with_0(tmp_path: Path) -> None:
    write_scan(tmp_path / "scan.h5", monopole_scan(200))
    assert run(["check", str(tmp_path / "scan.h5")]) == 0


def test_a_conversion_warns_and_drops_nothing_unasked(three_flipped: Path, tmp_path: Path) -> None:
    summary = convert(three_flipped, tmp_path / "out", parse_settings(QUICK))
    assert summary.points_dropped == 0
    assert summary.points == 200
    assert any("opposite polarity: 6, 51, 96; 3 points used as measured" in line for line in summary.warnings)


@pytest.mark.parametrize("drop", ["bad", ["polarity"]])
def test_a_conversion_drops_and_counts_what_it_is_asked_to(three_flipped: Path, tmp_path: Path, drop) -> None:
    summary = convert(three_flipped, tmp_path / "out", parse_settings({**QUICK, "check": {"drop": drop}}))
    assert (summary.points, summary.points_dropped) == (197, 3)
    assert any("left out, as asked (check.drop)" in line for line in summary.warnings)
    assert "3 points dropped" in summary.verdict


def test_without_a_check_nothing_is_said(three_flipped: Path, tmp_path: Path) -> None:
    summary = convert(three_flipped, tmp_path / "out", parse_settings({**QUICK, "check": {"run": False}}))
    assert not summary.warnings


def with_nan(path: Path, *points: int) -> Path:
    write_scan(path, monopole_scan(200))
    with h5py.File(path, "r+") as file:
        for point in points:
            file["pressure_pa"][point, 3] = np.nan
    return path


def test_values_that_are_not_finite_are_an_error_with_its_remedy(tmp_path: Path) -> None:
    path = with_nan(tmp_path / "scan.h5", 7, 20)
    with pytest.raises(ScanDataError, match="drop or repeat those points"):
        convert(path, tmp_path / "out", parse_settings(QUICK))
    assert not (tmp_path / "out").exists()


def test_points_that_are_not_finite_are_dropped_on_request(tmp_path: Path) -> None:
    path = with_nan(tmp_path / "scan.h5", 7, 20)
    asked = parse_settings({**QUICK, "check": {"drop": ["not finite"]}})
    summary = convert(path, tmp_path / "out", asked)
    assert (summary.points, summary.points_dropped) == (198, 2)
    report = check_scan(path)
    assert report.points_of("not finite") == (7, 20)
    assert report.points == 200


def test_other_faults_keep_their_numbers_beside_points_that_are_not_finite(tmp_path: Path) -> None:
    path = with_nan(tmp_path / "scan.h5", 7)
    with h5py.File(path, "r+") as file:
        file["pressure_pa"][50] = -file["pressure_pa"][50]
    assert check_scan(path).points_of("polarity") == (50,)


def test_nothing_but_nan(tmp_path: Path) -> None:
    path = with_nan(tmp_path / "scan.h5", *range(200))
    assert len(check_scan(path).points_of("not finite")) == 200
    with open_scan(path) as file, pytest.raises(ScanDataError, match="every point is faulty"):
        handle(file, CheckSettings(drop="bad"))


def test_drift_is_taken_out_on_request(tmp_path: Path) -> None:
    scan = make_scan(two_layers(200, 12))
    assert isinstance(scan, Scan)
    time = 10.0 * np.random.default_rng(2).permutation(scan.points)
    drifting = scan.pressure_pa * 10 ** (-time / time.max() / 20)[:, None]
    write_scan(
        tmp_path / "scan.h5", replace(scan, setup=replace(scan.setup, time_s=time), pressure_pa=drifting)
    )
    with open_scan(tmp_path / "scan.h5") as file:
        handled = handle(file, CheckSettings(correct_drift=True))
        assert any("the level is that of the middle of the scan" in line for line in handled.warnings)
        drift = float(re.search(r"drifts by ([+-][0-9.]+) dB", " ".join(handled.warnings))[1])
        assert drift == pytest.approx(-1.0, abs=0.05)
        assert handled.level_error_db == pytest.approx(abs(drift) / 12**0.5, abs=0.01)
        again = judge_file(file).drift
        assert again is not None
        assert abs(again.gain_db) < 0.01


def test_a_file_shows_only_the_points_in_use(tmp_path: Path) -> None:
    scan = monopole_scan(20)
    write_scan(tmp_path / "scan.h5", replace(scan, noise_pa=np.abs(scan.pressure_pa)))
    with open_scan(tmp_path / "scan.h5") as file:
        file.use(np.array([2, 5, 11]), np.array([1.0, 2.0, 3.0]), np.eye(3))
        file.use(np.array([1, 2]))
        shown = file.read()
        assert np.array_equal(shown.setup.position_m, np.eye(3)[1:])
        assert shown.pressure_pa == pytest.approx(scan.pressure_pa[[5, 11]] * [[2.0], [3.0]])
        assert shown.noise_pa == pytest.approx(np.abs(shown.pressure_pa))
        assert file.read_points(slice(1, 2)).setup.points == 1
        assert file.read_points(slice(0, 0)).setup.points == 0


def test_responses_in_use(tmp_path: Path) -> None:
    scan = responses(20)
    write_scan(tmp_path / "scan.h5", scan)
    with open_scan(tmp_path / "scan.h5") as file:
        file.use(np.array([3, 9]), np.array([1.0, 0.5]))
        shown = file.read()
        assert isinstance(shown, ImpulseScan)
        assert shown.impulse_response_pa == pytest.approx(scan.impulse_response_pa[[3, 9]] * [[1.0], [0.5]])


def checked(tmp_path: Path, scan: ImpulseScan):
    write_scan(tmp_path / "scan.h5", scan)
    return check_scan(tmp_path / "scan.h5")


def test_good_responses(tmp_path: Path) -> None:
    report = checked(tmp_path, responses())
    assert not report.serious
    assert report.prediction_db is not None
    assert report.prediction_db < -25


def test_clipped_responses_are_named(tmp_path: Path) -> None:
    scan = responses()
    sound = scan.impulse_response_pa.copy()
    clipped = [4, 77, 150]
    sound[clipped] = np.clip(sound[clipped], -1.2, 1.2)
    report = checked(tmp_path, replace(scan, impulse_response_pa=sound))
    assert report.points_of("clipped") == tuple(clipped)
    assert set(report.points_of("outlier", "gain", "position", "delay")) <= set(clipped)


def test_a_late_trigger_is_named(tmp_path: Path) -> None:
    scan = responses()
    sound = scan.impulse_response_pa.copy()
    sound[33] = np.roll(sound[33], 96)
    report = checked(tmp_path, replace(scan, impulse_response_pa=sound))
    assert report.points_of("delay") == (33,)


def test_a_wrong_time_zero_is_named(tmp_path: Path) -> None:
    report = checked(tmp_path, replace(responses(), time_zero_s=-0.005))
    assert any("before it can" in finding.what for finding in report.serious)


def test_a_tail_that_is_cut_off_is_named(tmp_path: Path) -> None:
    scan = responses()
    rings = 0.05 * np.sin(np.arange(1024) / 5) * np.ones((200, 1))
    report = checked(tmp_path, replace(scan, impulse_response_pa=scan.impulse_response_pa + rings))
    assert any("before the room has died away" in finding.what for finding in report.findings)


def test_an_error_of_the_points_names_the_file(tmp_path: Path) -> None:
    scan = monopole_scan(20)
    position = scan.setup.position_m.copy()
    position[3] = 0
    write_scan(tmp_path / "scan.h5", replace(scan, setup=replace(scan.setup, position_m=position)))
    with pytest.raises(ScanDataError, match=r"scan.h5: position_m: point 3 lies on the expansion centre"):
        check_scan(tmp_path / "scan.h5")
