"""A batch as a whole, without a cluster: what is done, what is skipped, what each bad scan gets."""

from __future__ import annotations

import csv
import json
import os
import time
from datetime import datetime, timedelta
from pathlib import Path

import h5py
import numpy as np
import pytest
from inline_workers import Lines, results, run_inline
from small_scans import delayed_impulses, monopole_scan

from scanproc.errors import OutputError, SettingsError
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import write_scan
from scanproc.run.conversion.pipeline import convert
from scanproc.run.night import batch, blocks, decide, inspection, tasks
from scanproc.run.night.batch import Wanted, dry_run
from scanproc.run.night.tasks import Failed
from scanproc.run.settings.conversion import parse_settings
from scanproc.version import VERSION


@pytest.fixture
def night(tmp_path: Path) -> Path:
    folder = tmp_path / "night"
    folder.mkdir()
    for name, points in (("buoy", 60), ("gong", 80), ("horn", 100)):
        write_scan(folder / f"{name}.h5", monopole_scan(points))
    return folder


@pytest.fixture(autouse=True)
def _no_child(monkeypatch: pytest.MonkeyPatch) -> None:
    """Most tests read scans in this process, a child for each would take most of the time."""
    monkeypatch.setattr(tasks, "inspect", inspection.read_all)


def coarse(folder: Path) -> Path:
    """Settings with few directions and one estimator: many files are slow to bring to the disk."""
    config = folder / "coarse.toml"
    config.write_text(
        '[check]\nrun = false\n[fit]\nestimator = "truncated"\n'
        "[directions]\nstep_deg = 90\n[points]\nin_convert = false\n"
    )
    return config


def wanted(night: Path, **more: object) -> Wanted:
    given = {"config": coarse(night.parent), "settle_s": 0.0, "look_again_s": 0.05, **more}
    return Wanted((str(night),), night.parent / "out", **given)  # type: ignore[arg-type]


COARSE = parse_settings(
    {
        "check": {"run": False},
        "fit": {"estimator": "truncated"},
        "directions": {"step_deg": 90},
        "points": {"in_convert": False},
    }
)


def ledger(night: Path) -> list[dict[str, object]]:
    lines = (night.parent / "out" / "ledger.jsonl").read_text(encoding="utf-8").splitlines()
    return [json.loads(line) for line in lines]


def states(night: Path, state: str) -> list[object]:
    return [entry["name"] for entry in ledger(night) if entry["state"] == state]


def test_every_scan_becomes_what_convert_makes_of_it(night: Path, tmp_path: Path) -> None:
    outcome = run_inline(wanted(night))
    assert outcome.exit_code == 0
    assert [row.state for row in outcome.rows] == ["done"] * 3
    for name in ("buoy", "gong", "horn"):
        convert(night / f"{name}.h5", tmp_path / "single" / name, COARSE)
    assert results(tmp_path / "out") == results(tmp_path / "single")


@pytest.mark.page
def test_a_page_is_what_convert_makes_of_it(tmp_path: Path) -> None:
    (tmp_path / "night").mkdir()
    write_scan(tmp_path / "night" / "buoy.h5", monopole_scan(60))
    run_inline(wanted(tmp_path / "night"))
    convert(tmp_path / "night" / "buoy.h5", tmp_path / "single" / "buoy", COARSE)
    found = results(tmp_path / "out")
    assert len(found["buoy/report.html"]) > 10_000
    assert found == results(tmp_path / "single")


