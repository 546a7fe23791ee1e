"""What a batch and its parts say when the call, the workers or the clock are not as they should be."""

from __future__ import annotations

import json
import os
import shutil
import signal
from collections.abc import Iterator
from concurrent.futures import CancelledError, Future
from contextlib import contextmanager
from pathlib import Path

import psutil
import pytest
from inline_workers import Inline, Lines, run_inline
from small_scans import monopole_scan

from scanproc.errors import OutputError, ScanFileError
from scanproc.files.stored.scan_file import write_scan
from scanproc.run import cluster
from scanproc.run.night import batch, inspection, tasks
from scanproc.run.night.batch import Wanted, Watcher, dry_run
from scanproc.run.night.tasks import Done, Failed, Work

PLAIN = (
    '[check]\nrun = false\n[fit]\nestimator = "truncated"\n'
    "[directions]\nstep_deg = 90\n[points]\nin_convert = false\n"
)


@pytest.fixture
def night(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(tasks, "inspect", inspection.read_all)
    (tmp_path / "night").mkdir()
    write_scan(tmp_path / "night" / "buoy.h5", monopole_scan(60))
    (tmp_path / "all.toml").write_text(PLAIN)
    return tmp_path / "night"


def wanted(night: Path, **more: object) -> Wanted:
    given = {"config": night.parent / "all.toml", "settle_s": 0.0, "look_again_s": 0.05, **more}
    return Wanted((str(night),), night.parent / "out", **given)  # type: ignore[arg-type]


def test_an_output_that_is_a_file_is_refused(night: Path) -> None:
    (night.parent / "out").write_text("notes")
    with pytest.raises(OutputError, match="is a file, a directory was needed"):
        run_inline(wanted(night))
    assert (night.parent / "out").read_text() == "notes"


def test_a_dry_run_names_what_cannot_be_done(night: Path, tmp_path: Path) -> None:
    (night / "summary.json.h5").write_bytes(b"")
    (night / "gong.h5").write_bytes(b"")
    (night / "gong.toml").write_text("[fit]\nordre = 2\n")
    found = {job.name: (one.action, one.reason) for job, one in dry_run(wanted(night))}
    assert found["buoy"] == ("do", "results are missing")
    action, reason = found["gong"]
    assert action == "keep"
    assert "did you mean 'order'" in reason
    (taken,) = [reason for name, (_, reason) in found.items() if "summary.json" in name]
    assert "rename the scan" in taken
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("content", ["", "[]", '{"provenance": 3}'])
def test_a_summary_that_is_no_summary_is_kept_until_it_is_moved(night: Path, content: str) -> None:
    run_inline(wanted(night))
    summary = night.parent / "out" / "buoy" / "summary.json"
    summary.write_text(content)
    ((_, decision),) = dry_run(wanted(night))
    assert decision.action == "keep"
    assert decision.reason.endswith("which is no result of scanproc: choose another directory")
    assert run_inline(wanted(night)).rows[0].state == "failed"
    assert summary.read_text() == content
    shutil.move(summary.parent, night.parent / "elsewhere")
    assert run_inline(wanted(night)).rows[0].state == "done"


def test_a_scan_that_changes_while_it_is_converted_is_done_again(night: Path) -> None:
    """Seen by --follow at once, taken up when the conversion of the old one has ended."""
    watcher, stages = Lines(), []  # type: ignore[var-annotated]

    def carry(function, work: Work):  # type: ignore[no-untyped-def]
        stages.append(work.stage)
        if stages == ["read", "fit"]:
            write_scan(night / "buoy.h5", monopole_scan(61))
        return function(work)

    def enough(_: Wanted) -> str:
        return "enough" if any("buoy: done in" in line for line in watcher.lines) else ""

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(batch, "_overdue", enough)
        run_inline(wanted(night, follow=True, look_again_s=0.0), carry, watcher)
    summary = json.loads((night.parent / "out" / "buoy" / "summary.json").read_text(encoding="utf-8"))
    assert "with 61 points" in summary["verdict"]
    assert stages[:2] + stages[-1:] == ["read", "fit", "write"]
    assert stages.count("read") == 2


def test_a_night_without_workers_ends_with_a_line(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "WITHOUT_WORKERS_S", 0.3)

    class None_(Inline):
        def slots(self) -> int:
            return 0

    @contextmanager
    def workers(_: Path) -> Iterator[Inline]:
        yield None_()

    outcome = batch.batch(wanted(night), workers, Watcher())
    assert outcome.stopped == "no worker has been there for 0 s"
    assert outcome.exit_code == 1
    assert [row.state for row in outcome.rows] == ["left"]


class KilledWorker(Exception):
    """Known by its name alone, as dask is not imported by the loop."""


@pytest.mark.parametrize(
    ("error", "kind", "text"),
    [
        (CancelledError(), "died", "its worker or the scheduler has gone"),
        (KilledWorker("three times"), "died", "its worker died"),
        (ValueError("odd\nthing"), "scan", "ValueError: odd thing"),
    ],
)
def test_what_workers_raise_is_put_into_words(error: BaseException, kind: str, text: str) -> None:
    future: Future[Done | Failed] = Future()
    future.set_exception(error)
    assert batch._outcome(future) == Failed(kind, text)  # type: ignore[arg-type]


def test_the_first_signal_stops_and_the_second_raises(night: Path) -> None:
    def carry(function, work: Work):  # type: ignore[no-untyped-def]
        os.kill(os.getpid(), signal.SIGTERM)
        return function(work)

    before = signal.getsignal(signal.SIGINT)
    outcome = run_inline(wanted(night), carry)
    assert (outcome.stopped, outcome.exit_code) == ("interrupted", 130)
    assert signal.getsignal(signal.SIGINT) is before

    def twice(function, work: Work):  # type: ignore[no-untyped-def]
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGINT)
        return function(work)

    with pytest.raises(KeyboardInterrupt):
        run_inline(wanted(night), twice)
    assert run_inline(wanted(night)).exit_code == 0


