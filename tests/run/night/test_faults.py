"""What a batch loses when things die, break or fill up: nothing that was done, one block at most."""

from __future__ import annotations

import errno
import io
import os
import signal
import sys
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from inline_workers import results, run_inline
from small_scans import monopole_scan
from threadpoolctl import threadpool_info

from scanproc.errors import ScanFileError, ScanprocError
from scanproc.files.stored.scan_file import write_scan
from scanproc.run.night import blocks, inspection, tasks
from scanproc.run.night.batch import Wanted
from scanproc.run.night.tasks import Done, Failed, Work
from scanproc.version import VERSION

Carried = Callable[[Work], Done | Failed]


@pytest.fixture
def night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two scans of four blocks each, two frequencies in most."""
    monkeypatch.setattr(tasks, "inspect", inspection.read_all)
    monkeypatch.setattr(blocks, "BLOCK_VALUES", 2 * 81)
    (tmp_path / "night").mkdir()
    for name, points in (("buoy", 80), ("horn", 81)):
        write_scan(tmp_path / "night" / f"{name}.h5", monopole_scan(points))
    (tmp_path / "all.toml").write_text(
        "[check]\nrun = false\n[fit]\norder = 3\n[directions]\nstep_deg = 90\n[points]\nin_convert = false\n"
    )
    return tmp_path / "night"


def wanted(night: Path, output: str = "out") -> Wanted:
    config = night.parent / "all.toml"
    return Wanted((str(night),), night.parent / output, config, settle_s=0, look_again_s=0.05)


class Killed(BaseException):
    """As good as SIGKILL for this process: nothing in the batch catches it."""


def kill_at(step: int) -> Callable[[Carried, Work], Done | Failed]:
    count = iter(range(step))

    def carry(function: Carried, work: Work) -> Done | Failed:
        if next(count, None) is None:
            raise Killed
        return function(work)

    return carry


def test_each_restart_loses_at_most_one_block(night: Path) -> None:
    run_inline(wanted(night, "calm"))
    done: list[tuple[str, str, tuple[int, int]]] = []

    def carry(function: Carried, work: Work) -> Done | Failed:
        outcome = function(work)
        if work.stage == "fit":
            done.append((work.source.name, work.stage, work.block))
            raise Killed
        return outcome

    for _ in range(8):
        with pytest.raises(Killed):
            run_inline(wanted(night), carry)
    run_inline(wanted(night))
    assert len(done) == len(set(done)) == 8  # four blocks of each scan, none twice
    assert results(night.parent / "out") == results(night.parent / "calm")


@pytest.mark.parametrize("step", range(0, 11, 2))
def test_a_kill_at_any_stage_changes_no_byte(night: Path, step: int) -> None:
    run_inline(wanted(night, "calm"))
    with pytest.raises(Killed):
        run_inline(wanted(night), kill_at(step))
    visible = {path.name for path in (night.parent / "out").iterdir() if not path.name.startswith(".")}
    assert visible <= {"batch.log", "ledger.jsonl", "buoy", "horn"}
    assert run_inline(wanted(night)).exit_code == 0
    assert results(night.parent / "out") == results(night.parent / "calm")
    assert [path.name for path in (night.parent / "out" / ".batch").iterdir()] == ["lock"]


def test_a_worker_that_dies_costs_a_second_try_in_halves(night: Path) -> None:
    """dask hands the work of a dead worker to the next one; there the mark of the first try is found."""
    fitted: list[tuple[int, int]] = []

    def carry(function: Carried, work: Work) -> Done | Failed:
        if work.source.name == "horn.h5" and work.block == (0, 2) and work.attempt == 1:
            work.mark.touch()
        if work.source.name == "horn.h5" and work.stage == "fit":
            fitted.append(work.block)
        return function(work)

    assert run_inline(wanted(night), carry).exit_code == 0
    assert fitted[:3] == [(0, 2), (0, 1), (1, 2)]
    run_inline(wanted(night, "calm"))
    one, two = (results(night.parent / out)["horn/summary.json"] for out in ("out", "calm"))
    assert one == two


@pytest.mark.parametrize("way", ["mark", "memory"])
def test_a_scan_that_kills_two_workers_fails_and_the_night_goes_on(
    night: Path, way: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def carry(function: Carried, work: Work) -> Done | Failed:
        bad = work.source.name == "buoy.h5" and work.block[0] == 0 and work.stage == "fit"
        if bad and way == "mark":
            work.mark.touch()
        if bad and way == "memory":
            with monkeypatch.context() as patch:
                patch.setattr(tasks, "fit_part", lambda *_: np.empty(2**47))
                return function(work)
        return function(work)

    outcome = run_inline(wanted(night), carry)
    assert [row.state for row in outcome.rows] == ["failed", "done"]
    text = "its worker died twice at frequencies 1 to 1" if way == "mark" else "not enough memory"
    assert text in outcome.rows[0].error


def test_a_bug_in_one_scan_is_its_row(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def carry(function: Carried, work: Work) -> Done | Failed:
        if work.source.name == "horn.h5" and work.stage == "fit":
            raise RuntimeError("two\nlines")
        return function(work)

    outcome = run_inline(wanted(night), carry)
    assert outcome.rows[0].state == "done"
    assert outcome.rows[1].error == "RuntimeError: two lines"


def test_a_scan_that_changes_meanwhile_is_not_mixed(night: Path) -> None:
    def carry(function: Carried, work: Work) -> Done | Failed:
        if work.stage == "write" and work.source.name == "horn.h5":
            write_scan(work.source, monopole_scan(90))
        return function(work)

    outcome = run_inline(wanted(night), carry)
    assert "changed while it was converted" in outcome.rows[1].error
    assert run_inline(wanted(night)).exit_code == 0


def test_another_version_stops_the_batch(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def carry(function: Carried, work: Work) -> Done | Failed:
        with monkeypatch.context() as patch:
            patch.setattr(tasks, "VERSION", "0.0.9")
            return function(work)

    outcome = run_inline(wanted(night), carry)
    assert f"runs scanproc 0.0.9, the batch {VERSION}" in outcome.stopped
    assert {row.state for row in outcome.rows} == {"left"}
    assert outcome.exit_code == 1


def test_a_full_disk_stops_cleanly_and_loses_nothing(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    def carry(function: Carried, work: Work) -> Done | Failed:
        if work.stage == "write" and work.source.name == "horn.h5":
            with monkeypatch.context() as patch:
                patch.setattr(os, "fsync", full)
                return function(work)
        return function(work)

    outcome = run_inline(wanted(night), carry)
    assert "No space left on device" in outcome.stopped
    assert [row.state for row in outcome.rows] == ["done", "left"]
    assert outcome.exit_code == 1
    calls: list[str] = []

    def count(function: Carried, work: Work) -> Done | Failed:
        calls.append(work.stage)
        return function(work)

    assert run_inline(wanted(night), count).exit_code == 0
    assert calls == ["read", "write"]


def _failing(monkeypatch: pytest.MonkeyPatch, nth: int) -> list[str]:
    """Makes the n-th write, sync or rename fail; tells which calls there were. Syncs are slow and left out."""
    calls: list[str] = []

    def spoil(home: object, name: str) -> None:
        real = getattr(home, name)

        def call(*arguments: object, **more: object) -> object:
            calls.append(name)
            if len(calls) == nth:
                raise OSError(errno.EIO, "Input/output error")
            return None if name == "fsync" else real(*arguments, **more)

        monkeypatch.setattr(home, name, call)

    for name in ("fsync", "rename", "replace", "write"):
        spoil(os, name)
    spoil(Path, "write_bytes")
    spoil(Path, "write_text")
    return calls


@pytest.mark.slow
def test_the_nth_write_sync_or_rename_fails(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """For n = 1, 4, 7 ... until a run succeeds; one scan, so that a run has about a hundred such calls."""
    (night / "buoy.h5").unlink()
    run_inline(wanted(night, "calm"))
    calm = results(night.parent / "calm")
    for nth in range(1, 1000, 3):
        out = f"out{nth}"
        with monkeypatch.context() as patch:
            calls = _failing(patch, nth)
            try:
                outcome = run_inline(wanted(night, out))
                messages = [row.error for row in outcome.rows] + [outcome.stopped]
                code = outcome.exit_code
            except ScanprocError as error:
                messages, code = [str(error)], 1
        if len(calls) < nth:
            break
        assert all("\n" not in message for message in messages)
        assert results(night.parent / out) in ({}, calm), calls[-1]
        assert code == 0 or any("Input/output error" in message for message in messages)
        last = run_inline(wanted(night, out))
        if last.exit_code:  # the failure was put down to the scan
            assert "--retry-failed" in last.rows[0].error
            last = run_inline(Wanted(**{**vars(wanted(night, out)), "retry_failed": True}))
        assert last.exit_code == 0
        assert results(night.parent / out) == calm
    assert nth > 40


def test_blas_has_one_thread_inside_a_task_and_its_own_after(
    night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from threadpoolctl import threadpool_limits

    inside: list[int] = []

    def fit_part(*arguments: object) -> object:
        inside.extend(pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas")
        return real(*arguments)  # type: ignore[arg-type]

    real = tasks.fit_part
    monkeypatch.setattr(tasks, "fit_part", fit_part)
    with threadpool_limits(2):
        assert run_inline(wanted(night)).exit_code == 0
        after = [pool["num_threads"] for pool in threadpool_info() if pool["user_api"] == "blas"]
    assert inside
    assert set(inside) == {1}
    assert set(after) == {2}


def test_blocks_cover_every_frequency_once_and_hold_the_work_wanted() -> None:
    shell = blocks.shape_of(3800, 58**2, [0] * 480)
    drum = blocks.shape_of(1000, 900, [900] * 240)
    mixed = blocks.shape_of(3800, 58**2, [0] * 200 + [1500 + 400] * 40)
    for shape in (shell, drum, mixed, blocks.shape_of(60, 16, [0] * 7)):
        found = blocks.cut(shape)
        assert [i for a, b in found for i in range(a, b)] == list(range(shape.frequencies))
    assert len(blocks.cut(shell)) == 1  # one factorisation serves all
    assert max(b - a for a, b in blocks.cut(drum)) * 8 * 1000 * 900**2 <= 1.1 * blocks.BLOCK_FLOP
    assert len(blocks.cut(mixed)) > 5


@pytest.fixture
def spoilt_child(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Children of this test crash on crash.h5, hang on hang.h5."""
    (tmp_path / "child").mkdir()
    (tmp_path / "child" / "sitecustomize.py").write_text(
        "import os, sys, time\n"
        "words = ' '.join(sys.orig_argv)\n"
        "if 'crash.h5' in words: os.kill(os.getpid(), 11)\n"
        "if 'hang.h5' in words: time.sleep(60)\n"
    )
    paths = [str(tmp_path / "child"), *filter(None, sys.path)]
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(paths))


