"""Every way in which a scan file can be bad, with the words it must get."""

import os
import subprocess
import sys

import h5py
import numpy as np
import pytest

from scanproc.errors import InputError, ScanDataError, ScanFileError
from scanproc.files.stored.scan_file import open_scan, read_scan, write_scan
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup


@pytest.fixture
def good(tmp_path):
    path = tmp_path / "scan.h5"
    setup = ScanSetup(np.eye(3), time_s=np.arange(3.0), layer=np.arange(3))
    write_scan(path, Scan(setup, [100.0, 200.0], np.full((3, 2), 1 + 1j), np.ones(2)))
    return path


def refused(path, kind=ScanFileError):
    with pytest.raises(InputError) as caught:
        read_scan(path)
    assert type(caught.value) is kind
    assert caught.value.path == path
    assert "\n" not in str(caught.value)
    return caught.value.message


def put(name, value, **options):
    def change(file):
        if name in file:
            del file[name]
        file.create_dataset(name, data=value, **options)

    return change


def attribute(name, value):
    return lambda file: file.attrs.__setitem__(name, value)


def without(*names):
    def change(file):
        for name in names:
            del file[name]

    return change


def link(name, target):
    def change(file):
        file.move(name, "elsewhere")
        file[name] = target

    return change


def virtual(file):
    layout = h5py.VirtualLayout((3, 2), complex)
    layout[:] = h5py.VirtualSource("other.h5", "pressure_pa", (3, 2))
    del file["pressure_pa"]
    file.create_virtual_dataset("pressure_pa", layout)


def group(name):
    def change(file):
        del file[name]
        file.create_group(name)

    return change


def both(file):
    file["impulse_response_pa"] = np.ones((3, 8))


def unwritten(name, shape, dtype, **options):
    def change(file):
        del file[name]
        file.create_dataset(name, shape, dtype, **options)

    return change


def responses(**attributes):
    def change(file):
        del file["pressure_pa"], file["frequency_hz"]
        file["impulse_response_pa"] = np.ones((3, 8))
        file["impulse_response_pa"].attrs.update(attributes)

    return change