def test_a_worker_of_another_version_stops_the_night(night: Path) -> None:
    def carry(function, work: Work):  # type: ignore[no-untyped-def]
        return function(Work(**{**vars(work), "version": "9.9.9"}))

    outcome = run_inline(wanted(night), carry)
    assert "the batch 9.9.9: install the same version on all" in outcome.stopped
    assert outcome.exit_code == 1


def test_a_bug_is_one_line_with_the_scan(night: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("two\nlines")

    monkeypatch.setattr(tasks, "fit_part", broken)
    (row,) = run_inline(wanted(night)).rows
    assert row.error == f"{night / 'buoy.h5'}: a bug in scanproc: RuntimeError: two lines (please report it)"


def test_local_workers_are_as_told_and_leave_nothing(tmp_path: Path) -> None:
    scratch = tmp_path / "scratch"
    scratch.mkdir()
    (scratch / "left by a killed batch").touch()
    before = {key: os.environ.get(key) for key in cluster.QUIET}
    with cluster.local_workers(1, 0.5, scratch) as workers:
        assert workers.slots() == 1
        assert not (scratch / "left by a killed batch").exists()
        assert workers.submit(os.getpid).result(60) != os.getpid()
        limit = "__import__('distributed').get_worker().memory_manager.memory_limit"
        assert workers.submit(eval, limit).result(60) == 2**29
        ports = [c.laddr.ip for c in psutil.Process().net_connections() if c.status == "LISTEN"]
        assert set(ports) == {"127.0.0.1"}
    assert not scratch.exists()
    assert {key: os.environ.get(key) for key in cluster.QUIET} == before


def test_a_scheduler_that_goes_away_is_one_line(tmp_path: Path) -> None:
    class Gone:
        def get_executor(self, **_: object) -> None:
            return None

        def nthreads(self) -> dict[str, int]:
            raise OSError("connection refused")

    with pytest.raises(OutputError, match=r"lost the scheduler .*: OSError; start it") as caught:
        cluster.DaskWorkers(Gone()).slots()
    assert "\n" not in str(caught.value)


def test_what_the_reading_child_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its work without its limits, which would hold for this process, too."""
    path = tmp_path / "scan.h5"
    write_scan(path, monopole_scan(60))
    limits: list[tuple[int, int]] = []
    monkeypatch.setattr(inspection, "_limit", lambda *given: limits.append(given))

    def printed(what: Path) -> dict[str, object]:
        inspection.main(str(what), str(2**30), "60")
        found: dict[str, object] = json.loads(capsys.readouterr().out)
        return found

    assert printed(path)["points"] == 60
    assert limits == [(2**30, 60)]
    assert printed(tmp_path / "absent.h5")["kind"] == "ScanFileError"
    path.write_bytes(b"")
    assert "is empty" in str(printed(path)["error"])

    def greedy(_: Path) -> None:
        raise MemoryError

    monkeypatch.setattr(inspection, "read_all", greedy)
    assert "needs more than 1024 MiB" in str(printed(path)["error"])


def test_a_child_stopped_by_its_own_clock_is_said_to_be_slow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Stopped:
        returncode = -signal.SIGALRM

    monkeypatch.setattr(inspection.subprocess, "run", lambda *_, **__: Stopped())
    with pytest.raises(ScanFileError, match=r"could not be read within 60 s"):
        inspection.inspect(tmp_path / "absent.h5")


def test_a_listed_scan_that_is_not_there_is_not_to_be_done(night: Path, tmp_path: Path) -> None:
    (tmp_path / "list.txt").write_text("night/buoy.h5\nnight/gone.h5\n")
    wanted = Wanted((str(tmp_path / "list.txt"),), tmp_path / "out")
    found = {job.name: (one.action, one.reason) for job, one in dry_run(wanted)}
    assert found["buoy"] == ("do", "results are missing")
    assert found["gone"] == ("keep", f"{night / 'gone.h5'}: there is no such file: check the path")
