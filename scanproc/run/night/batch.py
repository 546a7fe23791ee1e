"""Many scans to all their results, unattended: the recipe of ``scanproc batch``."""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from scanproc.errors import OutputError, SettingsError, printable
from scanproc.files.atomic import output_errors, whole_file
from scanproc.files.json_file import write_json
from scanproc.report.words import overview
from scanproc.report.words.overview import Row
from scanproc.run.cluster import Workers
from scanproc.run.night import tasks
from scanproc.run.night.decide import Decision, decide
from scanproc.run.night.index import write_index
from scanproc.run.night.jobs import RESERVED, SUFFIXES, Job, as_jobs, find, job_settings
from scanproc.run.night.ledger import Ledger
from scanproc.run.night.lock import only_batch
from scanproc.run.night.state import Course, Night
from scanproc.run.night.tasks import Done, Failed, Work
from scanproc.run.settings.conversion import read_settings

LOOK_AGAIN_S = 5.0
"""How often the sources are looked at for new and changed scans."""
SETTLE_S = 10.0
"""A file that changed less than this ago may still be being copied."""
WAKE_S = 0.2
WITHOUT_WORKERS_S = 300.0


class Watcher:
    """Told what happens: a line for a log, and how all scans stand whenever that has changed."""

    def line(self, text: str) -> None:
        """Something worth a line in a log."""

    def standing(self, courses: Sequence[Course], seconds_left: float | None) -> None:
        """How every scan stands, and about how long the rest will take."""


@dataclass(frozen=True)
class Wanted:
    """What to convert, where to, and how; ``until`` is a time by the clock."""

    sources: tuple[str, ...]
    output: Path
    config: Path | None = None
    retry_failed: bool = False
    follow: bool = False
    until: datetime | None = None
    settle_s: float = SETTLE_S
    look_again_s: float = LOOK_AGAIN_S


@dataclass
class Stop:
    """Why no new work is begun; set by a signal or by the clock."""

    reason: str = ""
    interrupted: bool = False


@dataclass(frozen=True)
class BatchOutcome:
    """The rows of all scans, and why the batch ended early if it did."""

    rows: tuple[Row, ...]
    stopped: str = ""
    interrupted: bool = False
    failed: bool = False

    @property
    def exit_code(self) -> int:
        if self.interrupted:
            return 130
        return 1 if self.failed else overview.exit_code(self.rows)


def batch(
    wanted: Wanted, workers: Callable[[Path], AbstractContextManager[Workers]], watcher: Watcher
) -> BatchOutcome:
    """Converts all scans that are missing or changed; the rest stays.

    ``workers`` makes the workers, given the output directory. Each result is a directory OUT/NAME; beside them
    ledger.jsonl, batch.log and summary.txt, .json and .csv. Raises SettingsError or OutputError.
    """
    output = Path(wanted.output).absolute()
    _refuse(wanted, output)
    hidden = output / ".batch"
    with only_batch(hidden / "lock"), _log(output / "batch.log", watcher) as say:
        night = Night(output, wanted.config, Ledger(output / "ledger.jsonl"), say, wanted.retry_failed)
        look = _Look(wanted, output)
        for job in look.settled():
            night.add(job)
        say(f"{len(night.courses)} scans found, {_count(night, 'waiting')} to do")
        stop = Stop()
        if wanted.follow or look.unsettled or not night.is_idle:
            with workers(output) as pool, _signals(stop, say):
                _work(night, look, pool, stop, wanted, watcher)
        outcome = _ended(night, look, stop)
        _write_summary(output, outcome)
        _tidy(hidden, night, outcome)
        say(overview.as_lines(outcome.rows)[-1] + (f"; {outcome.stopped}" if outcome.stopped else ""))
        return outcome


def dry_run(wanted: Wanted) -> list[tuple[Job, Decision]]:
    """What a batch would do with each scan, and why. Writes nothing but clears what killed runs left."""
    output = Path(wanted.output).absolute()
    _refuse(wanted, output)
    ledger = Ledger(output / "ledger.jsonl")
    return [(job, _decision(job, wanted, ledger)) for job in as_jobs(find(wanted.sources, output), output)]


