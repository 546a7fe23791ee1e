"""Scan files: what is written comes back, part by part, bigger than memory and while it grows."""

import subprocess
import sys
import time

import h5py
import numpy as np
import pytest

from scanproc.errors import OutputError, ScanFileError
from scanproc.files.stored.scan_file import open_scan, read_scan, write_scan
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup


def setup(points=7, **more):
    position = np.random.default_rng(1).normal(size=(points, 3))
    return ScanSetup(position_m=position, **more)


def full_setup(points=7):
    return setup(
        points,
        time_s=np.arange(points) * 9.5,
        point_temperature_c=20 + np.arange(points) / 10,
        layer=np.arange(points) % 2,
        device="paging loudspeaker, ferry terminal",
        drive_voltage_v=1.0,
        temperature_c=-3.5,
        humidity_percent=61.0,
        air_pressure_kpa=100.9,
        speed_of_sound_m_s=329.0,
        device_size_m=np.array([0.3, 0.4, 0.5]),
        device_centre_m=np.array([-0.1, 0.0, 0.02]),
        first_reflection_s=0.004,
        date="a May evening",
        microphone="quarter inch, calibrated in spring",
        notes="boat shed, döör open\n" + 70_000 * "x",
    )


def spectra(setup, frequencies=5, noise_axes=1):
    draw = np.random.default_rng(2)
    shape = (setup.points, frequencies)
    noise = draw.random(shape[2 - noise_axes :]) if noise_axes else None
    pressure = draw.normal(size=shape) + 1j * draw.normal(size=shape)
    return Scan(setup, np.geomspace(20, 20e3, frequencies), pressure, noise)


def assert_same(one, other):
    for name in type(one).__dataclass_fields__:
        mine, theirs = getattr(one, name), getattr(other, name)
        if isinstance(mine, ScanSetup):
            assert_same(mine, theirs)
        elif isinstance(mine, np.ndarray):
            assert mine.dtype == theirs.dtype
            assert np.array_equal(mine, theirs), name
        else:
            assert mine == theirs, name


@pytest.mark.parametrize("noise_axes", [0, 1, 2])
@pytest.mark.parametrize("make", [setup, full_setup])
def test_spectra_come_back_exactly(tmp_path, make, noise_axes):
    scan = spectra(make(), noise_axes=noise_axes)
    write_scan(tmp_path / "scan.h5", scan)
    assert_same(scan, read_scan(tmp_path / "scan.h5"))


def test_impulse_responses_come_back_exactly(tmp_path):
    response = np.random.default_rng(3).normal(size=(40, 9000))
    scan = ImpulseScan(full_setup(40), response, 48_000.0, -0.002)
    write_scan(tmp_path / "scan.h5", scan)
    assert_same(scan, read_scan(tmp_path / "scan.h5"))
    with open_scan(tmp_path / "scan.h5") as file:
        assert (file.kind, file.samples, file.sampling_rate_hz, file.time_zero_s) == (
            "impulse responses",
            9000,
            48_000.0,
            -0.002,
        )
        assert np.array_equal(file.read_points(slice(3, 30, 9)).impulse_response_pa, response[3:30:9])


def test_layout_is_the_documented_one(tmp_path):
    """Read with h5py alone, as a stranger would."""
    scan = spectra(full_setup())
    write_scan(tmp_path / "scan.h5", scan)
    with h5py.File(tmp_path / "scan.h5") as file:
        assert file.attrs["format"] == "scanproc scan"
        assert file.attrs["layout_version"] == 1
        assert file.attrs["device"] == "paging loudspeaker, ferry terminal"
        assert file["position_m"].shape == (7, 3)
        kind = file["pressure_pa"].id.get_type()
        assert isinstance(kind, h5py.h5t.TypeCompoundID)
        assert [kind.get_member_name(i) for i in range(2)] == [b"r", b"i"]
        assert np.array_equal(file["pressure_pa"][...], scan.pressure_pa)
        assert set(file) == {
            "position_m", "frequency_hz", "pressure_pa", "noise_pa", "time_s", "temperature_c", "layer"
        }  # fmt: skip


def test_a_strangers_file_is_read(tmp_path):
    """Plain h5py, single precision, other byte order, whole numbers, no chunks, scalars as arrays."""
    with h5py.File(tmp_path / "scan.h5", "w") as file:
        file.attrs["format"] = np.bytes_("scanproc scan")
        file.attrs["layout_version"] = np.array([1], ">i2")
        file.attrs["drive_voltage_v"] = np.float32(2)
        file["position_m"] = np.array([[1, 0, 0], [0, 1, 0]])
        file["frequency_hz"] = np.array([100, 200], ">f4")
        file["pressure_pa"] = np.array([[1 + 2j, 3], [4, 5j]], np.complex64)
    scan = read_scan(tmp_path / "scan.h5")
    assert scan.setup.drive_voltage_v == 2.0
    assert np.array_equal(scan.setup.position_m, [[1, 0, 0], [0, 1, 0]])
    assert np.array_equal(scan.frequency_hz, [100, 200])
    assert np.array_equal(scan.pressure_pa, [[1 + 2j, 3], [4, 5j]])


