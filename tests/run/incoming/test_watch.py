"""Watching a scan that grows, whose writer dies in mid-append and resumes."""

from __future__ import annotations

import os
import shlex
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import h5py
import numpy as np
import pytest
import soundfile
from small_scans import SOURCE_M, SPEED_M_S, even_points

from scanproc.cli.plan import command as plan_command
from scanproc.errors import InputError, OutputError, ScanFileError, SettingsError
from scanproc.files.stored.positions_file import read_positions, write_positions
from scanproc.files.stored.scan_file import read_scan
from scanproc.records.answers.scan_plan import Positions
from scanproc.run.incoming.growing import growing
from scanproc.run.incoming.watch import Look, Pace, WatchChoices, watch
from scanproc.run.settings.conversion import FrequencySettings, Settings
from scanproc.run.settings.imports import ImportSettings
from scanproc.steps.planning.positions import travel_order

UPWARDS = np.array([0.0, 0.0, 0.1])
FREQUENCY_HZ = np.array([400.0, 800.0, 1600.0, 2000.0])
SETTINGS = Settings.model_validate(
    {"points": {"sizes": 3, "draws": 1}, "fit": {"centre_m": "origin", "estimator": "truncated"}}
)


def planned(count=240):
    position = even_points(count, 0.4)
    return travel_order(position, np.zeros(count, np.int64), np.random.default_rng(0)).position_m


def field(position):
    """Two monopoles 0.3 m apart with 60 dB of noise."""
    rng = np.random.default_rng(len(position))
    k = 2 * np.pi * FREQUENCY_HZ / SPEED_M_S
    pressure = np.zeros((len(position), len(k)), complex)
    for place in (SOURCE_M + UPWARDS, SOURCE_M - 2 * UPWARDS):
        distance = np.linalg.norm(position - place, axis=1)[:, None]
        pressure += np.exp(-1j * k * distance) / distance
    noise = rng.normal(size=(*pressure.shape, 2)) @ [1, 1j]
    return pressure + 1e-3 * np.abs(pressure).mean() * noise


class Robot:
    """Appends points to a scan file in SWMR mode, the sound first and the position last."""

    def __init__(self, path: Path, position: np.ndarray) -> None:
        self.path, self.position, self.pressure = path, position, field(position)
        self.done = 0

    def start(self, points: int) -> None:
        with h5py.File(self.path, "w", libver="latest") as file:
            file.attrs.update(
                {"format": "scanproc scan", "layout_version": 1, "speed_of_sound_m_s": SPEED_M_S}
            )
            file["frequency_hz"] = FREQUENCY_HZ
            file.create_dataset(
                "pressure_pa", data=self.pressure[:points], maxshape=(None, 4), chunks=(16, 4)
            )
            file.create_dataset("position_m", data=self.position[:points], maxshape=(None, 3), chunks=(16, 3))
        self.done = points

    def append(self, points: int) -> None:
        with h5py.File(self.path, "a", libver="latest") as file:
            file.swmr_mode = True
            for name, values in (("pressure_pa", self.pressure), ("position_m", self.position)):
                file[name].resize(points, axis=0)
                file[name][self.done : points] = values[self.done : points]
                file[name].flush()
        self.done = points

    def die_in_mid_append(self, points: int) -> None:
        """A process of its own writes sound for some points, no positions, and is gone without closing the file."""
        np.save(self.path.with_suffix(".npy"), self.pressure)
        code = (
            "import h5py, numpy, os, signal\n"
            f"file = h5py.File({str(self.path)!r}, 'a', libver='latest')\n"
            "file.swmr_mode = True\n"
            f"sound = numpy.load({str(self.path.with_suffix('.npy'))!r})\n"
            f"file['pressure_pa'].resize({points}, axis=0)\n"
            f"file['pressure_pa'][{self.done}:{points}] = sound[{self.done}:{points}]\n"
            "file['pressure_pa'].flush()\n"
            f"file['position_m'].resize({points}, axis=0)\n"
            "file['position_m'].flush()\n"
            "os.kill(os.getpid(), signal.SIGKILL)\n"
        )
        assert subprocess.run([sys.executable, "-c", code], check=False).returncode == -9

    def resume(self, points: int) -> None:
        """Goes on with a copy of the complete points, as HDF5 appends to no file that was left open."""
        kept = read_scan(self.path).points
        other = self.path.with_suffix(".new")
        robot = Robot(other, self.position)
        robot.start(kept)
        os.replace(other, self.path)
        self.done = kept
        self.append(points)


class Night:
    """Runs one step of the story for each wait, and counts the time."""

    def __init__(self, *steps):
        self.steps, self.now = list(steps), 0.0

    def wait(self, seconds: float) -> None:
        self.now += seconds
        if self.steps:
            self.steps.pop(0)()

    def clock(self) -> float:
        return self.now


@pytest.fixture
def robot(tmp_path):
    return Robot(tmp_path / "scan.h5", planned())


def watched(robot, night, said, **choices):
    return watch(robot.path, SETTINGS, WatchChoices(**choices), said.append, night.wait, night.clock)