def _decision(job: Job, wanted: Wanted, ledger: Ledger) -> Decision:
    if job.problem:
        return Decision("keep", job.problem)
    try:
        settings = job_settings(job.source, wanted.config)
    except SettingsError as error:
        return Decision("keep", "; ".join(str(error).splitlines()))
    return decide(job, settings, ledger.last.get(str(job.source)), wanted.retry_failed)


def _refuse(wanted: Wanted, output: Path) -> None:
    """What is wrong with the call as a whole."""
    if wanted.config:
        read_settings(wanted.config)
    if output.exists() and not output.is_dir():
        raise OutputError("is a file, a directory was needed: choose another name", path=output)
    _refuse_strangers(wanted, output)
    if not find(wanted.sources, output, follow=wanted.follow):
        _refuse_nothing(wanted, output)


def _refuse_strangers(wanted: Wanted, output: Path) -> None:
    """The batch's own files must not take the place of others."""
    taken = [output / name for name in RESERVED if os.path.lexists(output / name)]
    if taken and not (output / ".batch").is_dir():
        raise OutputError(
            f"holds {taken[0].name!r}, which is not of a batch: choose another directory", path=output
        )
    for path in map(Path, (*wanted.sources, *([str(wanted.config)] if wanted.config else []))):
        if path.is_file() and any(one.exists() and one.samefile(path) for one in taken):
            raise OutputError(
                f"has the name of one of the batch's own files in {output}: rename it, or choose another directory",
                path=path,
            )


def _refuse_nothing(wanted: Wanted, output: Path) -> None:
    """No scan was found: what to do, unless --follow may still find one."""
    names = ", ".join(map(str, wanted.sources))
    absolute = [Path(os.path.abspath(source)) for source in wanted.sources]
    if any(output in (path, *path.parents) for path in absolute):
        raise SettingsError(
            f"no scans in {names}: what lies in the output directory {wanted.output} is not looked at; choose "
            f"another one, such as {wanted.output / 'results'}"
        )
    if not wanted.follow:
        raise SettingsError(
            f"no scans ({' or '.join(SUFFIXES)}) in {names}: check the path, or import them first"
        )


class _Look:
    """The sources as they were last seen: which scans are new or changed, and no longer being written."""

    def __init__(self, wanted: Wanted, output: Path) -> None:
        self._wanted, self._output = wanted, output
        self._taken: dict[Path, tuple[int, int]] = {}
        self._seen: dict[Path, tuple[tuple[int, int], float]] = {}
        self.unsettled: list[Job] = []

    def settled(self) -> list[Job]:
        """Scans to take up now; ``unsettled`` are those that changed too recently."""
        paths = find(self._wanted.sources, self._output, follow=True)
        new = [job for job in as_jobs(paths, self._output) if self._taken.get(job.source) != job.stamp]
        ready = [job for job in new if self._is_settled(job)]
        self.unsettled = [job for job in new if job not in ready]
        self._taken.update((job.source, job.stamp) for job in ready)
        return ready

    def forget(self, job: Job) -> None:
        """Lets a scan be found again."""
        self._taken.pop(job.source, None)

    def _is_settled(self, job: Job) -> bool:
        """Unchanged for a while: by its own time, or by ours where its clock is ahead."""
        now = time.time()
        stamp, since = self._seen.get(job.source, ((-1, -1), now))
        if stamp != job.stamp:
            since = now
        self._seen[job.source] = (job.stamp, since)
        quiet_for = max(now - job.mtime_ns / 1e9, now - since)
        return job.stamp == (0, 0) or quiet_for >= self._wanted.settle_s


def _work(night: Night, look: _Look, pool: Workers, stop: Stop, wanted: Wanted, watcher: Watcher) -> None:
    """Hands out work until nothing is left, or until something says stop; then waits for what runs."""
    running: dict[Future[Done | Failed], Work] = {}
    began = looked = had_workers = time.monotonic()
    while True:
        now = time.monotonic()
        stop.reason = stop.reason or night.stop_reason or _overdue(wanted)
        slots = pool.slots()
        had_workers = now if slots else had_workers
        if now - had_workers > WITHOUT_WORKERS_S:
            night.stop_reason = f"no worker has been there for {WITHOUT_WORKERS_S:.0f} s"
            return
        if not stop.reason:
            if (wanted.follow or look.unsettled) and now - looked >= wanted.look_again_s:
                looked = now
                _take_up(night, look)
            _hand_out(night, pool, running, slots)
        if not running and (stop.reason or (night.is_idle and not (wanted.follow or look.unsettled))):
            return
        finished = wait(running, timeout=WAKE_S, return_when=FIRST_COMPLETED).done if running else ()
        for future in finished:
            night.finished(running.pop(future), _outcome(future))
        if not running:
            time.sleep(0 if finished else WAKE_S)
        watcher.standing(list(night.courses.values()), _seconds_left(night, now - began))