@pytest.mark.parametrize("noise_axes", [0, 1, 2])
def test_parts_equal_the_same_parts_of_the_whole(tmp_path, noise_axes):
    scan = spectra(full_setup(300), 150, noise_axes)
    write_scan(tmp_path / "scan.h5", scan)
    with open_scan(tmp_path / "scan.h5") as file:
        assert file.warnings == ()
        assert not file.appending
        assert_same(scan.take_frequencies(slice(60, 140)), file.read_frequencies(slice(60, 140)))
        assert_same(scan.take_frequencies(slice(1, None, 7)), file.read_frequencies(slice(1, None, 7)))
        assert_same(scan.take_points(np.arange(250, 300)), file.read_points(slice(-50, None)))
        assert_same(scan, file.read())


def test_same_scan_gives_same_bytes(tmp_path):
    write_scan(tmp_path / "a.h5", spectra(full_setup()))
    time.sleep(1.1)  # HDF5 stamps whole seconds
    write_scan(tmp_path / "b.h5", spectra(full_setup()))
    assert (tmp_path / "a.h5").read_bytes() == (tmp_path / "b.h5").read_bytes()


def test_unknown_entries_are_ignored_with_one_sentence_each_kind(tmp_path):
    write_scan(tmp_path / "scan.h5", spectra(setup()))
    with h5py.File(tmp_path / "scan.h5", "a") as file:
        file["colour"] = 1
        file["aroma/strength"] = 2
        file.attrs["drive_volts"] = 2.0
    with open_scan(tmp_path / "scan.h5") as file:
        assert file.warnings == (
            "ignored datasets that layout 1 does not know: 'aroma', 'colour'",
            "ignored attributes that layout 1 does not know: 'drive_volts'",
        )


@pytest.mark.parametrize(
    ("scan", "words"),
    [
        (lambda: spectra(setup(0)), "position_m is empty, at least one point"),
        (lambda: spectra(setup(device="a\0b")), "could not be put into HDF5"),
    ],
)
def test_what_cannot_be_written_is_one_line_and_no_file(tmp_path, scan, words):
    with pytest.raises(OutputError, match=words):
        write_scan(tmp_path / "scan.h5", scan())
    assert list(tmp_path.iterdir()) == []


FULL_DISK = """
import resource, sys
import numpy as np
from scanproc.errors import OutputError
from scanproc.files.stored.scan_file import write_scan
from scanproc.records.measured.scan import Scan, ScanSetup
scan = Scan(ScanSetup(np.ones((300, 3))), np.arange(1.0, 101), np.ones((300, 100), complex))
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[2]), resource.RLIM_INFINITY))
try:
    write_scan(sys.argv[1], scan)
except OutputError as error:
    sys.exit(3 if "File too large" in str(error) else 4)
"""


