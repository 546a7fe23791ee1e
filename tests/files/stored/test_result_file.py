"""Result files and direction tables: what is written comes back, bad ones are named in one line."""

import csv
import time
from dataclasses import replace

import h5py
import numpy as np
import pytest
from small_studies import tiny_study

from scanproc.errors import InputError, OutputError, ResultFileError
from scanproc.files.outgoing.tables import (
    direction_table_text,
    read_direction_table,
    read_direction_tables,
    table_names,
    write_direction_tables,
)
from scanproc.files.stored.result_file import read_result, write_result
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.result import Result
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.fit_plan import FitPlan

FREQUENCY = np.geomspace(20, 20e3, 90)
ORBITS = [("horizontal", 0.0), ("horizontal", -170.0), ("vertical", 2.5), ("vertical", 1 / 3)]


def complex_normal(draw, shape):
    return draw.normal(size=shape) + 1j * draw.normal(size=shape)


def expansion():
    draw, count = np.random.default_rng(5), len(FREQUENCY)
    held_out = draw.normal(size=(7, count))
    held_out[5:, :40] = np.nan
    return Expansion(
        frequency_hz=FREQUENCY,
        order=np.arange(count) % 7,
        centre_m=draw.normal(size=(count, 3)),
        scaling_radius_m=draw.random(count) + 0.1,
        wavenumber_rad_m=2 * np.pi * FREQUENCY / 343,
        coefficients_pa=complex_normal(draw, (49, count)),
        held_out_db=held_out,
        far_field_error_db=np.where(np.arange(count) < 3, np.nan, -30.0),
        coefficient_variance_pa2=draw.random((9, count)),
        variance_pattern=draw.random((4, count)),
        estimator=np.arange(count) % 2,
        points=321,
        drive_voltage_v=1.5,
        air_density_kg_m3=1.19,
    )


def directions(name="orbits", orbits=True):
    draw = np.random.default_rng(6)
    unit = draw.normal(size=(4, 3))
    error = draw.random((4, len(FREQUENCY)))
    error[0, 0] = np.nan
    return DirectionSet(
        name=name,
        direction=unit / np.linalg.norm(unit, axis=1, keepdims=True),
        frequency_hz=FREQUENCY,
        pressure_pa_m=complex_normal(draw, (4, len(FREQUENCY))),
        standard_error_db=error,
        orbit=tuple(orbit for orbit, _ in ORBITS) if orbits else None,
        angle_deg=np.array([angle for _, angle in ORBITS]) if orbits else None,
        drive_voltage_v=1.5,
    )


def result():
    provenance = {"version": "0.1.0", "settings": {"order": None, "bands": [1, 2.5]}, "where": "Fährhafen"}
    return Result(expansion(), {"orbits": directions(), "grid": directions("grid", False)}, provenance)


def assert_same(one, other):
    for name in type(one).__dataclass_fields__:
        mine, theirs = getattr(one, name), getattr(other, name)
        if isinstance(mine, np.ndarray):
            assert mine.dtype == theirs.dtype
            assert np.array_equal(mine, theirs, equal_nan=True), name
        else:
            assert mine == theirs, name


@pytest.fixture
def stored(tmp_path):
    write_result(tmp_path / "result.h5", result())
    return tmp_path / "result.h5"


def test_a_result_comes_back_exactly(stored):
    wrote, read = result(), read_result(stored)
    assert_same(wrote.expansion, read.expansion)
    assert set(read.directions) == {"orbits", "grid"}
    for name in read.directions:
        assert_same(wrote.directions[name], read.directions[name])
    assert read.provenance == wrote.provenance


def test_results_and_tables_with_the_earlier_names_are_still_read(tmp_path, stored):
    """Up to version 0.1.1 the group was called "sweeps", the column "sweep_set", a file "horizontal_+000_deg.csv"."""
    with h5py.File(stored, "r+") as file:
        file.move("directions", "sweeps")
    assert set(read_result(stored).directions) == {"orbits", "grid"}
    write_direction_tables(tmp_path / "s", directions())
    table = (tmp_path / "s" / "angles.csv").read_text(encoding="utf-8")
    (tmp_path / "s" / "horizontal_000.csv").rename(tmp_path / "s" / "horizontal_+000_deg.csv")
    table = table.replace("direction_set", "sweep_set", 1).replace(
        "horizontal_000.csv", "horizontal_+000_deg.csv"
    )
    (tmp_path / "s" / "angles.csv").write_text(table, encoding="utf-8")
    assert_same(read_direction_tables(tmp_path / "s"), directions())