def _take_up(night: Night, look: _Look) -> None:
    """New and changed scans; one that is being converted right now is taken up when that has ended."""
    for job in look.settled():
        before = night.courses.get(job.source)
        if before is None or not (before.running or before.pending):
            night.add(job)
            night.say(f"{job.name}: found")
        else:
            look.forget(job)


def _hand_out(night: Night, pool: Workers, running: dict[Future[Done | Failed], Work], slots: int) -> None:
    while len(running) < slots:
        work = night.next_work()
        if work is None:
            return
        running[pool.submit(tasks.carry_out, work)] = work


def _outcome(future: Future[Done | Failed]) -> Done | Failed:
    """What a worker answered; dask's own errors in words."""
    try:
        return future.result()
    except CancelledError:
        return Failed("died", "its worker or the scheduler has gone")
    except Exception as error:
        if type(error).__name__ == "KilledWorker":
            return Failed("died", "its worker died")
        return Failed("scan", f"{type(error).__name__}: {' '.join(str(error).split())}")


def _overdue(wanted: Wanted) -> str:
    if wanted.until and datetime.now().astimezone() >= wanted.until:
        return f"it is {wanted.until:%H:%M}"
    return ""


def _seconds_left(night: Night, elapsed: float) -> float | None:
    done = night.fraction_done()
    return elapsed * (1 - done) / done if done > 0.01 else None


def _ended(night: Night, look: _Look, stop: Stop) -> BatchOutcome:
    waiting = [
        Row(job.name, str(job.source), "left", error="is still being written")
        for job in look.unsettled
        if job.source not in night.courses
    ]
    return BatchOutcome(
        tuple(night.rows() + waiting),
        stop.reason or night.stop_reason,
        stop.interrupted,
        bool(night.stop_reason),
    )


def _count(night: Night, state: str) -> int:
    return sum(course.state == state for course in night.courses.values())


def _write_summary(output: Path, outcome: BatchOutcome) -> None:
    write_json(output / "summary.json", {**overview.as_json(outcome.rows), "stopped": outcome.stopped})
    for name, text in (
        ("summary.csv", overview.as_csv(outcome.rows)),
        ("summary.txt", "\n".join(overview.as_lines(outcome.rows)) + "\n"),
    ):
        with whole_file(output / name) as draft:
            draft.write_text(text, encoding="utf-8", newline="\n", errors="backslashreplace")
    write_index(output, outcome.rows)


def _tidy(hidden: Path, night: Night, outcome: BatchOutcome) -> None:
    """Checkpoints go when no scan needs them; after an early end the next start goes on from them."""
    if all(course.is_over for course in night.courses.values()) and not outcome.stopped:
        shutil.rmtree(hidden / "work", ignore_errors=True)


@contextmanager
def _log(path: Path, watcher: Watcher) -> Iterator[Callable[[str], None]]:
    """Lines with the time, to the log file and to whoever watches."""
    with output_errors(path):
        file = path.open("a", encoding="utf-8", buffering=1, errors="backslashreplace")
    with file:

        def say(text: str) -> None:
            now = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
            with output_errors(path):
                file.write(f"{now} {printable(text)}\n")
            watcher.line(text)

        yield say


@contextmanager
def _signals(stop: Stop, say: Callable[[str], None]) -> Iterator[None]:
    """The first Ctrl-C (or SIGTERM) lets running blocks finish, the second ends everything at once."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def on_signal(number: int, frame: object) -> None:
        if stop.interrupted:
            raise KeyboardInterrupt
        stop.interrupted, stop.reason = True, "interrupted"
        say("interrupted: what is running will be finished, once more stops at once")

    before = {number: signal.signal(number, on_signal) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