TEXT = h5py.string_dtype()
HUGE = 10**12
CASES = [
    (attribute("format", "scanproc result"), "is not a scanproc scan, its format is 'scanproc result'"),
    (lambda f: f.attrs.__delitem__("format"), "is not a scanproc scan, it has no attribute format"),
    (attribute("format", 3), "the attribute format must be a text, got whole numbers, a single value"),
    (attribute("layout_version", 2), "has layout_version 2, this version of scanproc reads 1: update"),
    (lambda f: f.attrs.__delitem__("layout_version"), "has no attribute layout_version: add it"),
    (without("position_m"), r"has no dataset position_m: add it \(real numbers by \(points, x y z\)\)"),
    (without("frequency_hz"), r"has no dataset frequency_hz: add it"),
    (without("pressure_pa"), "has neither the dataset pressure_pa .* nor impulse_response_pa: add one"),
    (both, "holds both pressure_pa and impulse_response_pa: keep one"),
    (put("position_m", np.ones((3, 2))), r"position_m must have 3 columns \(x, y, z\), got 2"),
    (put("position_m", np.ones(9)), r"position_m must have the axes \(points, x y z\), got the shape 9"),
    (put("position_m", np.ones((4, 3))), "pressure_pa has 3 points, position_m has 4: write one row per"),
    (put("position_m", np.ones((3, 3), complex)), "position_m must be real .*, got complex numbers, 3 x 3"),
    (
        put("position_m", np.full((3, 3), "1", TEXT)),
        "position_m must be real numbers .*, got text or objects",
    ),
    (put("position_m", np.full((3, 3), b"1")), "position_m must be real numbers .*, got text, 3 x 3"),
    (put("position_m", np.full((3, 3), True)), "position_m must be real numbers .*, got type bool, 3 x 3"),
    (put("position_m", h5py.Empty("f8")), "position_m must be real numbers .*, got nothing"),
    (put("pressure_pa", np.ones((3, 2))), "pressure_pa must be complex numbers .*, got real numbers, 3 x 2"),
    (put("pressure_pa", np.ones((3, 4), complex)), "pressure_pa has 4 frequencies, frequency_hz has 2"),
    (put("pressure_pa", 1j), "pressure_pa must have the axes .*, got the shape a single value"),
    (put("noise_pa", np.ones((3, 3))), "noise_pa has 3 frequencies, frequency_hz has 2"),
    (put("noise_pa", np.ones((2, 2))), "noise_pa has 2 points, position_m has 3"),
    (put("noise_pa", 1.0), "noise_pa must have the axes"),
    (put("time_s", np.ones(2)), "time_s has 2 points, position_m has 3"),
    (put("layer", np.ones(3)), "layer must be whole numbers .*, got real numbers, 3"),
    (group("pressure_pa"), "pressure_pa must be a dataset .*, got a group"),
    (group("noise_pa"), "noise_pa must be a dataset .*, got a group"),
    (link("pressure_pa", h5py.ExternalLink("other.h5", "/x")), "pressure_pa is a link to elsewhere: store"),
    (link("position_m", h5py.SoftLink("/elsewhere")), "position_m is a link to elsewhere: store"),
    (link("position_m", h5py.SoftLink("/nowhere")), "position_m is a link to elsewhere: store"),
    (virtual, "pressure_pa keeps its data in another file: store"),
    (unwritten("time_s", (3,), float, external=[("raw", 0, 24)]), "time_s keeps its data in another file"),
    (unwritten("position_m", (HUGE, 3), float), "pressure_pa has 3 points, position_m has 1000000000000"),
    (unwritten("position_m", (3, HUGE), float), "position_m claims the shape 3 x 1000000000000"),
    (unwritten("frequency_hz", (HUGE,), float), "frequency_hz claims the shape 1000000000000 but the file"),
    (
        unwritten("frequency_hz", (HUGE,), float, chunks=(1024,)),
        "frequency_hz claims the shape 1000000000000",
    ),
    (unwritten("pressure_pa", (3, 2), complex), "pressure_pa claims the shape 3 x 2 but the file holds less"),
    (attribute("drive_voltage_v", "2.83"), "the attribute drive_voltage_v must be a number, got text or obj"),
    (attribute("temperature_c", [1.0, 2.0]), "the attribute temperature_c must be a number, got real .*, 2"),
    (attribute("device_size_m", [1.0, 2.0]), "the attribute device_size_m must be 3 numbers, got real .*, 2"),
    (attribute("notes", 5), "the attribute notes must be a text, got whole numbers"),
    (attribute("notes", h5py.Empty("S1")), "the attribute notes must be a text, got text, nothing"),
    (responses(), "has no attribute sampling_rate_hz: add it"),
    (responses(sampling_rate_hz="fast"), "the attribute sampling_rate_hz must be a number"),
]
DATA_CASES = [
    (put("frequency_hz", [200.0, 100.0]), "frequency_hz must increase, but entry 1 is 100 after 200"),
    (put("frequency_hz", [0.0, 100.0]), "frequency_hz must be above zero, starts at 0"),
    (put("pressure_pa", np.full((3, 2), np.nan + 0j)), "pressure_pa holds 6 values that are not finite"),
    (put("position_m", np.full((3, 3), np.inf)), "position_m holds 9 values that are not finite"),
    (attribute("drive_voltage_v", -1.0), "drive_voltage_v must be above zero, got -1"),
    (attribute("temperature_c", np.nan), "temperature_c must be finite, got nan"),
    (responses(sampling_rate_hz=0.0), "sampling_rate_hz must be above zero, got 0"),
    (responses(sampling_rate_hz=8.0, time_zero_s=np.inf), "time_zero_s must be finite, got inf"),
]


@pytest.mark.parametrize(("change", "words"), CASES)
def test_a_malformed_file_is_named_in_one_line(good, change, words):
    with h5py.File(good, "a") as file:
        change(file)
    with pytest.raises(ScanFileError, match=words):
        read_scan(good)
    refused(good)