def test_it_ends_when_the_points_are_enough(robot, tmp_path):
    robot.start(50)
    mark = tmp_path / "done"
    night = Night(*(lambda n=n: robot.append(n) for n in (90, 150, 200, 240)))
    said: list[str] = []
    look = watched(robot, night, said, target_db=-30.0, run=f"touch {mark}")
    assert look.answer.enough
    assert look.missing_points == 0
    assert 50 < look.answer.points < 240
    assert mark.exists()
    assert said[0] == "50 points: looking"
    assert said[1].startswith(("Not enough", "Enough up to"))
    assert any(line.startswith("50 points, the next look is at 53") for line in said)
    assert "of 50 points" in said[1] or "with 50 points" in said[1]


def test_it_survives_a_writer_that_dies_and_resumes(robot):
    robot.start(50)
    counts = []
    night = Night(
        lambda: robot.append(70),
        lambda: robot.die_in_mid_append(90),
        lambda: counts.append(read_scan(robot.path).points),
        lambda: robot.resume(160),
        lambda: robot.append(240),
    )
    said: list[str] = []
    look = watched(robot, night, said, target_db=-30.0)
    assert counts == [70]  # the points without a position do not count
    assert look.answer.enough
    assert look.answer.points >= 160


def test_a_file_torn_for_a_moment_is_tried_again(robot):
    robot.start(50)
    whole = robot.path.read_bytes()
    night = Night(
        lambda: robot.path.write_bytes(whole[:300]),
        lambda: robot.path.write_bytes(whole),
        lambda: robot.append(240),
    )
    said: list[str] = []
    look = watched(robot, night, said, target_db=-30.0)
    assert look.answer.enough
    assert any(line.startswith("not readable at the moment, trying again") for line in said)


def test_it_ends_short_when_no_more_points_come(robot):
    robot.start(60)
    look = watched(robot, Night(), [], target_db=-80.0, every_s=60.0, idle_s=300.0)
    assert not look.answer.enough
    assert look.answer.points == 60


class Recorder:
    """Fills a folder with impulse responses, one WAV file per point, by a table that lists all points beforehand."""

    rate_hz = 8000
    samples = 256

    def __init__(self, folder: Path, position: np.ndarray) -> None:
        folder.mkdir()
        self.folder, self.position = folder, position
        rows = [f"{x!r},{y!r},{z!r}" for x, y, z in position.tolist()]
        (folder / "positions.csv").write_text("\n".join(["x_m,y_m,z_m", *rows]) + "\n")
        self.done = 0

    def record(self, points: int) -> None:
        for number in range(self.done, points):
            path = self.folder / f"{number + 1:04d}.wav"
            soundfile.write(path, self.sound(self.position[number]), self.rate_hz, subtype="FLOAT")
            os.utime(path, (time.time() - 60,) * 2)
        self.done = points

    def sound(self, position: np.ndarray) -> np.ndarray:
        """Two delayed pulses, band-limited below 2.5 kHz, from the two sources of :func:`field`."""
        frequency = np.fft.rfftfreq(self.samples, 1 / self.rate_hz)
        band = np.exp(-((frequency / 2500) ** 8))
        spectrum = np.zeros(len(frequency), complex)
        for place in (SOURCE_M + UPWARDS, SOURCE_M - 2 * UPWARDS):
            distance = np.linalg.norm(position - place)
            spectrum += band * np.exp(-2j * np.pi * frequency * distance / SPEED_M_S) / distance
        return np.fft.irfft(spectrum, self.samples)


RECORDINGS = ImportSettings.model_validate({"scan": {"temperature_c": 20.0}})


def test_a_folder_of_recordings_is_watched_as_it_fills(tmp_path):
    recorder = Recorder(tmp_path / "night", planned())
    recorder.record(60)
    half_written = recorder.folder / "0151.wav"
    night = Night(
        lambda: recorder.record(150),
        lambda: half_written.write_bytes((recorder.folder / "0001.wav").read_bytes()[:200]),
        lambda: recorder.record(240),
    )
    said: list[str] = []
    settings = SETTINGS.model_copy(update={"frequencies": FrequencySettings(lowest_hz=400, highest_hz=2000)})
    choices = WatchChoices(target_db=-30.0, recordings=RECORDINGS)
    look = watch(recorder.folder, settings, choices, said.append, night.wait, night.clock)
    assert look.answer.enough
    assert 60 < look.answer.points <= 240
    assert any("60 points" in line for line in said)


def test_a_recording_that_is_being_written_does_not_count(tmp_path):
    recorder = Recorder(tmp_path / "night", planned())
    recorder.record(8)
    files = sorted(recorder.folder.glob("*.wav"))
    files[2].write_bytes(files[2].read_bytes()[:200])
    os.utime(files[2], (time.time() - 60,) * 2)
    os.utime(files[7])
    assert growing(recorder.folder).points() == 6
    with growing(recorder.folder, RECORDINGS).opened() as file:
        np.testing.assert_array_equal(file.setup.position_m, recorder.position[[0, 1, 3, 4, 5, 6]])


