"""The same scan and settings give the same numbers, whatever the threads and blocks; BLAS keeps to one thread; and
what does not fit into memory is refused before it starts."""

from __future__ import annotations

import json
import os
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from scanproc.cli.commands import run
from scanproc.errors import ScanDataError, SettingsError
from scanproc.files.hashing import file_hash
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import open_scan, write_scan
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import Scan
from scanproc.run import compare, export, points
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion import check, pipeline
from scanproc.run.conversion.effort import PAGE_SECONDS, expected_seconds
from scanproc.run.conversion.memory import PROGRAM_BYTES, estimated_bytes
from scanproc.run.conversion.pipeline import convert, without_room
from scanproc.run.incoming import watch
from scanproc.run.settings.conversion import Settings, parse_settings
from scanproc.version import VERSION
from synthetic_scans import recipe as recipes

QUICK = {"points": {"in_convert": False}, "fit": {"centre_m": "origin", "estimator": "truncated"}}


@pytest.fixture(scope="module")
def drum(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """300 points on a drum, 12 frequencies: every frequency has a basis of its own."""
    return drum_of(300, tmp_path_factory.mktemp("drum"))


def drum_of(points: int, directory: Path) -> Path:
    recipe = recipes.parse(
        {
            "name": "drum",
            "seed": 4,
            "device": {"kind": "paging_loudspeaker", "detail": 0.1},
            "surface": {"kind": "drum", "points": points, "radii_m": [0.45], "half_heights_m": [0.5]},
            "frequencies": {"spacing": "log", "start_hz": 200.0, "stop_hz": 2000.0, "count": 12},
            "noise": {"snr_db": 50.0},
        }
    )
    path = directory / "scan.h5"
    scan = recipes.make_scan(recipe)
    assert isinstance(scan, Scan)
    write_scan(path, scan)
    return path


def fitted(path: Path, settings: Settings) -> Expansion:
    with open_scan(path) as file:
        return without_room(file, settings)[0]


@pytest.mark.parametrize(("estimator", "points"), [("truncated", 300), ("auto", 90)])
def test_threads_and_blocks_change_no_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, estimator: str, points: int
) -> None:
    path = drum_of(points, tmp_path)
    settings = parse_settings(
        {"fit": {"estimator": estimator, "centre_m": "origin"}, "frequencies": {"lowest_hz": 1000.0}}
    )
    found = []
    for cores, block in (({0}, None), ({0, 1}, None), ({0, 1}, points * 16 * 2)):
        monkeypatch.setattr(os, "sched_getaffinity", lambda _, cores=cores: cores)
        if block is not None:
            monkeypatch.setattr(pipeline, "BLOCK_BYTES", block)
        found.append(fitted(path, settings))
    for other in found[1:]:
        assert np.array_equal(other.order, found[0].order)
        for name in ("coefficients_pa", "held_out_db", "far_field_error_db", "coefficient_variance_pa2"):
            here, there = np.nan_to_num(getattr(found[0], name)), np.nan_to_num(getattr(other, name))
            assert np.abs(here - there).max() <= 1e-10 * np.abs(here).max(), name


@pytest.mark.page
def test_every_result_says_what_it_is_made_from(drum: Path, tmp_path: Path) -> None:
    convert(drum, tmp_path / "out", parse_settings(QUICK))
    expected = {"scanproc_version": VERSION, "scan": "scan.h5", "scan_sha256": file_hash(drum)}
    held = [
        read_result(tmp_path / "out" / "result.h5").provenance,
        json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))["provenance"],
    ]
    for provenance in held:
        assert expected.items() <= provenance.items()
        assert parse_settings(provenance["settings"]) == parse_settings(QUICK)
    assert expected["scan_sha256"] in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")


def test_blas_has_one_thread_meanwhile_and_its_own_number_afterwards() -> None:
    with threadpool_limits(limits=2, user_api="blas"):
        before = [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]
        inside = one_blas_thread(threadpool_info)()
        after = [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]
    assert before
    assert {pool["num_threads"] for pool in inside if pool["user_api"] == "blas"} == {1}
    assert after == before


@pytest.mark.parametrize(
    "work",
    [
        check.check_scan,
        check.check_arm,
        compare.compare_files,
        compare.compare_halves,
        points.points,
        watch.watch,
        export.export,
        pipeline.convert,
    ],
)
def test_every_job_limits_blas_at_one_place(work) -> None:
    """What the decorator makes of any function runs the same code; the test above says what that does."""
    assert work.__code__ is one_blas_thread(work).__code__