@pytest.mark.usefixtures("spoilt_child")
def test_a_file_that_crashes_or_hangs_its_reader_is_one_line(tmp_path: Path) -> None:
    for name in ("crash", "hang"):
        write_scan(tmp_path / f"{name}.h5", monopole_scan())
    with pytest.raises(ScanFileError, match=r"crash\.h5: .*crashes the HDF5 library \(SIGSEGV\)"):
        inspection.inspect(tmp_path / "crash.h5")
    with pytest.raises(ScanFileError, match=r"hang\.h5: could not be read within 1 s"):
        inspection.inspect(tmp_path / "hang.h5", seconds=1.0)


def test_a_file_that_needs_too_much_memory_is_one_line(tmp_path: Path) -> None:
    """A block of 200 MB of zeros, packed into 2 MB."""
    path = tmp_path / "bomb.h5"
    write_scan(path, monopole_scan())
    with h5py.File(path, "r+") as file:
        del file["pressure_pa"]
        shape = (100, 125_000)
        del file["frequency_hz"]
        file["frequency_hz"] = np.arange(1.0, shape[1] + 1)
        file.create_dataset("pressure_pa", shape, np.complex128, chunks=shape, compression="gzip")
        file["pressure_pa"][:] = 0
    assert path.stat().st_size < 10e6
    with pytest.raises(ScanFileError, match=r"bomb\.h5: (needs more|is damaged)") as caught:
        inspection.inspect(path, memory_bytes=100 * 2**20)
    assert "\n" not in str(caught.value)


