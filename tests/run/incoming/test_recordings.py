"""A robot's folder of recordings: what is wrong with it is said at once, under the names that the robot gave."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import soundfile
from small_scans import even_points, monopole_scan

from scanproc.cli.commands import run
from scanproc.errors import InputError, ScanDataError
from scanproc.files.stored.scan_file import open_scan, read_scan, write_scan
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from scanproc.run.conversion.check import check_scan
from scanproc.run.conversion.pipeline import convert
from scanproc.run.incoming.import_scan import import_scan
from scanproc.run.settings.imports import ImportSettings
from scanproc.steps.sound.response_facts import is_sweep, noise_before, spectral_noise

RATE, POINTS = 16000, 40
Captured = pytest.CaptureFixture[str]


def sweep(seconds: float = 0.25, low: float = 100.0, high: float = 7000.0) -> np.ndarray:
    t = np.arange(int(seconds * RATE)) / RATE
    growth = seconds / np.log(high / low)
    fade = np.minimum(1, np.minimum(t, seconds - t) / 0.01)
    return fade * np.sin(2 * np.pi * low * growth * (np.exp(t / growth) - 1))


def recorded(folder: Path, *, clip: int = -1, flip: int = -1, scale: float = 1.0, unit: str = "m") -> Path:
    """Sweeps of a source off the middle, 0001.wav and so on, with their table and drive.wav."""
    folder.mkdir()
    place = even_points(POINTS, 0.4)
    distance = np.linalg.norm(place - [0.05, 0.0, 0.02], axis=1)
    drive = sweep()
    spectrum, grid = np.fft.rfft(drive, 6000), np.fft.rfftfreq(6000, 1 / RATE)
    noise = 1e-5 * np.random.default_rng(5).standard_normal((POINTS, 6000))
    for number, far in enumerate(distance, start=1):
        sound = np.fft.irfft(spectrum * np.exp(-2j * np.pi * grid * far / 343.0) * 0.1 / far, 6000)
        sound += noise[number - 1]
        if number == clip:
            sound = np.clip(sound, -0.1, 0.1)
        soundfile.write(folder / f"{number:04d}.wav", -sound if number == flip else sound, RATE, "FLOAT")
    soundfile.write(folder / "drive.wav", drive, RATE, "FLOAT")
    header = ",".join(f"{axis}_{unit}" for axis in "xyz")
    np.savetxt(folder / "positions.csv", scale * place, delimiter=",", header=header, comments="")
    return folder


DRIVEN = ImportSettings.model_validate({"drive": {"lowest_hz": 100.0, "highest_hz": 6000.0, "length_s": 0.1}})


def test_a_point_has_the_name_of_its_file_everywhere(tmp_path: Path, capsys: Captured) -> None:
    folder = recorded(tmp_path / "in", clip=12, flip=30)
    found = import_scan(folder, tmp_path / "scan.h5", DRIVEN)
    assert found.warnings == ("1 recordings are clipped: 0012.wav; measure them again",)
    assert run(["check", str(tmp_path / "scan.h5")]) == 3
    lines = capsys.readouterr().out
    assert "opposite polarity: 0030.wav;" in lines
    assert "clipped (a flat top at the peak): 0012.wav;" in lines
    run(["check", str(tmp_path / "scan.h5"), "--json"])
    told = {one["kind"]: one["points"] for one in json.loads(capsys.readouterr().out)["findings"]}
    assert told["polarity"] == ["0030.wav"]
    assert told["clipped"] == ["0012.wav"]
    with open_scan(tmp_path / "scan.h5") as file:
        file.use(np.array([11, 29]))
        assert file.setup.names.tolist() == ["0012.wav", "0030.wav"]
        assert file.setup.clipped is not None
        assert file.setup.clipped.tolist() == [True, False]


def test_a_point_without_a_file_is_counted_from_1(tmp_path: Path) -> None:
    scan = monopole_scan(200)
    pressure = scan.pressure_pa.copy()
    pressure[[5, 50]] *= -1
    write_scan(tmp_path / "scan.h5", replace(scan, pressure_pa=pressure))
    (finding,) = [one for one in check_scan(tmp_path / "scan.h5").findings if one.kind == "polarity"]
    assert "opposite polarity: 6, 51" in finding.what
    assert (finding.points, finding.names) == ((5, 50), ("6", "51"))


def test_names_survive_a_point_that_is_left_out(tmp_path: Path) -> None:
    """A point with NaN is taken out before the others are judged, which must not count on from there."""
    scan = monopole_scan(200)
    write_scan(
        tmp_path / "scan.h5",
        replace(scan, pressure_pa=scan.pressure_pa * np.where(np.arange(200) == 50, -1, 1)[:, None]),
    )

    with h5py.File(tmp_path / "scan.h5", "r+") as file:
        file["pressure_pa"][20] = np.nan
    report = check_scan(tmp_path / "scan.h5")
    found = {one.kind: one for one in report.findings}
    assert found["polarity"].names == ("51",)
    assert "polarity: 51;" in f"{found['polarity'].what};"
    assert found["not finite"].names == ("21",)


def test_names_are_kept_by_the_file(tmp_path: Path) -> None:
    names = np.array(["a.wav", "größer.wav", "c.wav"])
    setup = ScanSetup(even_points(3, 0.4), point_name=names, clipped=np.array([False, True, False]))
    write_scan(tmp_path / "scan.h5", Scan(setup, np.array([100.0]), np.ones((3, 1), complex)))
    back = read_scan(tmp_path / "scan.h5").setup
    assert back.names.tolist() == names.tolist()
    assert back.clipped is not None
    assert back.clipped.tolist() == [False, True, False]


@pytest.mark.parametrize("with_drive", [True, False])
def test_sweeps_without_a_drive_are_no_responses(tmp_path: Path, with_drive: bool) -> None:
    folder = recorded(tmp_path / "in")
    if not with_drive:
        (folder / "drive.wav").unlink()
    words = "drive.wav, which belongs to no point" if with_drive else "0001.wav: is a recorded sweep"
    with pytest.raises(InputError, match=words) as caught:
        import_scan(folder, tmp_path / "scan.h5")
    assert "section [drive] that names their signal (-c), see configs/import/sweeps.toml" in str(caught.value)
    assert not (tmp_path / "scan.h5").exists()
    import_scan(folder, tmp_path / "scan.h5", ImportSettings.model_validate({"source": {"kind": "wav"}}))


def test_responses_are_no_sweeps() -> None:
    rng = np.random.default_rng(8)
    time = np.arange(8000) / RATE
    for decay in (0.01, 0.1, 0.5, 5.0):
        ringing = rng.standard_normal((4, 8000)) * np.exp(-time / decay)
        low = np.fft.irfft(np.fft.rfft(ringing) / (1 + np.arange(4001) / 50), 8000)
        for sound in (ringing, low, np.roll(ringing, 1500, axis=1)):
            assert not is_sweep(sound, RATE)
    assert is_sweep(np.pad(sweep(), (100, 4000))[None], RATE)


@pytest.mark.parametrize(("scale", "unit", "told"), [(1000.0, "m", "400 m"), (1.0, "mm", "0.0004 m")])
@pytest.mark.parametrize("size", [None, [0.2, 0.2, 0.3]])
def test_a_wrong_unit_is_named(
    tmp_path: Path, scale: float, unit: str, told: str, size: list[float] | None
) -> None:
    folder = recorded(tmp_path / "in", scale=scale, unit=unit)
    stated = DRIVEN.model_copy(update={"scan": DRIVEN.scan.model_copy(update={"device_size_m": size})})
    words = f"the points lie about {told} from the middle of the device"
    with pytest.raises(InputError, match=words) as caught:
        import_scan(folder, tmp_path / "scan.h5", stated)
    assert "m or mm? name the columns x_m or x_mm" in str(caught.value)
    assert not (tmp_path / "scan.h5").exists()
    scan = monopole_scan(60)
    factor = 1000.0 if unit == "m" else 0.001
    device = None if size is None else np.array(size)
    setup = replace(scan.setup, position_m=factor * scan.setup.position_m, device_size_m=device)
    write_scan(tmp_path / "scan.h5", replace(scan, setup=setup))
    report = check_scan(tmp_path / "scan.h5")
    assert [(one.kind, one.severity) for one in report.findings] == [("unit", "serious")]
    with pytest.raises(ScanDataError, match=words):
        convert(tmp_path / "scan.h5", tmp_path / "out")


def test_noise_is_told_by_frequency_and_in_the_band_of_the_drive(tmp_path: Path) -> None:
    """Noise 40 dB louder above 6 kHz, as deconvolution leaves it, says nothing about the band below."""
    samples, sigma = 2048, 1e-3
    rng = np.random.default_rng(1)
    noise = np.fft.rfft(sigma * rng.standard_normal((POINTS, samples)))
    noise[:, np.fft.rfftfreq(samples, 1 / RATE) > 6000] *= 100
    sound = np.fft.irfft(noise, samples)
    sound[np.arange(POINTS), 1000] += 1.0
    scan = ImpulseScan(ScanSetup(even_points(POINTS, 0.4)), sound, RATE, -0.06)
    hz = np.array([300.0, 1000.0, 3000.0, 5000.0])
    told = spectral_noise(noise_before(scan, hz), samples)
    assert told is not None
    assert 20 * np.log10(told / (sigma * np.sqrt(samples))) == pytest.approx(0, abs=1.5)
    setup = replace(scan.setup, lowest_hz=200.0, highest_hz=5500.0)
    write_scan(tmp_path / "scan.h5", replace(scan, setup=setup))
    (finding,) = [one for one in check_scan(tmp_path / "scan.h5").findings if one.kind == "noise"]
    assert finding.severity == "warning"
    assert "signal-to-noise 27 dB (median; from what comes before the sound)" in finding.what
    assert finding.what.count(" dB at ") >= 3
    assert not any(float(word) > 5500 for word in finding.what.replace(",", "").split() if word.isdigit())