@pytest.mark.parametrize("room", [0, 1000, 100_000, 400_000])
def test_a_disk_that_fills_up_neither_crashes_nor_leaves_anything(tmp_path, room):
    """The system's own limit on file sizes stands for the full disk: it strikes inside the C library."""
    done = subprocess.run(
        [sys.executable, "-c", FULL_DISK, str(tmp_path / "scan.h5"), str(room)],
        check=False,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (3, "")
    assert list(tmp_path.iterdir()) == []


BEYOND_MEMORY = """
import resource, sys
import numpy as np
from scanproc.errors import ScanFileError
from scanproc.files.stored.scan_file import open_scan
with open_scan(sys.argv[1]) as file:
    file.read_frequencies(slice(0, 1))
    pages = int(open("/proc/self/statm").read().split()[0])
    cap = pages * resource.getpagesize() + 24 * 2**20
    resource.setrlimit(resource.RLIMIT_AS, (cap, cap))
    for start in range(0, len(file.frequency_hz), 64):
        block = file.read_frequencies(slice(start, start + 64))
        assert np.all(block.pressure_pa.real == block.frequency_hz)
        assert np.all(block.pressure_pa.imag[:, 0] == np.arange(file.points))
    for start in range(0, file.points, 256):
        block = file.read_points(slice(start, start + 256))
        assert np.all(block.pressure_pa.imag[:, 0] == np.arange(start, min(start + 256, file.points)))
    try:
        file.read()
    except ScanFileError as error:
        print(error)
"""


@pytest.mark.skipif(sys.platform != "linux", reason="reads its own size from /proc")
def test_a_scan_larger_than_memory_is_read_in_parts(tmp_path):
    """63 MiB of pressures with 24 MiB of address space to spare; read whole, they do not fit."""
    points, frequencies = 4000, 1024
    with h5py.File(tmp_path / "scan.h5", "w") as file:
        file.attrs["format"] = "scanproc scan"
        file.attrs["layout_version"] = 1
        file["position_m"] = np.ones((points, 3))
        grid = np.arange(1.0, frequencies + 1)
        file["frequency_hz"] = grid
        pressure = file.create_dataset("pressure_pa", (points, frequencies), complex, chunks=(256, 64))
        for start in range(0, points, 256):
            rows = np.arange(start, min(start + 256, points))
            pressure[rows[0] : rows[-1] + 1] = grid + 1j * rows[:, np.newaxis]
    done = subprocess.run(
        [sys.executable, "-c", BEYOND_MEMORY, str(tmp_path / "scan.h5")],
        check=False,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "needs more memory than there is" in done.stdout


def test_a_whole_read_beyond_this_machine_is_refused_before_it_starts(tmp_path, monkeypatch):
    write_scan(tmp_path / "scan.h5", spectra(setup(300), 100))
    monkeypatch.setattr("os.sysconf", {"SC_PAGE_SIZE": 4096, "SC_PHYS_PAGES": 100}.__getitem__)
    with pytest.raises(
        ScanFileError, match=r"scan.h5: holds 0 GiB, more than this machine's memory: read it"
    ):
        read_scan(tmp_path / "scan.h5")


APPENDING = """
import sys
import h5py, numpy as np
with h5py.File(sys.argv[1], "w", libver="latest") as file:
    file.attrs["format"] = "scanproc scan"
    file.attrs["layout_version"] = 1
    file["frequency_hz"] = np.arange(1.0, 6)
    position = file.create_dataset("position_m", (0, 3), float, maxshape=(None, 3), chunks=(4, 3))
    pressure = file.create_dataset("pressure_pa", (0, 5), complex, maxshape=(None, 5), chunks=(3, 2))
    seconds = file.create_dataset("time_s", (0,), float, maxshape=(None,), chunks=(5,))
    file.swmr_mode = True
    print("ready", flush=True)
    filled = {}
    for command in sys.stdin:
        name, rows = command.split()
        data, rows = file[name], int(rows)
        if rows < 0:  # made, but not filled yet
            data.resize(-rows, 0)
        else:
            first = filled.get(name, 0)
            filled[name] = rows
            data.resize(rows, 0)
            new = np.arange(first + 1, rows + 1, dtype=data.dtype).reshape(-1, *[1] * (data.ndim - 1))
            data[first:] = np.broadcast_to(new, (rows - first, *data.shape[1:]))
        data.flush()
        print("done", flush=True)
"""


@pytest.fixture
def writer(tmp_path):
    """A process that appends, and waits to be told what."""
    program = [sys.executable, "-c", APPENDING, str(tmp_path / "scan.h5")]
    with subprocess.Popen(program, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout.readline() == "ready\n"
        yield process
        process.kill()


def test_a_growing_scan_is_read_up_to_its_last_complete_point(tmp_path, writer):
    def tell(words):
        print(words, file=writer.stdin, flush=True)
        assert writer.stdout.readline() == "done\n"

    def points():
        with open_scan(tmp_path / "scan.h5") as file:
            assert file.appending
            whole = file.read()
            assert np.array_equal(whole.pressure_pa[:, 4], 1 + np.arange(file.points))
            assert np.array_equal(whole.setup.position_m[:, 2], 1 + np.arange(file.points))
            return file.points

    assert points() == 0
    tell("pressure_pa 4")
    tell("position_m 3")
    assert points() == 0
    tell("time_s 2")
    assert points() == 2
    tell("time_s 9")
    assert points() == 3
    tell("position_m -4")
    assert points() == 3
    tell("position_m 4")
    assert points() == 4
    tell("pressure_pa 9")
    tell("position_m -8")
    assert points() == 4
    with open_scan(tmp_path / "scan.h5") as early:
        tell("time_s 12")
        assert early.read().points == 4


def test_a_scan_whose_writer_was_killed_is_still_read(tmp_path, writer):
    for words in ("pressure_pa 4", "time_s 4", "position_m 4"):
        print(words, file=writer.stdin, flush=True)
        assert writer.stdout.readline() == "done\n"
    writer.kill()
    writer.wait()
    assert read_scan(tmp_path / "scan.h5").points == 4