def test_a_job_that_cannot_fit_says_so_before_it_starts(drum: Path, tmp_path: Path) -> None:
    small = parse_settings({**QUICK, "limits": {"memory_gib": 0.25}})
    words = (
        r"scan.h5: 300 points and 12 frequencies need about 0\.[34] GiB of memory, 0\.2 GiB are allowed "
        r"\(limits.memory_gib\): lower fit.max_order"
    )
    with pytest.raises(ScanDataError, match=words):
        convert(drum, tmp_path / "out", small)
    assert not (tmp_path / "out").exists()
    with pytest.raises(ScanDataError, match=words):
        points.points(drum, small)


def test_a_job_that_takes_too_long_says_so_before_it_starts(drum: Path, tmp_path: Path) -> None:
    short = parse_settings({**QUICK, "limits": {"hours": 1e-4}})
    words = (
        r"scan.h5: 300 points and 12 frequencies take about 0\.0\d+ h on \d+ cores?, 0\.0001 h are allowed"
    )
    with pytest.raises(ScanDataError, match=words):
        convert(drum, tmp_path / "out", short)
    with pytest.raises(ScanDataError, match=words):
        points.points(drum, short)
    assert not (tmp_path / "out").exists()


def test_a_study_adds_to_the_time_told() -> None:
    bare = parse_settings({"points": {"in_convert": False}})
    with_study = expected_seconds(1200, np.geomspace(50, 16000, 96), Settings(), 35e9, 1)
    assert with_study > expected_seconds(1200, np.geomspace(50, 16000, 96), bare, 35e9, 1)


def test_harmonics_add_to_the_time_told() -> None:
    """Six excitations an octave, three samples an octave; a band that the results do not reach adds nothing."""
    hz, bare = np.geomspace(100, 1600, 97), parse_settings({"points": {"in_convert": False}})
    told = [
        expected_seconds(1200, hz, bare, 35e9, 1, harmonics)
        for harmonics in ({}, {2: (200.0, 1600.0)}, {2: (200.0, 1600.0), 5: (1700.0, 8000.0)})
    ]
    alone = expected_seconds(1200, np.geomspace(200, 1600, 19), bare, 35e9, 1)
    assert told[1] - told[0] == pytest.approx(alone - PAGE_SECONDS, rel=0.1)
    assert told[2] == told[1]


def test_the_command_needs_one_line_for_that(
    drum: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "small.toml").write_text("[limits]\nmemory_gib = 0.1\n", encoding="utf-8")
    arguments = ["convert", str(drum), "-o", str(tmp_path / "out"), "-c", str(tmp_path / "small.toml")]
    assert run(arguments) == 1
    said = capsys.readouterr().err.strip().splitlines()
    assert len([line for line in said if line.startswith("scanproc: ")]) == 1
    assert "GiB are allowed" in said[-1]


def test_memory_that_is_free_counts_unless_told(
    drum: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Full:
        available = 2**27

    monkeypatch.setattr("scanproc.run.conversion.memory.psutil.virtual_memory", Full)
    with pytest.raises(ScanDataError, match=r"0\.1 GiB are free"):
        convert(drum, tmp_path / "out", parse_settings(QUICK))


def test_a_limit_must_be_above_zero() -> None:
    with pytest.raises(SettingsError, match="memory_gib must be a number of GiB above 0"):
        parse_settings({"limits": {"memory_gib": 0.0}})


def test_the_estimate_bounds_what_is_taken(drum: Path) -> None:
    """Against what numpy asked for, traced."""
    settings = parse_settings({"fit": {"estimator": "truncated", "centre_m": "origin"}})
    fitted(drum, settings)
    tracemalloc.start()
    try:
        fitted(drum, settings)
        taken = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    told = estimated_bytes(300, 12, 0, settings, len(os.sched_getaffinity(0))) - PROGRAM_BYTES
    assert taken < 1.2 * told
    assert told < 10 * taken


def test_more_of_anything_needs_more() -> None:
    least = estimated_bytes(1000, 10, 0, Settings(), 1)
    assert least < estimated_bytes(2000, 10, 0, Settings(), 1)
    assert least < estimated_bytes(1000, 100, 0, Settings(), 1)
    assert least < estimated_bytes(1000, 10, 4096, Settings(), 1)
    assert least < estimated_bytes(1000, 10, 0, Settings(), 2)
    one, two = ({"fit": {"driver_m": [[0.2, 0, 0], [0, 0.2, 0]][:count]}} for count in (1, 2))
    told = estimated_bytes(1000, 10, 0, parse_settings(one), 1)
    assert told < estimated_bytes(1000, 10, 0, parse_settings(two), 1)
    assert told < least  # more places are sought when none is told
    assert least > estimated_bytes(1000, 10, 0, parse_settings({"fit": {"estimator": "truncated"}}), 1)
    few = parse_settings({"fit": {"estimator": "truncated", "order": 4}})
    assert estimated_bytes(1000, 10, 0, few, 1) < PROGRAM_BYTES + 2**20 * 6