def test_a_result_of_nothing_but_an_expansion_comes_back(tmp_path):
    write_result(tmp_path / "result.h5", Result(expansion()))
    assert read_result(tmp_path / "result.h5").directions == {}
    assert read_result(tmp_path / "result.h5").provenance == {}


def learnt(scattering):
    return FitPlan(
        frequency_hz=np.array([200.0, 300.0]),
        order=np.array([-1, -1]),
        centre_m=np.ones(3),
        sensor_noise=np.full(2, np.nan),
        box_centre_m=np.ones(3),
        box_size_m=np.array([0.2, 0.3, 0.4]),
        place_m=np.array([[0.1, 0.2, 0.3], [0.0, 0.0, 0.1]]),
        scattering=scattering,
        position_error_m=2e-4,
        level_error=0.01,
        moved_m=np.empty((0, 3)),
        moved_variance_m2=np.empty((0, 3)),
        moved_held_out_db=(np.nan, np.nan),
        sample_hz=np.array([200.0, 250.0, 300.0]),
        block_names=("surface", "room"),
        block_weight=np.array([[0.9, np.nan, 0.8], [0.1, 0.2, 0.1]]),
        noise=np.array([1e-4, 2e-4, 3e-4]),
        sample_db=np.array([-40.0, -30.0, -20.0]),
    )


def test_what_was_learnt_comes_back_and_earlier_files_lack_it(tmp_path, stored):
    plans = (learnt((0.5, 0.25)), learnt(None))
    write_result(tmp_path / "learnt.h5", Result(expansion(), learnt=plans))
    read = read_result(tmp_path / "learnt.h5").learnt
    assert len(read) == 2
    for mine, theirs in zip(plans, read, strict=True):
        assert_same(replace(mine, moved_held_out_db=(0, 0)), replace(theirs, moved_held_out_db=(0, 0)))
    assert read_result(stored).learnt == ()
    with h5py.File(tmp_path / "learnt.h5", "r+") as file:
        file.move("learnt/1", "learnt/3")
    with pytest.raises(ResultFileError, match="has no group learnt/1: convert the scan again"):
        read_result(tmp_path / "learnt.h5")


def test_a_study_comes_back_and_earlier_files_lack_it(tmp_path, stored):
    """With its gaps, its words, and with none of its parts fitted anew."""
    study = tiny_study(np.array([100.0, np.nan]), np.array([-30.0, -20.0]))
    refits = replace(
        study,
        refit_size=np.array([25, 50]),
        refit_band_hz=study.band_hz[[1, 1]],
        refit_told_db=np.array([-3.0, -8.0]),
        refit_db=np.array([-2.0, -9.0]),
        limit=("", "places"),
        left_db=np.array([np.nan, -19.0]),
        place_error_m=6e-4,
    )
    for number, one in enumerate((study, refits)):
        path = tmp_path / f"{number}.h5"
        write_result(path, Result(expansion(), study=one))
        assert_same(read_result(path).study, one)
    assert read_result(stored).study is None


def test_same_result_gives_same_bytes_in_any_order_of_direction_sets(tmp_path, stored):
    time.sleep(1.1)  # HDF5 stamps whole seconds
    whole = result()
    turned = Result(whole.expansion, dict(reversed(whole.directions.items())), whole.provenance)
    write_result(tmp_path / "again.h5", turned)
    assert (tmp_path / "again.h5").read_bytes() == stored.read_bytes()


def test_same_bytes_when_something_holds_on_to_datasets(tmp_path, stored, monkeypatch):
    """As dask's profiler does, which looks at the frames of running tasks."""
    held, create = [], h5py.Group.create_dataset

    def create_and_hold(*arguments, **more):
        held.append(create(*arguments, **more))
        return held[-1]

    monkeypatch.setattr(h5py.Group, "create_dataset", create_and_hold)
    write_result(tmp_path / "again.h5", result())
    assert len(held) > 10
    assert (tmp_path / "again.h5").read_bytes() == stored.read_bytes()