def test_a_child_that_nobody_waits_for_ends_by_itself() -> None:
    source = "import time; from scanproc.run.night.inspection import _limit; _limit(2**30, 1); time.sleep(30)"
    done = __import__("subprocess").run([sys.executable, "-c", source], timeout=20, check=False)
    assert done.returncode == -signal.SIGALRM


def test_what_a_child_says_is_one_document(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "scan.h5"
    write_scan(path, monopole_scan())
    found = inspection.inspect(path)
    assert found == inspection.read_all(path)
    assert found.points == 100
    assert io.StringIO(capsys.readouterr().out).read() == ""


def test_a_scan_too_large_for_its_worker_says_so_before_it_starts(
    night: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker of 100 MiB, less than the libraries take; and a scan's own limit beside one without."""
    monkeypatch.setattr(tasks, "memory_of_worker", lambda: 100 * 2**20)
    rows = run_inline(wanted(night)).rows
    assert [row.state for row in rows] == ["failed", "failed"]
    assert "80 points and 7 frequencies need 0.2 GiB of memory or more, a worker has 0.1 GiB" in rows[0].error
    assert not list((night.parent / "out" / ".batch").rglob("check.pickle"))
    monkeypatch.setattr(tasks, "memory_of_worker", lambda: None)
    (night / "horn.toml").write_text("[limits]\nmemory_gib = 0.2\n")
    rows = run_inline(wanted(night, "other")).rows
    assert [row.state for row in rows] == ["done", "failed"]
    assert "81 points and 7 frequencies need about 0.3 GiB of memory, 0.2 GiB are allowed" in rows[1].error
