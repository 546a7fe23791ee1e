"""From a result to files for others: whole, checked, never over somebody's files."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
import sofar
import soundfile
from small_scans import even_points
from written_curves import read_curves

from scanproc.cli.commands import run
from scanproc.files.outgoing.export_archive import read_hdf5
from scanproc.files.outgoing.export_text import read_text
from scanproc.files.outgoing.tables import read_direction_tables
from scanproc.files.stored.result_file import read_result, write_result
from scanproc.records.answers.result import Result
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.run.export import FORMATS
from scanproc.steps.farfield.filters import filtered
from scanproc.steps.farfield.sets import Turn, direction_set, named_set, seat_angles
from scanproc.steps.fit.expand import fit
from scanproc.waves.air import absorption_db_m
from scanproc.waves.bands import octave_fractions
from synthetic_scans.device import paging_loudspeaker

CONFIGS = Path(__file__).parents[2] / "configs" / "export"
SPEED = 343.2
HZ = octave_fractions(50, 2000, 24)
Captured = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    points = even_points(500, 0.55)
    pressure = paging_loudspeaker(0.1).pressure(points, HZ, SPEED)
    expansion = fit(
        Scan(ScanSetup(points, speed_of_sound_m_s=SPEED), HZ, pressure),
        centre_m=(0.0, 0.0, 0.0),
        estimator="truncated",
    )
    path = tmp_path_factory.mktemp("results") / "result.h5"
    write_result(path, Result(expansion, {}, {"device": "paging horn", "scan_sha256": "0" * 64}))
    return path


def export(*arguments: object) -> int:
    return run(["export", *map(str, arguments)])


def checked_manifest(directory: Path) -> dict[str, object]:
    """The manifest; every file is listed, with its size and checksum, and nothing else is there."""
    manifest = json.loads((directory / "manifest.json").read_text(encoding="utf-8"))
    present = {str(path.relative_to(directory)) for path in directory.rglob("*") if path.is_file()}
    assert present == {*manifest["files"], "manifest.json"}
    for name, entry in manifest["files"].items():
        content = (directory / name).read_bytes()
        assert (len(content), sha256(content).hexdigest()) == (entry["bytes"], entry["sha256"])
    return manifest


def test_every_format_holds_the_same(result: Path, tmp_path: Path) -> None:
    assert (
        export(result, "-o", tmp_path / "x", "--directions", "orbits-30", "--format", ",".join(FORMATS)) == 0
    )
    manifest = checked_manifest(tmp_path / "x")
    source = manifest["source"]
    assert source["result_sha256"] == sha256(result.read_bytes()).hexdigest()
    assert source["scan_sha256"] == "0" * 64
    place = tmp_path / "x" / "orbits-30"
    wanted = direction_set(read_result(result).expansion, named_set("orbits-30"))
    table = read_direction_tables(place / "csv")
    np.testing.assert_array_equal(table.pressure_pa_m, wanted.pressure_pa_m)
    np.testing.assert_array_equal(table.standard_error_db, wanted.standard_error_db)
    sofa = sofar.read_sofa(str(place / "orbits-30.sofa"), verbose=False)
    np.testing.assert_allclose(sofa.Data_Real[0] + 1j * sofa.Data_Imag[0], wanted.pressure_pa_m, rtol=1e-6)
    stored, responses = read_hdf5(tmp_path / "x" / "directions.h5")
    np.testing.assert_array_equal(stored["orbits-30"].pressure_pa_m, wanted.pressure_pa_m)
    assert len(responses["orbits-30"].response_pa_m) == 24
    level = read_text(place / "text" / "vertical_060.txt")[1]
    assert level == pytest.approx(20 * np.log10(np.abs(wanted.pressure_pa_m[14]) / 20e-6), abs=1e-6)
    assert len(list((place / "wav").glob("*.wav"))) == 24


@pytest.mark.parametrize("keep", [False, True])
def test_wav_transforms_back_within_the_band(result: Path, tmp_path: Path, keep: bool) -> None:
    more = ["--keep-delay"] if keep else []
    assert (
        export(result, "-o", tmp_path / "x", "--directions", "orbits-45", "--format", "wav,csv", *more) == 0
    )
    (entry,) = checked_manifest(tmp_path / "x")["sets"]
    zero = entry["impulse_responses"]["time_zero_sample"]
    wanted = read_direction_tables(tmp_path / "x" / "orbits-45" / "csv")
    assert wanted.delay == ("kept" if keep else "removed")
    for index, angle in enumerate(wanted.angle_deg):
        name = f"{wanted.orbit[index]}_{angle:03.0f}.wav"
        response, rate = soundfile.read(tmp_path / "x" / "orbits-45" / "wav" / name)
        time = (np.arange(len(response)) - zero) / rate
        found = response @ np.exp(-2j * np.pi * np.outer(time, HZ))
        ratio = found / wanted.pressure_pa_m[index]
        assert np.max(np.abs(20 * np.log10(np.abs(ratio)))) < 0.01
        assert np.max(np.abs(np.angle(ratio))) < 0.002


def test_sets_made_to_order(result: Path, tmp_path: Path) -> None:
    assert (
        export(result, "-o", tmp_path / "x", "-c", CONFIGS / "waiting-hall.toml", "--format", "csv,sofa") == 0
    )
    manifest = checked_manifest(tmp_path / "x")
    assert [entry["name"] for entry in manifest["sets"]] == [
        "gangway",
        "ticket-windows",
        "benches",
        "toed-in",
    ]
    assert "weights of zones" in manifest["datasheet"]["choices"][0]
    expansion = read_result(result).expansion
    turned = direction_set(expansion, named_set("orbits-10"), Turn(toe_in_deg=30))
    found = read_direction_tables(tmp_path / "x" / "toed-in" / "csv")
    np.testing.assert_array_equal(found.pressure_pa_m, turned.pressure_pa_m)
    seats = read_direction_tables(tmp_path / "x" / "benches" / "csv")
    position = [[3.0, 1.5, -1.2], [6.0, -2.0, -1.2], [9.0, 0.0, -1.2]]
    wanted = direction_set(expansion, seat_angles("benches", position), Turn(tilt_deg=-10))
    np.testing.assert_array_equal(seats.pressure_pa_m, wanted.pressure_pa_m)
    sofa = sofar.read_sofa(str(tmp_path / "x" / "benches" / "benches.sofa"), verbose=False)
    azimuth, elevation, metres = sofa.ReceiverPosition.T
    x, y, z = np.array(position).T
    assert azimuth == pytest.approx(np.degrees(np.arctan2(y, x)) % 360)
    assert elevation == pytest.approx(np.degrees(np.arctan2(z, np.hypot(x, y))))
    assert metres == pytest.approx(np.linalg.norm(position, axis=1))
    assert sofa.GLOBAL_License == "CC0-1.0"
    assert sofa.GLOBAL_Title == "paging horn, benches"


def test_filters_change_sets_and_curves(result: Path, tmp_path: Path) -> None:
    assert export(result, "-o", tmp_path / "x", "--filter", CONFIGS / "speech.toml", "--toe-in", 10) == 0
    manifest = checked_manifest(tmp_path / "x")
    assert manifest["filters"][0]["filter"][1]["frequency_hz"] == 2500
    before = read_curves(tmp_path / "x" / "curves_before.csv")
    after = read_curves(tmp_path / "x" / "curves.csv")
    change = after.get("on axis").value - before.get("on axis").value
    assert change == pytest.approx(after.get("sound power").value - before.get("sound power").value, abs=1e-9)
    corner = int(np.argmin(np.abs(HZ - 120)))
    assert change[corner] == pytest.approx(-3 - 2, abs=0.3)  # high-pass at its corner, and the gain
    assert manifest["datasheet"] != manifest["datasheet_before"]
    table = read_direction_tables(tmp_path / "x" / "orbits-10" / "csv")
    plain = direction_set(read_result(result).expansion, named_set("orbits-10"), Turn(10))
    moved = 20 * np.log10(np.abs(table.pressure_pa_m / plain.pressure_pa_m))
    np.testing.assert_allclose(moved, np.broadcast_to(change, moved.shape), atol=1e-9)


def test_a_table_as_filter(result: Path, tmp_path: Path) -> None:
    (tmp_path / "amp.csv").write_text(
        "frequency_hz,level_db,phase_deg\n10,-6,0\n30000,-6,0\n", encoding="utf-8"
    )
    (tmp_path / "f.toml").write_text('[[filter]]\nkind = "table"\nfile = "amp.csv"\n', encoding="utf-8")
    assert (
        export(result, "-o", tmp_path / "x", "--filter", tmp_path / "f.toml", "--directions", "orbits-90")
        == 0
    )
    before, after = (
        read_curves(tmp_path / "x" / f"{name}.csv").get("on axis").value
        for name in ("curves_before", "curves")
    )
    assert after - before == pytest.approx(-6, abs=1e-9)


def test_air_as_filter(result: Path, tmp_path: Path) -> None:
    (tmp_path / "f.toml").write_text('[[filter]]\nkind = "air"\ndistance_m = 100\n', encoding="utf-8")
    assert (
        export(result, "-o", tmp_path / "x", "--filter", tmp_path / "f.toml", "--directions", "orbits-90")
        == 0
    )
    before, after = (
        read_curves(tmp_path / "x" / f"{name}.csv").get("on axis").value
        for name in ("curves_before", "curves")
    )
    assert before - after == pytest.approx(100 * absorption_db_m(HZ, 20.0, 50.0), abs=1e-9)
    said = checked_manifest(tmp_path / "x")["filters"][0]["filter"][0]
    assert (said["distance_m"], said["humidity_percent"]) == (100, 50)


def test_other_frequencies_and_smoothing_are_stated(result: Path, tmp_path: Path) -> None:
    more = ["--bands", 3, "--per-octave", 6, "--smooth", 3, "--smooth-kind", "complex"]
    assert export(result, "-o", tmp_path / "x", "--directions", "orbits-90", *more) == 0
    manifest = checked_manifest(tmp_path / "x")
    assert manifest["phase"]["smoothing"] == "1/3 octave, complex"
    (entry,) = manifest["sets"]
    assert entry["frequencies"] == len(octave_fractions(HZ[0], HZ[-1], 6))
    by_angle = entry["interpolation_error_by_angle"]
    assert [one["angle"] for one in by_angle][:2] == ["horizontal_000", "horizontal_090"]
    assert all(one["rms_db"] < one["worst_db"] for one in by_angle)
    assert max(one["rms_db"] for one in by_angle) < -20
    bands = read_curves(tmp_path / "x" / "curves_in_bands.csv")
    assert bands.frequency_hz[[0, -1]] == pytest.approx(
        [63.0957, 1584.893]
    )  # the first and last whole thirds
    fine = read_curves(tmp_path / "x" / "curves.csv").get("on axis").value
    inside = (HZ > 708) & (HZ < 1412)
    octave = 10 * np.log10(np.mean(10 ** (fine[inside] / 10)))  # three thirds make the octave around 1 kHz
    thirds = 10 * np.log10(np.mean(10 ** (bands.get("on axis").value[11:14] / 10)))
    assert thirds == pytest.approx(octave, abs=0.05)


def test_a_directory_with_files_is_left_alone(result: Path, tmp_path: Path, capsys: Captured) -> None:
    out = tmp_path / "x"
    out.mkdir()
    (out / "thesis.txt").write_text("years", encoding="utf-8")
    for force in ([], ["--force"]):
        assert export(result, "-o", out, *force) == 1
        assert "holds 'thesis.txt', which is no result of scanproc: choose" in capsys.readouterr().err
        assert [path.name for path in out.iterdir()] == ["thesis.txt"]


def test_an_earlier_export_is_replaced_when_told_to(result: Path, tmp_path: Path, capsys: Captured) -> None:
    out = tmp_path / "x"
    assert export(result, "-o", out, "--directions", "orbits-90") == 0
    assert export(result, "-o", out, "--directions", "orbits-45") == 1
    assert (
        "holds an earlier export: choose another directory, or replace it with --force"
        in capsys.readouterr().err
    )
    assert export(result, "-o", out, "--force", "--directions", "orbits-45") == 0
    checked_manifest(out)


@pytest.mark.parametrize(
    ("arguments", "code", "line"),
    [
        (["--directions", "orbits-7"], 2, "no direction set 'orbits-7': known are orbits-10"),
        (["--format", "cvs"], 2, "no format 'cvs': known are csv, text"),
        (["--samples", "101"], 2, "samples must be an even number from 64, got 101"),
        (["--format", "wav", "--rate", "44100.5"], 1, "WAV needs a whole sampling rate"),
        (["--filter", "absent.toml"], 2, "absent.toml: cannot read the settings: No such file"),
        (["--filter", "short.toml"], 1, "short.csv covers 100 to 1000 Hz, the scan 50"),
        (["--filter", "nofile.toml"], 2, "nofile.toml: the transfer function cannot be used: "),
    ],
)
def test_what_is_wrong_is_one_line_and_leaves_nothing(
    arguments: list[str],
    code: int,
    line: str,
    result: Path,
    tmp_path: Path,
    capsys: Captured,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("short.csv").write_text("frequency_hz,real,imag\n100,1,0\n1000,1,0\n", encoding="utf-8")
    Path("short.toml").write_text('[[filter]]\nkind = "table"\nfile = "short.csv"\n', encoding="utf-8")
    Path("nofile.toml").write_text('[[filter]]\nkind = "table"\nfile = "gone.csv"\n', encoding="utf-8")
    before = sorted(path.name for path in tmp_path.iterdir())
    assert export(result, "-o", "x", *arguments) == code
    errors = [text for text in capsys.readouterr().err.splitlines() if text.startswith("scanproc: ")]
    assert len(errors) == 1
    assert line in errors[0]
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def test_mistakes_in_settings_come_with_their_lines(result: Path, tmp_path: Path, capsys: Captured) -> None:
    path = tmp_path / "s.toml"
    path.write_text(
        '[[set]]\nname = "a"\nkind = "arc"\nfrom_deg = -30\nto_deg = 30\nstepp_deg = 5\n\n'
        '[[set]]\nname = "b c"\nkind = "seats"\nposition_m = [[1, 2]]\n\n[[set]]\nname = "c"\nkind = "ark"\n',
        encoding="utf-8",
    )
    assert export(result, "-o", tmp_path / "x", "-c", path) == 2
    lines = [line.removeprefix(f"scanproc: {path}:") for line in capsys.readouterr().err.splitlines()]
    assert "1: [[set]] number 1 needs step_deg" in lines
    assert "6: [[set]] number 1: no such key 'stepp_deg': did you mean 'step_deg'?" in lines
    assert any(line.startswith("9: [[set]] number 2: name ") for line in lines)
    assert any(line.startswith("11: [[set]] number 2: position_m ") for line in lines)
    assert any(line.startswith("13: [[set]] number 3: ") and "'named', 'arc'" in line for line in lines)
    assert len(lines) == 5


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (
            '[[filter]]\nkind = "peaking"\nfrequency_hz = -5\n',
            "3: [[filter]] number 1: frequency_hz must be greater than 0",
        ),
        ('[[filter]]\nkind = "gain"\n', "1: [[filter]] number 1 needs gain_db"),
        ('[[filter]]\nkind = "notch"\nfrequency_hz = 50\ngain_db = 3\n', "a notch has no gain_db"),
        ("sampling_rate_hz = 48000\n", "needs filter"),
        ("[[filter]\n", "not valid TOML"),
    ],
)
def test_mistakes_in_filters(
    words: str, message: str, result: Path, tmp_path: Path, capsys: Captured
) -> None:
    (tmp_path / "f.toml").write_text(words, encoding="utf-8")
    assert export(result, "-o", tmp_path / "x", "--filter", tmp_path / "f.toml") == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert message in line


def in_a_process(code: str, result: Path, out: Path, *more: str) -> subprocess.CompletedProcess[str]:
    call = ["export", str(result), "-o", str(out), "--directions", "orbits-30", *more]
    text = f"{code}\nfrom scanproc.cli.commands import run\nraise SystemExit(run({call!r}))\n"
    return subprocess.run(
        [sys.executable, "-c", text],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env=dict(os.environ),
    )


@pytest.mark.parametrize("kind", ["csv", "wav", "hdf5", "npz", "text", "sofa", "sofa-ir"])
def test_a_full_disk_leaves_no_partial_set(result: Path, tmp_path: Path, kind: str) -> None:
    """The system refuses to let any file grow beyond 4 kB, as a full disk would."""
    limit = (
        "import resource, signal\nsignal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\nimport sys\nsys.dont_write_bytecode = True"
    )
    done = in_a_process(limit, result, tmp_path / "x", "--format", kind)
    assert done.returncode == 1
    (line,) = [line for line in done.stderr.splitlines() if "sets exported" not in line]
    assert "could not be written: " in line
    assert list(tmp_path.iterdir()) == []
    assert export(result, "-o", tmp_path / "x", "--directions", "orbits-30", "--format", kind) == 0
    assert [path.name for path in tmp_path.iterdir()] == ["x"]
    checked_manifest(tmp_path / "x")


@pytest.mark.parametrize("writer", ["write_sofa", "write_curves", "write_json"])
def test_a_killed_process_leaves_no_partial_set(result: Path, tmp_path: Path, writer: str) -> None:
    kill = (
        "import os, signal, scanproc.run.export as e\n"
        f"e.{writer} = lambda *a, **k: os.kill(os.getpid(), signal.SIGKILL)"
    )
    done = in_a_process(kill, result, tmp_path / "x", "--format", "csv,sofa")
    assert done.returncode == -9
    assert not (tmp_path / "x").exists()
    assert export(result, "-o", tmp_path / "x", "--directions", "orbits-30", "--format", "csv,sofa") == 0
    assert [path.name for path in tmp_path.iterdir()] == ["x"]
    checked_manifest(tmp_path / "x")


def test_no_room_for_aes69_is_said_first(
    result: Path, tmp_path: Path, capsys: Captured, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("scanproc.run.export.shutil.disk_usage", lambda _: type("Usage", (), {"free": 2**20}))
    assert export(result, "-o", tmp_path / "x", "--format", "sofa") == 1
    assert "1 are free: make room" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_filtered_export_equals_an_export_of_the_filtered(result: Path, tmp_path: Path) -> None:
    from scanproc.run.settings.exports import read_filters

    stages, _ = read_filters(CONFIGS / "speech.toml")
    write_result(tmp_path / "filtered.h5", Result(filtered(read_result(result).expansion, stages)))
    assert export(tmp_path / "filtered.h5", "-o", tmp_path / "a", "--directions", "orbits-90") == 0
    assert (
        export(result, "-o", tmp_path / "b", "--directions", "orbits-90", "--filter", CONFIGS / "speech.toml")
        == 0
    )
    one, two = (read_direction_tables(tmp_path / name / "orbits-90" / "csv").pressure_pa_m for name in "ab")
    np.testing.assert_allclose(one, two, rtol=1e-12)