def test_layout_is_the_documented_one(stored):
    """Read with h5py alone, as a stranger would."""
    wrote = result()
    with h5py.File(stored) as file:
        assert (file.attrs["format"], file.attrs["layout_version"]) == ("scanproc result", 1)
        assert file["centre_m"].shape == (90, 3)
        assert np.array_equal(file["coefficients_pa"][...], wrote.expansion.coefficients_pa)
        assert np.array_equal(file["error/held_out_db"][...], wrote.expansion.held_out_db, equal_nan=True)
        assert file["error/far_field_error_db"].shape == (90,)
        assert list(file["estimator"].attrs["names"]) == ["truncated", "posterior"]
        group = file["directions/orbits"]
        assert set(group) == {
            "direction", "frequency_hz", "pressure_pa_m", "standard_error_db", "orbit", "angle_deg"
        }  # fmt: skip
        assert list(group["orbit"].asstr()) == ["horizontal", "horizontal", "vertical", "vertical"]
        assert "orbit" not in file["directions/grid"]
        assert "Fährhafen" in file["provenance"].asstr()[()]


def test_zeros_beyond_the_order_take_little_room(tmp_path):
    whole = expansion()
    fields = {name: getattr(whole, name) for name in Expansion.__dataclass_fields__}
    fields["coefficients_pa"] = np.zeros((1681, 90), complex)
    write_result(tmp_path / "result.h5", Result(Expansion(**fields)))
    assert (tmp_path / "result.h5").stat().st_size < 200_000  # 2.4 MB of zeros


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda f: f.attrs.__setitem__("format", "scanproc scan"), "is not a scanproc result, its format is"),
        (lambda f: f.attrs.__setitem__("layout_version", 9), "has layout_version 9, .* reads 1: update"),
        (
            lambda f: f.__delitem__("order"),
            r"has no dataset order: add it \(whole numbers by \(frequencies\)\)",
        ),
        (lambda f: f.__delitem__("error"), "has no group error: it is no complete scanproc result"),
        (lambda f: f.__delitem__("error/held_out_db"), "has no dataset error/held_out_db"),
        (lambda f: f.__delitem__("provenance"), "has no dataset provenance"),
        (lambda f: f.attrs.__delitem__("points"), "has no attribute points"),
        (lambda f: f.__delitem__("directions/orbits/orbit"), "has no dataset directions/orbits/orbit"),
        (
            lambda f: f.move("directions/grid", "grid") or f["directions"].__setitem__("grid", 3),
            "has no group grid",
        ),
        (
            lambda f: f.move("order", "x") or f.__setitem__("order", h5py.ExternalLink("a.h5", "order")),
            "order is a link to elsewhere",
        ),
        (
            lambda f: f.__delitem__("order") or f.__setitem__("order", np.full(90, 7)),
            "coefficients_pa has 49 modes, order 7 needs 64",
        ),
        (
            lambda f: f.__delitem__("provenance") or f.__setitem__("provenance", np.bytes_("{")),
            "provenance must be JSON text",
        ),
        (
            lambda f: f.__delitem__("provenance") or f.__setitem__("provenance", np.bytes_("[]")),
            "provenance must be a JSON object, got list",
        ),
        (
            lambda f: f.__delitem__("provenance") or f.__setitem__("provenance", np.bytes_(b"\xff")),
            "is damaged or cut short",
        ),
    ],
)
def test_a_bad_result_is_named_in_one_line(stored, spoil, words):
    with h5py.File(stored, "a") as file:
        spoil(file)
    with pytest.raises(ResultFileError, match=words) as caught:
        read_result(stored)
    assert caught.value.path == stored
    assert "\n" not in str(caught.value)


def test_a_result_cut_short_anywhere(stored, tmp_path):
    whole = stored.read_bytes()
    for length in range(0, len(whole), 1999):
        (tmp_path / "cut.h5").write_bytes(whole[:length])
        with pytest.raises(ResultFileError):
            read_result(tmp_path / "cut.h5")


