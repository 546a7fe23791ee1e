"""What no honest file holds: one line that says so, nothing that a terminal obeys, no warning of a library."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
import soundfile
from small_scans import delayed_impulses, even_points, monopole_scan

from scanproc.cli.commands import run
from scanproc.errors import ScanDataError, printable
from scanproc.files.stored.scan_file import write_scan

Captured = pytest.CaptureFixture[str]


@pytest.fixture
def scan(tmp_path: Path) -> Path:
    write_scan(tmp_path / "scan.h5", monopole_scan(30))
    return tmp_path / "scan.h5"


def put(name: str, value: Any) -> Callable[[h5py.File], None]:
    def change(file: h5py.File) -> None:
        if name in file:
            del file[name]
        file[name] = value

    return change


def state(name: str, value: float) -> Callable[[h5py.File], None]:
    return lambda file: file.attrs.__setitem__(name, value)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (put("pressure_pa", np.full((30, 7), 1e300 + 0j)), "pressure_pa holds values above 1e+12 Pa"),
        (put("position_m", even_points(30, 1e200)), "position_m must lie within 10000 m"),
        (put("noise_pa", np.full(7, -1.0)), "noise_pa must lie between 0 and 1e+12, got -1: correct it"),
        (state("temperature_c", -400.0), "temperature_c must lie between -100 and 100, got -400"),
        (state("humidity_percent", 300.0), "humidity_percent must lie between 0 and 100, got 300"),
        (put("temperature_c", np.full(30, -400.0)), "temperature_c must lie between -100 and 100, got -400"),
        (put("layer", np.full(30, -(2**62))), "layer must lie between -1e+09 and 1e+09"),
        (
            put("frequency_hz", np.array([1, 2, 3, 4, 5, 6, 1e300])),
            "frequency_hz must lie between 0 and 1e+07",
        ),
        (put("pressure_pa", np.zeros((30, 7), complex)), "no point holds a signal: check cables"),
    ],
)
@pytest.mark.parametrize("command", ["check", "convert"])
def test_numbers_that_cannot_be_meant(
    scan: Path, change: Callable[[h5py.File], None], words: str, command: str
) -> None:
    with h5py.File(scan, "r+") as file:
        change(file)
    if command == "check" and words.startswith("no point"):
        words = "30 of 30 points without a signal"
    out = ["-o", str(scan.parent / "out")] if command == "convert" else []
    call = [sys.executable, "-m", "scanproc", command, str(scan), *out]
    done = subprocess.run(call, capture_output=True, text=True, check=False)
    assert done.returncode in (1, 3)
    said = [line for line in done.stderr.splitlines() if not line[:2].isdigit()]  # dated lines are progress
    assert words in (done.stdout if done.returncode == 3 else said[-1])
    assert len(said) <= 1
    assert not (scan.parent / "out").exists()


def test_a_negative_order_of_a_result(tmp_path: Path, capsys: Captured, scan: Path) -> None:
    config = tmp_path / "quick.toml"
    config.write_text("[check]\nrun = false\n[fit]\norder = 2\n[points]\nin_convert = false\n")
    run(["convert", str(scan), "-o", str(tmp_path / "out"), "-c", str(config)])
    with h5py.File(tmp_path / "out" / "result.h5", "r+") as file:
        name = next(path for path in ("expansion/order", "order") if path in file)
        file[name][0] = -5
    capsys.readouterr()
    assert run(["export", str(tmp_path / "out"), "-o", str(tmp_path / "x")]) == 1
    assert "result.h5: order must not be negative, got -5" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["convert", "scan.h5", "-o", "out", "-c", "deep.toml"],
        ["import", ".", "-o", "out.h5", "-c", "deep.toml"],
        ["export", "scan.h5", "-o", "out", "-c", "deep.toml"],
        ["export", "scan.h5", "-o", "out", "--filter", "deep.toml"],
        ["synth", "deep.toml", "-o", "out.h5"],
        ["compare", "scan.h5", "deep.toml"],
    ],
)
def test_settings_nested_too_deeply(
    scan: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch, arguments: list[str]
) -> None:
    monkeypatch.chdir(scan.parent)
    Path("deep.toml").write_text("a=" + "[" * 3000)
    assert run(arguments) in (1, 2)
    said = capsys.readouterr().err
    assert "a bug in scanproc" not in said
    assert said.count("\n") == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ["advise", "scan.h5", "--rate", "nan"],
        ["advise", "scan.h5", "--rate", "inf"],
        ["advise", "scan.h5", "--toe-in", "nan"],
        ["advise", "scan.h5", "--seat", "2", "nan", "0"],
        ["levels", ".", "--compression-db", "inf"],
        ["compare", "scan.h5", "scan.h5", "--from", "nan"],
        ["export", "scan.h5", "-o", "out", "--tilt", "inf"],
        ["plan", "--size", "nan", "0.3", "0.5", "--up-to", "1000"],
    ],
)
def test_a_number_that_is_none(
    scan: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch, arguments: list[str]
) -> None:
    monkeypatch.chdir(scan.parent)
    assert run(arguments) == 2
    said = capsys.readouterr().err
    assert "must be a finite number, got" in said
    assert said.count("\n") == 1


def test_a_name_cannot_move_the_cursor(tmp_path: Path, capsys: Captured) -> None:
    for number, row in enumerate(delayed_impulses(3).impulse_response_pa / 2, start=1):
        soundfile.write(tmp_path / f"{number:04d}.wav", row, 48000, subtype="FLOAT")
    rows = [
        f"{x},{y},{z},\x1b[31mx\x1b]0;pwn\x07{n}\x9b2J.wav" for n, (x, y, z) in enumerate(even_points(3, 0.4))
    ]
    (tmp_path / "positions.csv").write_text("\n".join(["x,y,z,file", *rows]))
    for more in ([], ["--json"]):
        assert run(["import", str(tmp_path), "-o", str(tmp_path / "scan.h5"), *more]) == 1
        said = capsys.readouterr()
        told = said.out + said.err
        assert "pwn" in told
        assert not set(told) & {"\x1b", "\x07", "\x9b"}
    assert json.loads(said.out)["error"]["message"].count("\x1b") == 2
    assert printable("größer 20 µPa\n\tя\u202e\udcff") == "größer 20 µPa\n\tя\\u202e\\udcff"


def test_a_limit_on_file_size_is_said_in_words(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).standard_normal((20, 48000)) / 10
    for number, row in enumerate(noise, start=1):
        soundfile.write(tmp_path / f"{number:04d}.wav", row, 48000, subtype="FLOAT")
    np.savetxt(tmp_path / "positions.csv", even_points(20, 0.4), delimiter=",", header="x,y,z", comments="")
    call = f"ulimit -f 200; {sys.executable} -m scanproc import {tmp_path} -o {tmp_path}/scan.h5"
    done = subprocess.run(["bash", "-c", call], capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "needs 4.7 MiB, files may have 0.2 MiB here (ulimit -f): raise the limit" in done.stderr
    assert not (tmp_path / "scan.h5").exists()


def test_a_job_outlives_whoever_reads_its_progress(scan: Path) -> None:
    config = scan.parent / "quick.toml"
    config.write_text("[check]\nrun = false\n[fit]\norder = 2\n[points]\nin_convert = false\n")
    call = [
        sys.executable,
        "-m",
        "scanproc",
        "convert",
        str(scan),
        "-o",
        str(scan.parent / "out"),
        "-c",
        str(config),
    ]
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(call, stdout=subprocess.DEVNULL, stderr=write, check=False)
    os.close(write)
    assert done.returncode in (0, 3)
    assert (scan.parent / "out" / "summary.json").is_file()


def test_bounds_hold_for_records_as_for_files() -> None:
    setup = monopole_scan(30).setup
    with pytest.raises(ScanDataError, match=r"position_m must lie within 10000 m, got 3.96e\+08 m: m or mm"):
        replace(setup, position_m=setup.position_m * 1e9)


@pytest.mark.parametrize("place", ["loop/out", "scan.h5/a/b/out"])
@pytest.mark.parametrize(
    "words",
    ["convert scan.h5", "demo", "plan --size 0.1 0.1 0.1 --up-to 200", "synth demo", "import recordings"],
)
def test_a_place_where_nothing_can_be_is_told_before_the_work(
    scan: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch, place: str, words: str
) -> None:
    monkeypatch.chdir(scan.parent)
    monkeypatch.setattr("scanproc.run.conversion.pipeline.open_scan", None)
    monkeypatch.setattr("scanproc.run.demo.synth", None)
    monkeypatch.setattr("scanproc.run.plan.plan_scan", None)
    Path("loop").symlink_to("loop")
    assert run([*words.split(), "-o", place]) == 1
    said = capsys.readouterr().err
    assert "cannot be made, " in said or "there is no folder" in said
    assert said.count("\n") == 1


def test_a_recording_that_is_a_link_to_itself(tmp_path: Path, capsys: Captured) -> None:
    (tmp_path / "positions.csv").write_text("x_m,y_m,z_m\n0,0,1\n")
    (tmp_path / "0001.wav").symlink_to("0001.wav")
    assert run(["import", str(tmp_path), "-o", str(tmp_path / "scan.h5")]) == 1
    said = capsys.readouterr().err
    assert "0001.wav" in said
    assert "a bug in scanproc" not in said


def test_positions_that_cannot_be_meant_name_their_folder(tmp_path: Path, capsys: Captured) -> None:
    soundfile.write(tmp_path / "0001.wav", np.zeros(64), 48000)
    (tmp_path / "positions.csv").write_text("x_m,y_m,z_m\n0,0,1e200\n")
    assert run(["import", str(tmp_path), "-o", str(tmp_path / "scan.h5")]) == 1
    assert f"{tmp_path}: position_m must lie within 10000 m" in capsys.readouterr().err
