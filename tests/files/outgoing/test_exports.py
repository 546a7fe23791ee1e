"""Every exported file comes back as it went, through readers other than the writers where there are any."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import netCDF4
import numpy as np
import pytest
import sofar
import soundfile

from scanproc.errors import InputError, OutputError, ResultFileError, ScanDataError
from scanproc.files.incoming.reference_sofa import read_sofa_sound
from scanproc.files.incoming.transfer_function import read_transfer_function
from scanproc.files.outgoing.export_archive import read_hdf5, read_npz, write_hdf5, write_npz
from scanproc.files.outgoing.export_sofa import (
    About,
    mandatory_texts,
    write_sofa,
    write_sofa_impulses,
)
from scanproc.files.outgoing.export_text import read_text, stems, write_text
from scanproc.files.outgoing.export_wav import write_wav
from scanproc.files.outgoing.tables import read_direction_tables, write_direction_tables
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.impulse import ImpulseSet
from scanproc.records.measured.scan import Scan

HZ = np.geomspace(50, 16000, 90)
ABOUT = About("ferry terminal paging horn", "boat shed", "someone", "workshop", "CC0", "2026-05-01 07:30:00")


def directions(angles: int = 12, **more: object) -> DirectionSet:
    rng = np.random.default_rng(2)
    direction = rng.normal(size=(angles, 3))
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    pressure = rng.normal(size=(angles, 90)) + 1j * rng.normal(size=(angles, 90))
    return DirectionSet("pier", direction, HZ, pressure, np.abs(pressure), drive_voltage_v=4.0, **more)  # type: ignore[arg-type]


def orbit() -> DirectionSet:
    one = directions(3)
    return replace(one, orbit=("horizontal",) * 3, angle_deg=np.array([-30.0, 0.0, 7.5]))


def seats() -> DirectionSet:
    return replace(directions(), distance_m=np.linspace(2, 9, 12), delay="kept", speed_of_sound_m_s=343.0)


def impulses() -> ImpulseSet:
    one = seats()
    response = np.random.default_rng(5).normal(size=(12, 64))
    return ImpulseSet(
        "pier", one.direction, response, 48000.0, 16, (50.0, 16000.0), None, None, 4.0, one.distance_m, "kept"
    )


def same(found: DirectionSet, wanted: DirectionSet) -> None:
    for name in (
        "direction",
        "frequency_hz",
        "pressure_pa_m",
        "standard_error_db",
        "angle_deg",
        "distance_m",
    ):
        if getattr(wanted, name) is None:
            assert getattr(found, name) is None
        else:
            np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name), err_msg=name)
    for name in ("name", "orbit", "drive_voltage_v", "delay", "speed_of_sound_m_s"):
        assert getattr(found, name) == getattr(wanted, name)


@pytest.mark.parametrize("wanted", [directions(), orbit(), seats()])
def test_tables_npz_and_hdf5_keep_every_digit(wanted: DirectionSet, tmp_path: Path) -> None:
    write_direction_tables(tmp_path / "csv", wanted)
    same(read_direction_tables(tmp_path / "csv"), wanted)
    write_npz(tmp_path / "a.npz", wanted)
    same(read_npz(tmp_path / "a.npz"), wanted)
    write_hdf5(tmp_path / "a.h5", [wanted, replace(wanted, name="quay")])
    found, _ = read_hdf5(tmp_path / "a.h5")
    assert sorted(found) == ["pier", "quay"]
    same(found["pier"], wanted)


def test_impulse_responses_in_hdf5_and_npz(tmp_path: Path) -> None:
    write_hdf5(tmp_path / "a.h5", [seats()], [impulses()])
    found = read_hdf5(tmp_path / "a.h5")[1]["pier"]
    for name in ("direction", "response_pa_m", "distance_m"):
        np.testing.assert_array_equal(getattr(found, name), getattr(impulses(), name))
    for name in ("sampling_rate_hz", "time_zero_sample", "band_hz", "delay", "drive_voltage_v"):
        assert getattr(found, name) == getattr(impulses(), name)
    write_npz(tmp_path / "a.npz", seats(), impulses())
    with np.load(tmp_path / "a.npz") as arrays:
        np.testing.assert_array_equal(arrays["impulse_response_pa_m"], impulses().response_pa_m)


@pytest.mark.parametrize("wanted", [orbit(), seats()])
def test_three_columns(wanted: DirectionSet, tmp_path: Path) -> None:
    write_text(tmp_path / "text", wanted)
    names = stems(wanted)
    assert sorted(path.stem for path in (tmp_path / "text").glob("*.txt")) == sorted(names)
    metres = np.ones(wanted.angles) if wanted.distance_m is None else wanted.distance_m
    for index, name in enumerate(names):
        hz, level, phase = read_text(tmp_path / "text" / f"{name}.txt")
        np.testing.assert_array_equal(hz, HZ)
        pascal = 20e-6 * 10 ** (level / 20) * np.exp(1j * np.deg2rad(phase)) * (4.0 / 2.83)
        np.testing.assert_allclose(pascal, wanted.pressure_pa_m[index] / metres[index], rtol=1e-8)
    if wanted.orbit:
        assert names == ["horizontal_330", "horizontal_000", "horizontal_007.5"]


def test_wav_reads_the_same_elsewhere(tmp_path: Path) -> None:
    wanted, names = impulses(), [f"n{i}" for i in range(12)]
    write_wav(tmp_path / "wav", wanted, names)
    for index, name in enumerate(names):
        found, rate = soundfile.read(tmp_path / "wav" / f"{name}.wav", dtype="float32")
        assert (rate, soundfile.info(tmp_path / "wav" / f"{name}.wav").subtype) == (48000, "FLOAT")
        pascal = wanted.response_pa_m[index] / wanted.distance_m[index]
        np.testing.assert_array_equal(found, pascal.astype(np.float32))


def test_what_wav_cannot_hold_is_refused(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=r"whole sampling rate .* got 44100.5 Hz"):
        write_wav(tmp_path / "wav", replace(impulses(), sampling_rate_hz=44100.5), ["x"] * 12)
    assert not (tmp_path / "wav").exists()


@pytest.mark.parametrize("wanted", [directions(), orbit(), seats()])
def test_aes69_reads_back(wanted: DirectionSet, tmp_path: Path) -> None:
    write_sofa(tmp_path / "a.sofa", wanted, ABOUT)
    sofa = sofar.read_sofa(str(tmp_path / "a.sofa"), verbose=False)
    assert sofa.verify(issue_handling="return") is None
    assert all(str(getattr(sofa, name)).strip() for name in mandatory_texts(sofa))
    assert sofa.GLOBAL_DateCreated == "2026-05-01 07:30:00"
    found = read_sofa_sound(tmp_path / "a.sofa")
    assert isinstance(found, Scan)
    metres = np.ones(wanted.angles) if wanted.distance_m is None else wanted.distance_m
    np.testing.assert_allclose(found.pressure_pa, wanted.pressure_pa_m / metres[:, None], rtol=1e-6)
    np.testing.assert_allclose(found.setup.position_m, wanted.direction * metres[:, None], atol=1e-12)
    np.testing.assert_array_equal(found.frequency_hz, HZ)
    far = wanted.distance_m is None
    assert sofa.GLOBAL_Description.startswith(
        "far field normalised to 1 m" if far else "rms pressure in Pa at the receiver, for 4 V"
    )
    assert sofa.GLOBAL_Description.endswith(f"is {wanted.delay}")


def test_a_beam_to_the_left_is_at_azimuth_90_in_another_reader(tmp_path: Path) -> None:
    axes = np.array([[1.0, 0, 0], [0, 1, 0], [0, 0, 1], [-1, 0, 0], [0, -1, 0], [0, 0, -1]])
    beam = np.where(np.arange(6)[:, None] == 1, 2.0 - 1j, 0.1) * np.ones((6, 3))
    one = DirectionSet("beam", axes, np.array([100.0, 200.0, 300.0]), beam, np.zeros((6, 3)))
    write_sofa(tmp_path / "a.sofa", one, ABOUT)
    with netCDF4.Dataset(tmp_path / "a.sofa") as file:
        assert file.getncattr("SOFAConventions") == "FreeFieldDirectivityTF"
        assert file["ReceiverPosition"].Type == "spherical"
        position = np.asarray(file["ReceiverPosition"][:]).reshape(6, 3)
        (loudest,) = np.flatnonzero(np.asarray(file["Data.Real"][0, :, 0]) > 1)
        assert position[loudest] == pytest.approx([90, 0, 1])
        assert file["Data.Imag"][0, loudest, 2] == pytest.approx(-1)
        assert position[:, :2] == pytest.approx(
            np.array([[0, 0], [90, 0], [0, 90], [180, 0], [270, 0], [0, -90]]), abs=1e-9
        )


def test_aes69_impulse_responses(tmp_path: Path) -> None:
    write_sofa_impulses(tmp_path / "a.sofa", impulses(), ABOUT)
    sofa = sofar.read_sofa(str(tmp_path / "a.sofa"), verbose=False)
    assert sofa.verify(issue_handling="return") is None
    pascal = impulses().response_pa_m / impulses().distance_m[:, None]
    np.testing.assert_allclose(sofa.Data_IR[0], pascal, rtol=1e-12)
    assert np.all(np.asarray(sofa.Data_Delay) == -16)
    assert sofa.Data_SamplingRate == 48000


@pytest.mark.parametrize(
    ("about", "message"),
    [
        (replace(ABOUT, organization=" "), "needs a text for Organization"),
        (replace(ABOUT, license=""), "needs a text for License"),
        (replace(ABOUT, date="yesterday"), "needs a date like 2026-05-01 07:30:00"),
        (replace(ABOUT, date="2026-13-01 07:30:00"), "needs a date like"),
    ],
)
def test_what_the_librarys_check_lets_pass(about: About, message: str, tmp_path: Path) -> None:
    with pytest.raises(OutputError, match=message):
        write_sofa(tmp_path / "a.sofa", directions(), about)
    assert not (tmp_path / "a.sofa").exists()


def test_falling_frequencies_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ScanDataError, match="N must increase"):
        write_sofa(tmp_path / "a.sofa", replace(directions(), frequency_hz=HZ[::-1]), ABOUT)


@pytest.mark.parametrize(
    "text",
    [
        "frequency_hz,level_db,phase_deg\n100,0,0\n1000,-6.020599913279624,-90\n",
        "frequency_hz,real,imag\n100,1,0\n1000,0,-0.5\n",
    ],
)
def test_transfer_functions(text: str, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    hz, value = read_transfer_function(tmp_path / "a.csv")
    assert list(hz) == [100, 1000]
    assert value == pytest.approx([1, -0.5j])


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "f,a,b\n1,2,3\n",
            "must start with frequency_hz,level_db,phase_deg or frequency_hz,real,imag, got 'f,a,b'",
        ),
        ("", "must start with"),
        ("frequency_hz,real,imag\n1,x,3\n", "must hold three numbers a line"),
        ("frequency_hz,real,imag\n1,2\n", "must hold three numbers a line"),
        ("frequency_hz,real,imag\n", "must hold three numbers a line"),
        ("frequency_hz,real,imag\n2,1,0\n1,1,0\n", "must increase"),
        ("frequency_hz,real,imag\n1,0,0\n2,1,0\n", "no ratio of zero"),
        ("frequency_hz,real,imag\n1,nan,0\n2,1,0\n", "not finite"),
    ],
)
def test_bad_transfer_functions_are_one_line(text: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=message) as caught:
        read_transfer_function(tmp_path / "a.csv")
    assert str(caught.value).startswith(f"{tmp_path / 'a.csv'}: ")
    assert "\n" not in str(caught.value)


def test_foreign_files_are_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"1 2\n3 4\n")
    for reader, kind in ((read_npz, ResultFileError), (read_sofa_sound, InputError), (read_text, InputError)):
        with pytest.raises(kind, match=f"{path}: ") as caught:
            reader(path)
        assert "\n" not in str(caught.value)


def test_the_same_bytes_twice(tmp_path: Path) -> None:
    for name in ("one", "two"):
        place = tmp_path / name
        write_wav(place / "wav", impulses(), [f"n{i}" for i in range(12)])
        write_npz(place / "a.npz", seats(), impulses())
        write_hdf5(place / "a.h5", [seats()], [impulses()])
    for path in sorted((tmp_path / "one").rglob("*.*")):
        assert path.read_bytes() == (tmp_path / "two" / path.relative_to(tmp_path / "one")).read_bytes(), (
            path.name
        )