@pytest.mark.parametrize(("change", "words"), DATA_CASES)
def test_unusable_numbers_are_named_in_one_line(good, change, words):
    with h5py.File(good, "a") as file:
        change(file)
    with pytest.raises(ScanDataError, match=words):
        read_scan(good)
    refused(good, ScanDataError)


def test_no_such_file(tmp_path):
    assert refused(tmp_path / "absent.h5") == "there is no such file: check the path"


def test_a_directory(tmp_path):
    words = "is a directory, a scanproc scan was needed: name the file, or make one of the recordings with"
    assert refused(tmp_path) == f"{words} 'scanproc import'"


def test_a_pipe_does_not_hang(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    assert refused(tmp_path / "pipe").startswith("is no ordinary file")


def test_an_empty_file(tmp_path):
    (tmp_path / "scan.h5").touch()
    assert refused(tmp_path / "scan.h5").startswith("is empty, a scanproc scan was needed")


def test_a_foreign_file(tmp_path):
    (tmp_path / "scan.h5").write_text("frequency;level\n100;3\n")
    assert refused(tmp_path / "scan.h5").startswith("is not an HDF5 file: a scanproc scan")


def test_no_permission(good):
    good.chmod(0)
    if os.geteuid() == 0:  # permissions do not bind this user: ask as another
        read = "from scanproc.files.stored.scan_file import read_scan; import os; os.seteuid(65534)"
        ask = f"{read}; read_scan({str(good)!r})"
        done = subprocess.run([sys.executable, "-c", ask], check=False, capture_output=True, text=True)
        assert "cannot be opened, Permission denied: check path and permissions" in done.stderr
    else:
        assert refused(good) == "cannot be opened, Permission denied: check path and permissions"


def test_a_file_cut_short_anywhere(good, tmp_path):
    whole = good.read_bytes()
    cut = tmp_path / "cut.h5"
    for length in range(1, len(whole), 97):
        cut.write_bytes(whole[:length])
        assert refused(cut)


def test_a_flipped_byte_in_the_sound_is_noticed(good):
    """The blocks carry checksums, so that a bad copy is not taken for sound."""
    content = bytearray(good.read_bytes())
    at = content.find(np.full(3, 1 + 1j).tobytes())
    assert at > 0
    content[at + 6] ^= 1
    good.write_bytes(content)
    assert refused(good).startswith("is damaged or cut short, HDF5 says")


def test_compressed_blocks_do_not_hide_an_absurd_size(good):
    with h5py.File(good, "a") as file:
        del file["frequency_hz"], file["pressure_pa"], file["noise_pa"]
        file.create_dataset("frequency_hz", (10**6,), float, chunks=(10**6,), compression="gzip")[:5] = 1.0
        file.create_dataset("pressure_pa", (3, 10**6), complex, chunks=(1, 100), compression="gzip")[0, 0] = 1
    assert refused(good).startswith("pressure_pa claims the shape 3 x 1000000 but the file holds less")


def test_a_file_that_another_program_holds(good):
    with h5py.File(good, "a"):
        ask = f"from scanproc.files.stored.scan_file import read_scan; read_scan({str(good)!r})"
        done = subprocess.run([sys.executable, "-c", ask], check=False, capture_output=True, text=True)
    last = done.stderr.strip().splitlines()[-1]
    assert "ScanFileError" in last
    assert "is being written by another program that lets nobody read meanwhile: wait" in last


def test_impulse_responses_are_no_spectra(tmp_path):
    path = tmp_path / "scan.h5"
    write_scan(path, ImpulseScan(ScanSetup(np.eye(3)), np.ones((3, 8)), 8.0))
    words = "holds impulse responses, spectra were needed"
    with open_scan(path) as file, pytest.raises(ScanFileError, match=words):
        file.read_frequencies(slice(0, 1))


def test_rows_that_were_never_written_are_not_taken_for_silence(good):
    with h5py.File(good, "a") as file:
        del file["pressure_pa"]
        pressure = file.create_dataset("pressure_pa", (3, 2), complex, chunks=(1, 2), fletcher32=True)
        pressure[0] = pressure[2] = 1
    assert refused(good).startswith("pressure_pa claims the shape 3 x 2 but the file holds less")