def test_the_summary_has_a_row_per_scan(night: Path) -> None:
    run_inline(wanted(night))
    out = night.parent / "out"
    document = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert document["totals"]["done"] == 3
    rows = list(csv.DictReader((out / "summary.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["points_used"] for row in rows] == ["60", "80", "100"]
    own = json.loads((out / "gong" / "summary.json").read_text(encoding="utf-8"))
    assert rows[1]["verdict"] == own["verdict"]
    worst = max(own["bands"], key=lambda band: band["far_field_error_db"])
    assert float(rows[1]["worst_band_db"]) == worst["far_field_error_db"]
    assert "buoy" in (out / "summary.txt").read_text(encoding="utf-8")


def test_each_bad_scan_is_one_row_with_its_reason(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tasks, "inspect", inspection.inspect)
    good = (night / "horn.h5").read_bytes()
    (night / "cut.h5").write_bytes(good[: len(good) // 2])
    (night / "zero.h5").write_bytes(b"")
    (night / "folder.h5").mkdir()
    (night / "words.h5").write_text("no scan")
    with h5py.File(night / "layout.h5", "w") as file:
        file.attrs["format"], file.attrs["layout_version"] = "scanproc scan", 99
    (night / "nan.h5").write_bytes(good)
    with h5py.File(night / "nan.h5", "r+") as file:
        file["pressure_pa"][3, 2] = np.nan
    outcome = run_inline(wanted(night))
    found = {row.name: row.error for row in outcome.rows if row.state == "failed"}
    reasons = {
        "cut": "cut short",
        "zero": "is empty",
        "folder": "is a directory",
        "words": "not an HDF5 file",
        "layout": "layout_version 99",
        "nan": "pressure_pa",
    }
    assert found.keys() == reasons.keys()
    for name, reason in reasons.items():
        assert reason in found[name]
        assert f"{name}.h5: " in found[name]
        assert "\n" not in found[name]
    assert sum(row.state == "done" for row in outcome.rows) == 3
    assert outcome.exit_code == 1


def test_how_many_points_are_enough_is_studied_beside_the_fit(night: Path, tmp_path: Path) -> None:
    (night / "horn.toml").write_text("[points]\nin_convert = true\n")
    stages: list[str] = []

    def carry(function, work):  # type: ignore[no-untyped-def]
        stages.append(work.stage)
        return function(work)

    assert run_inline(wanted(night), carry).exit_code == 0
    assert stages.count("study") == 1
    settings = batch.job_settings(night / "horn.h5", coarse(tmp_path))
    convert(night / "horn.h5", tmp_path / "single" / "horn", settings)
    batched = {n: c for n, c in results(tmp_path / "out").items() if n.startswith("horn")}
    assert batched == results(tmp_path / "single")
    assert b"points_study" in batched["horn/summary.json"]


def test_a_missed_target_is_exit_code_3(night: Path) -> None:
    (night / "horn.toml").write_text("[fit]\ntarget_db = -150\n")
    outcome = run_inline(wanted(night))
    assert [row.meets_target for row in outcome.rows] == [True, True, False]
    assert outcome.exit_code == 3


def test_settings_beside_a_scan_go_first(night: Path, tmp_path: Path) -> None:
    config = tmp_path / "all.toml"
    config.write_text(
        "[fit]\norder = 3\ntarget_db = -20\n[directions]\nstep_deg = 90\n[points]\nin_convert = false\n"
    )
    (night / "gong.toml").write_text("[fit]\norder = 2\n")
    (night / "horn.toml").write_text("[fit]\nordre = 2\n")
    outcome = run_inline(wanted(night, config=config))
    orders = [set(read_result(tmp_path / "out" / n / "result.h5").expansion.order) for n in ("buoy", "gong")]
    assert orders == [{3}, {2}]
    provenance = read_result(tmp_path / "out" / "gong" / "result.h5").provenance
    assert provenance["settings"]["fit"]["target_db"] == -20
    assert "did you mean 'order'" in outcome.rows[2].error


def test_started_again_nothing_is_done_twice(night: Path) -> None:
    run_inline(wanted(night))
    before = results(night.parent / "out")

    def refuse(*_: object) -> Failed:
        raise AssertionError("nothing was to be done")

    outcome = run_inline(wanted(night), refuse)
    assert [row.state for row in outcome.rows] == ["done before"] * 3
    assert outcome.rows[0].verdict
    assert results(night.parent / "out") == before
    assert sorted(states(night, "done")) == ["buoy", "gong", "horn"]


def test_reasons_are_told_beforehand(night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    config = tmp_path / "all.toml"
    config.write_text("[fit]\norder = 3\n[directions]\nstep_deg = 90\n[points]\nin_convert = false\n")
    run_inline(wanted(night, config=config))
    out = tmp_path / "out"

    def reasons() -> dict[str, tuple[str, str]]:
        return {job.name: (d.action, d.reason) for job, d in dry_run(wanted(night, config=config))}

    assert reasons() == dict.fromkeys(("buoy", "gong", "horn"), ("skip", "done"))
    write_scan(night / "buoy.h5", monopole_scan(61))
    (night / "gong.toml").write_text("[fit]\norder = 4\n")
    result = bytearray((out / "horn" / "result.h5").read_bytes())
    result[-20] ^= 1
    (out / "horn" / "result.h5").write_bytes(result)
    write_scan(night / "new.h5", monopole_scan(50))
    before = sorted(tmp_path.rglob("*"))
    assert reasons() == {
        "buoy": ("do", "the scan has changed"),
        "gong": ("do", "fit.order 3 to 4"),
        "horn": (
            "keep",
            f"{out / 'horn'}: holds 'result.h5', which was changed since it was written: move it or choose another "
            "directory",
        ),
        "new": ("do", "results are missing"),
    }
    assert sorted(tmp_path.rglob("*")) == before
    changed = (out / "horn" / "result.h5").read_bytes()
    rows = run_inline(wanted(night, config=config)).rows
    assert [row.state for row in rows] == ["done", "done", "failed", "done"]
    assert (out / "horn" / "result.h5").read_bytes() == changed
    (out / "horn" / "result.h5").unlink()
    assert reasons()["horn"] == ("do", "results are not whole: result.h5 is missing")
    assert run_inline(wanted(night, config=config)).rows[2].state == "done"
    monkeypatch.setattr(decide, "VERSION", "99.1")
    assert reasons()["buoy"] == ("skip", f"done by version {VERSION}, this version (99.1) gives the same")
    monkeypatch.setattr(decide, "RESULTS_VERSION", decide.RESULTS_VERSION + 1)
    assert reasons()["buoy"] == ("do", f"version {VERSION} to 99.1, which gives other results")


def test_a_failed_scan_waits_for_a_change_or_to_be_told(night: Path) -> None:
    (night / "zero.h5").write_bytes(b"")
    run_inline(wanted(night))
    again = run_inline(wanted(night))
    assert "failed before" in again.rows[3].error
    assert states(night, "failed") == ["zero"]
    run_inline(wanted(night, retry_failed=True))
    assert states(night, "failed") == ["zero", "zero"]
    write_scan(night / "zero.h5", monopole_scan(70))
    assert run_inline(wanted(night)).rows[3].state == "done"


@pytest.mark.parametrize("spoil", ["gone", "torn", "noise"])
def test_the_ledger_is_rebuilt_from_the_results(night: Path, spoil: str) -> None:
    run_inline(wanted(night))
    path = night.parent / "out" / "ledger.jsonl"
    whole = path.read_bytes()
    path.unlink()
    if spoil != "gone":
        path.write_bytes(whole[:-30] if spoil == "torn" else b"\x00\xff{}\n[1]\n")
    outcome = run_inline(wanted(night))
    assert [row.state for row in outcome.rows] == ["done before"] * 3
    known = batch.Ledger(path)
    assert {entry["state"] for entry in known.last.values()} == {"done"}
    assert len(known.last) == 3
    assert all(len(str(entry["scan_sha256"])) == 64 for entry in known.last.values())


def test_the_ledger_holds_what_was_done_with_what(night: Path) -> None:
    run_inline(wanted(night))
    entry = next(entry for entry in ledger(night) if entry["state"] == "done")
    provenance = read_result(night.parent / "out" / str(entry["name"]) / "result.h5").provenance
    assert entry["scan_sha256"] == provenance["scan_sha256"]
    assert entry["scanproc_version"] == provenance["scanproc_version"]
    assert entry["settings"] == provenance["settings"]
    assert float(str(entry["seconds"])) > 0
    assert datetime.fromisoformat(str(entry["time"])).tzinfo is not None


def test_a_second_batch_names_the_first(night: Path) -> None:
    def second(function: object, work: object) -> Failed:
        with pytest.raises(OutputError, match=r"another batch is at work here \(process \d+ on ") as caught:
            run_inline(wanted(night))
        return Failed("scan", str(caught.value))

    outcome = run_inline(wanted(night), second)
    assert all("another batch" in row.error for row in outcome.rows)


def test_nothing_starts_after_the_time_given(night: Path) -> None:
    past = datetime.now().astimezone() - timedelta(minutes=1)
    outcome = run_inline(wanted(night, until=past))
    assert [row.state for row in outcome.rows] == ["left"] * 3
    assert outcome.stopped.startswith("it is ")
    assert outcome.exit_code == 1


def test_the_cheapest_scans_are_done_first(night: Path) -> None:
    write_scan(night / "anchor.h5", monopole_scan(120))
    run_inline(wanted(night))
    assert states(night, "done") == ["buoy", "gong", "horn", "anchor"]


def test_new_scans_are_found_and_unfinished_copies_left_alone(
    night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A fourth scan arrives in parts while the others are converted, and keeps its own time when it is whole."""
    looked: list[str] = []
    whole = (night / "horn.h5").read_bytes()
    arriving = night / "late.h5"
    monkeypatch.setattr(
        batch, "_overdue", lambda _: "all done" if looked and len(states(night, "done")) == 4 else ""
    )

    def carry(function, work):  # type: ignore[no-untyped-def]
        looked.append(work.source.name)
        if work.source != arriving:
            arriving.write_bytes(whole[: 4000 * len(looked)])
        if len(whole) <= 4000 * len(looked):
            os.utime(arriving, (past, past))
        return function(work)

    past = time.time() - 300
    for path in night.iterdir():
        os.utime(path, (past, past))
    outcome = run_inline(wanted(night, follow=True, settle_s=200.0), carry)
    assert {row.name: row.state for row in outcome.rows} == dict.fromkeys(
        ("buoy", "gong", "horn", "late"), "done"
    )
    assert states(night, "failed") == []


def test_a_scan_that_is_still_being_written_is_left(night: Path) -> None:
    with h5py.File(night / "horn.h5", "r+", libver="latest") as file:
        file.swmr_mode = True
        outcome = run_inline(wanted(night))
    assert [row.state for row in outcome.rows] == ["done", "done", "left"]
    assert outcome.rows[2].error == "is still being written"
    assert outcome.exit_code == 1
    assert run_inline(wanted(night)).exit_code == 0


def test_sources_may_be_lists_and_patterns(night: Path, tmp_path: Path) -> None:
    (tmp_path / "list.txt").write_text("# tonight\nnight/gong.h5\n\nnight/absent.h5\n")
    sources = (str(tmp_path / "list.txt"), str(night / "b*.h5"), str(night / "gong.h5"))
    outcome = run_inline(Wanted(sources, tmp_path / "out", coarse(tmp_path), settle_s=0))
    assert {row.name: row.state for row in outcome.rows} == {
        "gong": "done",
        "buoy": "done",
        "absent": "failed",
    }
    assert "there is no such file" in outcome.rows[0].error


def test_scans_of_one_name_do_not_overwrite_each_other(night: Path, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    write_scan(other / "horn.h5", monopole_scan(70))
    outcome = run_inline(Wanted((str(night), str(other)), tmp_path / "out", coarse(tmp_path), settle_s=0))
    (row,) = [row for row in outcome.rows if row.state == "failed"]
    assert str(other / "horn.h5") in row.error
    assert "rename one of them" in row.error
    assert read_result(tmp_path / "out" / "horn" / "result.h5").expansion.points == 100


@pytest.mark.parametrize("source", ["absent", "*.none", "broken.txt"])
def test_a_wrong_source_is_a_wrong_call(tmp_path: Path, source: str) -> None:
    (tmp_path / "broken.txt").write_bytes(b"\xff\xfe")
    with pytest.raises(SettingsError, match=source.replace("*", r"\*")):
        run_inline(Wanted((str(tmp_path / source),), tmp_path / "out"))
    assert not (tmp_path / "out").exists()


def test_impulse_responses_by_blocks_are_those_of_the_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "night").mkdir()
    write_scan(tmp_path / "night" / "ir.h5", delayed_impulses())
    (tmp_path / "night" / "ir.toml").write_text("[fit]\norder = 3\n[frequencies]\nper_octave = 3\n")
    monkeypatch.setattr(blocks, "BLOCK_VALUES", 40 * 5)
    watcher = Lines()
    assert run_inline(wanted(tmp_path / "night"), None, watcher).rows[0].state == "done"
    settings = batch.job_settings(tmp_path / "night" / "ir.h5", None)
    convert(tmp_path / "night" / "ir.h5", tmp_path / "single", settings)
    one = read_result(tmp_path / "out" / "ir" / "result.h5").expansion
    two = read_result(tmp_path / "single" / "result.h5").expansion
    np.testing.assert_array_equal(one.frequency_hz, two.frequency_hz)
    np.testing.assert_allclose(one.coefficients_pa, two.coefficients_pa, atol=1e-12)
    assert any(line.startswith("ir: done in") for line in watcher.lines)
