"""Compression and harmonics by drive level, against integrals by scipy over one period of a soft clipper."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.integrate import quad
from swept import BEND, VOLTS, level_folder

from scanproc.cli.commands import run
from scanproc.errors import InputError, ScanDataError
from scanproc.report.figures.drive_levels import level_figures
from scanproc.run.levels import measure_levels
from scanproc.run.settings.imports import ImportSettings

SETTINGS = ImportSettings.model_validate({"drive": {"length_s": 0.3, "harmonics": 3}})
Captured = pytest.CaptureFixture[str]


def part(order: int, volts: float) -> float:
    """Amplitude of harmonic ``order`` of tanh(BEND · volts · cos θ), by quadrature."""
    whole = quad(lambda x: np.tanh(BEND * volts * np.cos(x)) * np.cos(order * x), 0, np.pi, epsabs=1e-13)[0]
    return 2 / np.pi * whole


def test_compression_and_harmonics_of_a_soft_clipper(tmp_path: Path) -> None:
    """0.05 dB above the sweep's fade; the third harmonic within 0.1 dB; of the second an odd curve has none."""
    found = measure_levels(level_folder(tmp_path / "in"), SETTINGS, 1.0, 3.0).found
    inside = (found.frequency_hz > 90) & (found.frequency_hz < 450)
    for row, volts in enumerate(VOLTS):
        exact = 20 * np.log10(part(1, 1.0) / part(1, volts) * volts)
        assert found.compression_db[row][found.frequency_hz > 60] == pytest.approx(exact, abs=0.05)
        third = 20 * np.log10(abs(part(3, volts) / part(1, volts)))
        known = inside & np.isfinite(found.harmonic_db[1, row])
        assert np.count_nonzero(known) > 10
        if volts > 1:
            assert found.harmonic_db[1, row][known] == pytest.approx(third, abs=0.1)
            assert np.all(found.harmonic_db[1, row][known] > found.floor_db[1, row][known])
    second = found.harmonic_db[0] - found.floor_db[0]
    assert np.mean(second[np.isfinite(second)] > 0) < 0.02
    assert found.drift_db == pytest.approx(0, abs=0.02)


def test_a_linear_device_shows_nothing_above_the_noise(tmp_path: Path) -> None:
    measured = measure_levels(level_folder(tmp_path / "in", linear=True, noise=1e-4), SETTINGS, 0.5, 0.1)
    found = measured.found
    assert np.abs(found.compression_db).max() < 0.3
    above = found.harmonic_db - found.floor_db
    assert np.mean(above[np.isfinite(above)] > 0) < 0.02


def test_warming_is_told_by_the_first_level_again(tmp_path: Path) -> None:
    found = measure_levels(level_folder(tmp_path / "in", warm=0.1), SETTINGS, 1.0, 3.0).found
    assert found.drift_db == pytest.approx(-0.4, abs=0.02)
    rising = measure_levels(level_folder(tmp_path / "once", VOLTS[:-1]), SETTINGS, 1.0, 3.0).found
    assert rising.drift_db is None


def test_the_command_says_the_highest_level_within_the_limits(tmp_path: Path, capsys: Captured) -> None:
    """tanh: 4 V lose 0.32 dB and 8 V 1.2 dB against 1 V, third harmonic 1.3 and 4.6 % (by the quadrature above)."""
    folder, out = level_folder(tmp_path / "in"), tmp_path / "out"
    (tmp_path / "import.toml").write_text("[drive]\nlength_s = 0.3\nharmonics = 3\n", encoding="utf-8")
    call = ["levels", str(folder), "-c", str(tmp_path / "import.toml")]
    assert run([*call, "-o", str(out)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "local electrical" in lines[0].lower()
    assert "ear protection" in lines[1]
    assert "voice coil" in lines[2]
    assert any(
        line.startswith("Up to 4 V it stays within 1 dB of compression and 3 % of distortion")
        for line in lines
    )
    assert any(
        "(distortion: from 89.1 Hz to 708 Hz, beyond that it cannot be told)" in line for line in lines
    )
    document = json.loads((out / "levels.json").read_text(encoding="utf-8"))
    assert document["highest_within_v"] == 4.0
    assert document["levels"][3]["distortion_percent"] == pytest.approx(
        100 * abs(part(3, 8.0) / part(1, 8.0)), rel=0.03
    )
    with (out / "by-level.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["drive_v"] == "8.0" and row["harmonic"] == "total"]
    worst = max(float(row["compression_db"]) for row in rows)
    assert worst == pytest.approx(document["levels"][3]["compression_db"])
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.index("wear ear protection") < page.index("<figure")
    assert run([*call, "-o", str(out), "--distortion-percent", "0.01", "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["highest_within_v"] is None
    (out / "mine.txt").write_text("mine", encoding="utf-8")
    assert run([*call, "-o", str(out), "--force"]) == 1
    assert (out / "mine.txt").exists()


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ("file,volts\nlevel-1.wav,1\nlevel-2.wav,2", "needs the columns file and drive_v"),
        ("file,drive_v\nlevel-1.wav,1", "two levels or more"),
        ("file,drive_v\nlevel-1.wav,1\nlevel-2.wav,-2", "all above 0 V"),
        ("file,drive_v\nlevel-1.wav,1\n../drive.wav,2", "lies elsewhere"),
        (
            "file,drive_v\nlevel-2.wav,2\nlevel-1.wav,1",
            "first row has 2 V, the lowest 1 V: play the lowest first",
        ),
        ("file,drive_v\nlevel-1.wav,1\nquiet.wav,2", "quiet.wav holds silence"),
    ],
)
def test_bad_tables_are_named(tmp_path: Path, table: str, words: str) -> None:
    folder = level_folder(tmp_path / "in", (1.0, 2.0))
    samples = soundfile.info(str(folder / "level-1.wav")).frames
    soundfile.write(folder / "quiet.wav", np.zeros(samples), 24000, "FLOAT")
    (folder / "levels.csv").write_text(table, encoding="utf-8")
    with pytest.raises((InputError, ScanDataError), match=words):
        measure_levels(folder, SETTINGS, 1.0, 3.0)


def test_a_silent_drive_is_named(tmp_path: Path) -> None:
    folder = level_folder(tmp_path / "in", (1.0, 2.0))
    soundfile.write(folder / "drive.wav", np.zeros(48000), 24000, "FLOAT")
    with pytest.raises(ScanDataError, match="it is silent"):
        measure_levels(folder, SETTINGS, 1.0, 3.0)


def test_every_line_of_a_figure_has_a_name_of_its_own(tmp_path: Path) -> None:
    measured = measure_levels(level_folder(tmp_path / "in"), SETTINGS, 1.0, 3.0)
    for figure in level_figures(measured.found, measured.limits):
        names = [line.name for line in figure.lines]
        assert len(set(names)) == len(names)