@pytest.mark.parametrize("name", ["", "a/b", ".", ".."])
def test_impossible_names_of_direction_sets(tmp_path, name):
    with pytest.raises(OutputError, match="a direction set cannot be called"):
        write_result(tmp_path / "result.h5", Result(expansion(), {name: directions()}))
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("orbits", [True, False])
def test_direction_tables_come_back_exactly(tmp_path, orbits):
    write_direction_tables(tmp_path / "directions", directions("a, b", orbits))
    assert_same(directions("a, b", orbits), read_direction_tables(tmp_path / "directions"))


def test_file_names_are_plain_and_say_the_angle(tmp_path):
    assert table_names(directions()) == [
        "horizontal_000.csv",
        "horizontal_190.csv",
        "vertical_002.5.csv",
        "vertical_000.333.csv",
    ]
    axes = DirectionSet("grid", np.eye(3), [1.0], np.ones((3, 1), complex), np.ones((3, 1)))
    assert table_names(axes) == [
        "00001_polar_090.0_azimuth_000.0.csv",
        "00002_polar_090.0_azimuth_090.0.csv",
        "00003_polar_000.0_azimuth_000.0.csv",
    ]


def test_a_table_reads_as_plain_csv(tmp_path):
    """At 1.415 V, half the reference voltage, 20 µPa·m·j is 6.0206 dB (20 log10 2) at 90 degrees."""
    one = DirectionSet("s", [[1, 0, 0]], [100.0], [[20e-6j]], [[0.25]], ("horizontal",), [0.0], 1.415)
    write_direction_tables(tmp_path / "s", one)
    with (tmp_path / "s" / "horizontal_000.csv").open(newline="") as file:
        assert list(csv.DictReader(file)) == [
            {
                "frequency_hz": "100.0",
                "level_db": "6.0206",
                "phase_deg": "90.0000",
                "standard_error_db": "0.25",
                "real_pa_m": "0.0",
                "imag_pa_m": "2e-05",
            }
        ]
    assert (tmp_path / "s" / "horizontal_000.csv").read_bytes() == direction_table_text(one, 0).encode()


def test_fewer_angles_take_the_place_of_more(tmp_path):
    few = DirectionSet(
        "s", [[1, 0, 0]], FREQUENCY, np.ones((1, 90)), np.ones((1, 90)), ("horizontal",), [0.0]
    )
    write_direction_tables(tmp_path / "s", directions())
    write_direction_tables(tmp_path / "s", few)
    assert {entry.name for entry in (tmp_path / "s").iterdir()} == {"angles.csv", "horizontal_000.csv"}


def test_two_angles_of_one_name_are_refused(tmp_path):
    same = DirectionSet(
        "s", np.eye(3)[:2], [1.0], np.ones((2, 1)), np.ones((2, 1)), ("h", "h"), [1.00001, 1.00002]
    )
    with pytest.raises(OutputError, match=r"two angles of s would both be called h_001.csv: keep one"):
        write_direction_tables(tmp_path / "s", same)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("", "must start with the row frequency_hz,level_db"),
        ("a,b\n1,2\n", "must start with the row .*, got 'a,b': export it again"),
        ("HEADER\n", "holds no rows below its header"),
        ("HEADER\n1,2\n", "line 2 must have 6 entries, got 2"),
        ("HEADER\n1,2,3,4,5,x\n", "must hold numbers: could not convert string to float: 'x'"),
        (None, "cannot be read, No such file"),
        (b"\xff", "is not a text table"),
    ],
)
def test_a_bad_table_is_named_in_one_line(tmp_path, words, message):
    header = "frequency_hz,level_db,phase_deg,standard_error_db,real_pa_m,imag_pa_m"
    if words is not None:
        content = words if isinstance(words, bytes) else words.replace("HEADER", header).encode()
        (tmp_path / "a.csv").write_bytes(content)
    with pytest.raises(InputError, match=message) as caught:
        read_direction_table(tmp_path / "a.csv")
    assert "\n" not in str(caught.value)