def test_a_folder_without_recordings_yet_is_waited_for(tmp_path):
    recorder = Recorder(tmp_path / "night", planned())
    with pytest.raises(
        ScanFileError, match=r"held \d+ points that could be read when the scan ended, 40 are needed"
    ):
        watch(recorder.folder, SETTINGS, WatchChoices(idle_s=1.0), wait=lambda s: None)
    with pytest.raises(InputError, match="no finished recording yet"), growing(recorder.folder).opened():
        pass


def test_settings_of_an_import_belong_to_a_folder(robot):
    robot.start(50)
    with pytest.raises(SettingsError, match="belong to a folder of recordings"):
        growing(robot.path, RECORDINGS)


def test_a_missing_scan_is_told_at_once(tmp_path):
    with pytest.raises(ScanFileError, match="start it first"):
        watch(tmp_path / "none.h5")


def test_a_command_that_fails_is_told(robot):
    robot.start(240)
    with pytest.raises(OutputError, match="ended with code 7"):
        watched(robot, Night(), [], target_db=-20.0, run="exit 7")


def test_it_says_where_points_help_most(robot):
    """Below a cut through the scan, at the places that are planned there and not yet taken."""
    robot.position = robot.position[np.argsort(robot.position[:, 2] < -0.15, kind="stable")]
    robot.pressure = field(robot.position)
    above = int(np.sum(robot.position[:, 2] >= -0.15))
    robot.start(above)
    planned_file = robot.path.with_name("planned.csv")
    write_positions(planned_file, Positions(robot.position, np.zeros(len(robot.position), np.int64)))
    settings = Settings.model_validate({"points": {"sizes": 3, "draws": 1}})
    choices = WatchChoices(target_db=-45.0, positions=planned_file, idle_s=1.0)
    said: list[str] = []
    night = Night()
    look = watch(robot.path, settings, choices, said.append, night.wait, night.clock)
    assert not look.answer.enough
    assert len(look.next_m) == 5
    for place in look.next_m:
        assert place[2] < -0.15
        assert np.linalg.norm(robot.position - place, axis=1).min() < 1e-3
    assert look.gain[0] >= look.gain[-1]
    command, *arguments = shlex.split(look.next_command)
    assert (command, arguments[0]) == ("scanproc", "plan")
    given = plan_command.make_context("plan", arguments[1:]).params
    assert given["continued"] == robot.path
    assert (given["up_to_hz"], given["target_db"]) == (look.answer.wanted_hz, -45.0)
    assert any(look.next_command in line for line in said)


@pytest.mark.parametrize("name", ["a.csv", "a.h5"])
def test_positions_survive_the_file(tmp_path, name):
    positions = Positions(even_points(30, 0.4), np.arange(30) % 2)
    write_positions(tmp_path / name, positions)
    back = read_positions(tmp_path / name)
    assert np.allclose(back.position_m, positions.position_m, atol=1e-6)
    assert np.array_equal(back.layer, positions.layer)


def test_other_names_of_positions_are_refused(tmp_path):
    with pytest.raises(OutputError, match=r"\.csv or \.h5"):
        write_positions(tmp_path / "a.txt", Positions(even_points(3, 0.4), np.zeros(3, np.int64)))


def test_the_pace_is_that_of_the_files(tmp_path):
    recorder = Recorder(tmp_path / "night", planned())
    recorder.record(8)
    for number, path in enumerate(sorted(recorder.folder.glob("0*.wav"))):
        os.utime(path, (1e9 + 1.5 * number,) * 2)
    night = Night()
    pace = Pace(growing(recorder.folder), night.clock)
    assert pace.seconds_per_point(8) == pytest.approx(1.5)


def test_the_pace_of_a_file_without_times_is_that_of_its_growth(robot):
    robot.start(50)
    night = Night()
    pace = Pace(growing(robot.path), night.clock)
    pace.see(50)
    assert pace.seconds_per_point(50) is None
    night.now = 120.0
    assert pace.seconds_per_point(110) == pytest.approx(2.0)


def test_something_is_said_at_once_and_each_minute(tmp_path):
    recorder = Recorder(tmp_path / "night", planned())
    recorder.record(8)
    said: list[tuple[float, str]] = []
    night = Night()
    with pytest.raises(ScanFileError):
        watch(
            recorder.folder,
            SETTINGS,
            WatchChoices(every_s=300.0, idle_s=900.0),
            lambda line: said.append((night.now, line)),
            night.wait,
            night.clock,
        )
    assert said[0] == (0.0, "8 points, 40 are needed before a verdict")
    assert np.diff([moment for moment, _ in said]).max() <= 60.0


def test_the_time_left_says_what_pace_it_is():
    answer = SimpleNamespace(verdict="Not enough.", enough=False, headline=dict)
    look = Look(answer, 23, 1.5, (), ())
    assert look.lines() == ["Not enough.", "About 23 points to go, 34 s at 1.5 s a point."]
    assert look.seconds_left == pytest.approx(34.5)
    assert Look(answer, 23, None, (), ()).lines()[1] == "About 23 points to go."
