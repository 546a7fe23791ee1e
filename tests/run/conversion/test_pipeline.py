"""One scan to all its results: right, whole, the same every time."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from small_scans import FREQUENCY_HZ, SOURCE_M, SPEED_M_S, delayed_impulses, monopole_scan

from scanproc.errors import OutputError, ScanDataError, ScanFileError
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import open_scan, write_scan
from scanproc.records.fitted.expansion import Expansion
from scanproc.report.pages import sections
from scanproc.run.conversion import heard, pipeline
from scanproc.run.conversion.pipeline import blocks, convert
from scanproc.run.settings.conversion import Settings, parse_settings

NO_STUDY = parse_settings({"points": {"in_convert": False}})
QUICK = parse_settings({"fit": {"order": 3}, "points": {"in_convert": False}})
"""Where the numbers do not matter."""


@pytest.fixture
def scan_file(tmp_path: Path) -> Path:
    path = tmp_path / "scan.h5"
    write_scan(path, monopole_scan())
    return path


def contents(directory: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(directory)): path.read_bytes()
        for path in sorted(directory.rglob("*"))
        if path.is_file()
    }


def test_the_far_field_is_that_of_the_source(scan_file: Path, tmp_path: Path) -> None:
    convert(scan_file, tmp_path / "out", NO_STUDY)
    (directions,) = read_result(tmp_path / "out" / "result.h5").directions.values()
    k = 2 * np.pi * FREQUENCY_HZ / SPEED_M_S
    exact = np.exp(
        1j * (directions.direction @ SOURCE_M)[:, None] * k
    )  # e^{-jkR}/R for r → ∞, times r·e^{jkr}
    assert directions.angles == 72
    np.testing.assert_allclose(directions.pressure_pa_m, exact, atol=0.01)


def test_the_summary_on_disk_is_the_one_returned(scan_file: Path, tmp_path: Path) -> None:
    summary = convert(scan_file, tmp_path / "out", parse_settings({"fit": {"target_db": -20}}))
    document = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert document == json.loads(json.dumps(summary.as_json()))
    assert document["points"] == 100
    assert document["device"] == "buoy horn"
    assert (document["target_db"], document["target_set_by"]) == (-20.0, "settings")
    assert (document["met_from_hz"], document["met_up_to_hz"]) == (100.0, 1250.0)
    assert document["provenance"]["settings"]["fit"]["target_db"] == -20.0
    assert len(document["provenance"]["scan_sha256"]) == 64


def test_twice_the_same_is_the_same_bytes_but_for_the_time(scan_file: Path, tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    convert(scan_file, first)
    convert(scan_file, second)
    one, two = contents(first), contents(second)
    summaries = [json.loads(files.pop("summary.json")) for files in (one, two)]
    assert one == two
    assert all(summary.pop("written_at") for summary in summaries)
    assert summaries[0] == summaries[1]


def test_the_order_and_the_band_are_those_of_the_settings(scan_file: Path, tmp_path: Path) -> None:
    wanted = {
        "fit": {"order": 3},
        "frequencies": {"lowest_hz": 200, "highest_hz": 801},
        "directions": {"step_deg": 45},
    }
    convert(scan_file, tmp_path / "out", parse_settings(wanted))
    result = read_result(tmp_path / "out" / "result.h5")
    assert list(result.expansion.order) == [3] * 4
    assert list(result.expansion.frequency_hz) == [200.0, 315.0, 500.0, 800.0]
    assert result.directions["orbits-45"].angles == 16


def test_the_centre_is_that_of_the_settings(scan_file: Path, tmp_path: Path) -> None:
    convert(scan_file, tmp_path / "out", parse_settings({"fit": {"order": 2, "centre_m": list(SOURCE_M)}}))
    expansion = read_result(tmp_path / "out" / "result.h5").expansion
    assert expansion.centre_m[0] == pytest.approx(SOURCE_M)
    assert expansion.held_out_db[0].max() < -50  # a monopole about its own place needs order 0


@pytest.mark.parametrize("frequencies_at_once", [1, 3])
def test_blocks_change_nothing(
    scan_file: Path, frequencies_at_once: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[tuple[object, ...]] = []

    def tell(*step: object) -> None:
        told.append(step)

    def fitted() -> Expansion:
        with open_scan(scan_file) as file:
            return pipeline.without_room(file, parse_settings({"fit": {"order": 4}}), tell)[0]

    whole = fitted()
    told.clear()
    monkeypatch.setattr(pipeline, "BLOCK_BYTES", 16 * 100 * frequencies_at_once)
    split = fitted()
    np.testing.assert_allclose(split.coefficients_pa, whole.coefficients_pa, atol=1e-12)
    assert told[0] == ("frequencies fitted", 0, 7)
    assert told[-1] == ("frequencies fitted", 7, 7)
    assert len(told) == 1 + -(-7 // frequencies_at_once)


def test_blocks_cover_everything_once() -> None:
    at_once = 5
    across = pipeline.BLOCK_BYTES // (16 * at_once)
    found = list(blocks(2, 19, across))
    assert [i for block in found for i in range(block.start, block.stop)] == list(range(2, 19))
    assert max(block.stop - block.start for block in found) <= at_once


def test_impulse_responses_become_spectra_and_a_warning(tmp_path: Path) -> None:
    write_scan(tmp_path / "scan.h5", delayed_impulses())
    settings = parse_settings({"frequencies": {"lowest_hz": 500, "highest_hz": 1000, "per_octave": 3}})
    summary = convert(tmp_path / "scan.h5", tmp_path / "out", settings)
    assert summary.frequencies == 4
    assert summary.warnings == (
        "the impulse responses were used whole, so what the room reflects is in the results",
    )


def test_spectra_by_blocks_of_points_are_those_of_the_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scan = delayed_impulses()
    write_scan(tmp_path / "scan.h5", scan)
    monkeypatch.setattr(heard, "BLOCK_SAMPLES", 512 * 7)
    with open_scan(tmp_path / "scan.h5") as file:
        found = heard.hear(file).steady(np.array([1000.0]))
    delay = -1e-3 + (60 + np.arange(scan.points)) / 48000.0
    np.testing.assert_allclose(found.pressure_pa[:, 0], np.exp(-2j * np.pi * 1000 * delay), atol=1e-11)


def test_an_earlier_result_is_replaced(scan_file: Path, tmp_path: Path) -> None:
    for step in (45, 90):
        wanted = {"fit": {"order": 3}, "directions": {"step_deg": step}}
        convert(scan_file, tmp_path / "out", parse_settings(wanted))
    assert sorted(path.name for path in (tmp_path / "out" / "directions").iterdir()) == [
        "curves.csv",
        "orbits-90",
        "provenance.json",
    ]


def test_tables_and_pictures_say_what_they_were_made_from(
    scan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    every = sections.scan_figures
    monkeypatch.setattr(
        sections, "scan_figures", lambda made: [one for one in every(made) if one.text.key == "response"]
    )
    settings = parse_settings({"fit": {"order": 3}, "figures": {"formats": ["png", "svg", "pdf"]}})
    convert(scan_file, tmp_path / "out", settings, figures=True)
    told = json.loads((tmp_path / "out" / "directions" / "provenance.json").read_text())
    whole = json.loads((tmp_path / "out" / "summary.json").read_text())["provenance"]
    assert told == whole
    digest = told["scan_sha256"]
    with Image.open(tmp_path / "out" / "figures" / "response.png") as picture:
        assert digest in picture.info["Source"]
    assert digest in (tmp_path / "out" / "figures" / "response.svg").read_text()
    assert digest.encode() in (tmp_path / "out" / "figures" / "response.pdf").read_bytes()


def test_a_strangers_files_are_kept(scan_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("years")
    for force in (False, True):
        with pytest.raises(OutputError, match=r"holds 'thesis.txt', which is no result of scanproc: choose"):
            convert(scan_file, out, force=force)
        assert contents(out) == {"thesis.txt": b"years"}


def test_a_note_among_earlier_results_is_kept(scan_file: Path, tmp_path: Path) -> None:
    convert(scan_file, tmp_path / "out", QUICK)
    (tmp_path / "out" / "note.txt").write_text("mine")
    before = contents(tmp_path / "out")
    with pytest.raises(OutputError, match=r"note\.txt"):
        convert(scan_file, tmp_path / "out", QUICK)
    assert contents(tmp_path / "out") == before


@pytest.mark.parametrize("stage", ["write_result", "write_direction_tables", "write_json"])
def test_a_failure_on_the_way_leaves_the_old_results(
    scan_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, stage: str
) -> None:
    convert(scan_file, tmp_path / "out", QUICK)
    before = contents(tmp_path)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(pipeline, stage, full)
    for place in ("out", "new"):
        with pytest.raises(OutputError, match="No space left"):
            convert(scan_file, tmp_path / place, QUICK)
        assert contents(tmp_path) == before


def test_bad_input_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "scan.h5").write_bytes(b"no HDF5 at all")
    with pytest.raises(ScanFileError, match=r"scan\.h5"):
        convert(tmp_path / "scan.h5", tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["scan.h5"]


def test_errors_in_the_numbers_name_the_file(scan_file: Path, tmp_path: Path) -> None:
    for wanted, message in (
        ({"fit": {"order": 20}}, r"scan\.h5: .*order 20"),
        ({"frequencies": {"lowest_hz": 5000}}, r"scan\.h5: no frequency lies between 5000 and inf Hz"),
    ):
        with pytest.raises(ScanDataError, match=message):
            convert(scan_file, tmp_path / "out", parse_settings(wanted))
    assert not (tmp_path / "out").exists()


def test_too_few_points_is_one_line(tmp_path: Path) -> None:
    write_scan(tmp_path / "scan.h5", monopole_scan(points=2))
    with pytest.raises(ScanDataError, match="points") as caught:
        convert(tmp_path / "scan.h5", tmp_path / "out")
    assert "\n" not in str(caught.value)


def test_without_settings_the_defaults_hold(scan_file: Path, tmp_path: Path) -> None:
    assert convert(scan_file, tmp_path / "a").provenance["settings"] == Settings().model_dump()


def test_noise_raises_the_reported_error(tmp_path: Path) -> None:
    clean, noisy = monopole_scan(noise=1e-3), monopole_scan(noise=0.1)
    errors = []
    for name, scan in (("clean", clean), ("noisy", noisy)):
        write_scan(tmp_path / f"{name}.h5", scan)
        summary = convert(tmp_path / f"{name}.h5", tmp_path / name, NO_STUDY)
        errors.append(summary.bands[3].held_out_db)
    assert errors[0] == pytest.approx(-60, abs=3)  # the noise itself, held out
    assert errors[1] == pytest.approx(-20, abs=3)


def test_spectra_by_blocks_of_frequencies_are_those_of_the_file(
    scan_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(heard, "BLOCK_SAMPLES", 2 * 100)
    few = FREQUENCY_HZ[[0, 2, 3, 6]]
    with open_scan(scan_file) as file:
        found = heard.hear(file).steady(few)
    np.testing.assert_array_equal(found.frequency_hz, few)
    np.testing.assert_array_equal(found.pressure_pa, monopole_scan().pressure_pa[:, [0, 2, 3, 6]])
