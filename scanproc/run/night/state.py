"""The state of a batch: what each scan waits for, what it may do next, what came of it.

Knows no clock, no cluster and no signals: :mod:`scanproc.run.night.batch` asks it for work and tells it outcomes.
"""

from __future__ import annotations

import secrets
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from scanproc.errors import SettingsError
from scanproc.files.hashing import text_hash
from scanproc.files.json_file import json_text, plain
from scanproc.report.words.overview import Row, finished_row
from scanproc.run.night import blocks as cuts
from scanproc.run.night.decide import Decision, decide
from scanproc.run.night.jobs import Job, job_settings
from scanproc.run.night.ledger import Ledger
from scanproc.run.night.tasks import Done, Failed, Work
from scanproc.run.settings.conversion import Settings
from scanproc.version import RESULTS_VERSION, VERSION

ATTEMPTS = 2


@dataclass
class Course:
    """One scan on its way. ``state`` is "waiting", a stage, or what
    :class:`~scanproc.report.words.overview.Row` has."""

    job: Job
    state: str = "waiting"
    reason: str = ""
    settings: Settings | None = None
    pending: list[Work] = field(default_factory=list)
    running: int = 0
    blocks: tuple[cuts.Block, ...] = ()
    scan_sha256: str = ""
    frequencies: int = 0
    fitted: int = 0
    pieces: int = 0
    held_out_db: list[float] = field(default_factory=list)
    seconds: float = 0.0
    error: str = ""
    summary: Mapping[str, Any] | None = None

    @property
    def is_over(self) -> bool:
        return self.state in ("done", "done before", "failed")

    def fraction(self) -> float:
        """Share of the pieces of work that are done; the writing at the end is one of them."""
        if self.is_over:
            return 1.0
        waiting = len(self.pending) + self.running + (self.state != "write")
        return self.pieces / (self.pieces + waiting) if self.frequencies else 0.0

    def row(self) -> Row:
        """How the scan stands in the summary at the end."""
        name, scan = self.job.name, str(self.job.source)
        if self.summary is not None and self.is_over:
            return finished_row(name, scan, self.state, self.summary, round(self.seconds, 3))
        state = self.state if self.is_over else "left"
        error = self.error or ("" if self.is_over else f"left at the stage: {self.state}")
        return Row(name, scan, state, seconds=round(self.seconds, 3), error=error)


class Night:
    """All scans of a batch, cheapest first, so that at any time as many as possible are done."""

    def __init__(
        self,
        output: Path,
        config: Path | None,
        ledger: Ledger,
        say: Callable[[str], None],
        retry_failed: bool = False,
    ) -> None:
        self.output, self.config, self.ledger, self.say = output, config, ledger, say
        self.retry_failed = retry_failed
        self.token = secrets.token_hex(4)
        self.courses: dict[Path, Course] = {}
        self.stop_reason = ""

    def add(self, job: Job) -> Course:
        """Takes up a scan, or takes it up again after a change, and says what will be done with it."""
        before = self.courses.get(job.source)
        course = self.courses[job.source] = Course(job)
        if job.problem:
            self._fail(course, job.problem)
            return course
        try:
            course.settings = job_settings(job.source, self.config)
        except SettingsError as error:
            self._fail(course, "; ".join(str(error).splitlines()))
            return course
        decision = decide(job, course.settings, self.ledger.last.get(str(job.source)), self.retry_failed)
        self._begin(course, decision)
        if before and before.state == "done" and course.state == "done before":
            course.state, course.seconds = "done", before.seconds
        return course

    def next_work(self) -> Work | None:
        """What a free worker should do, None when nothing is to be done now."""
        ready = [course for course in self.courses.values() if course.pending]
        if not ready or self.stop_reason:
            return None
        course = min(ready, key=lambda course: (course.job.size, course.job.name))
        work = course.pending.pop(0)
        course.running += 1
        if course.state != work.stage:
            course.state = work.stage
            if work.stage == "read":
                self._note(course, "started")
        return work

    def finished(self, work: Work, outcome: Done | Failed) -> None:
        """Takes in what came of a piece of work."""
        course = self.courses[work.source]
        course.running -= 1
        if isinstance(outcome, Failed):
            self._went_wrong(course, work, outcome)
            return
        course.seconds += outcome.seconds
        course.pieces += 1
        if not course.is_over:
            take_in = {
                "read": self._was_read,
                "fit": self._was_fitted,
                "study": self._was_studied,
                "write": self._was_written,
            }
            take_in[work.stage](course, work, outcome.facts)

    def rows(self) -> list[Row]:
        """All scans by name."""
        return [course.row() for course in sorted(self.courses.values(), key=lambda c: c.job.name)]

    @property
    def is_idle(self) -> bool:
        return not any(course.pending or course.running for course in self.courses.values())

    def fraction_done(self) -> float:
        """Share of the work taken up by this batch that is done, weighted by the sizes of the files."""
        taken = [course for course in self.courses.values() if course.state != "done before"]
        total = sum(course.job.size for course in taken)
        return sum(course.job.size * course.fraction() for course in taken) / total if total else 1.0

    def _begin(self, course: Course, decision: Decision) -> None:
        course.reason = decision.reason
        if decision.action == "skip":
            course.state, course.summary = "done before", decision.summary
            self._rebuild(course)
        elif decision.action == "keep":
            course.state, course.error = "failed", decision.reason
        else:
            assert course.settings is not None
            course.pending = [
                Work(
                    stage="read",
                    source=course.job.source,
                    output=course.job.output,
                    settings=course.settings,
                    room=self._room(course.job, course.settings),
                    token=self.token,
                )
            ]

    def _room(self, job: Job, settings: Settings) -> Path:
        """The directory of checkpoints that may be used for this scan with these settings by this version."""
        identity = [plain(settings.model_dump()), VERSION, RESULTS_VERSION, str(job.source)]
        return self.output / ".batch" / "work" / f"{job.name}-{text_hash(json_text(identity))[:12]}"

    def _rebuild(self, course: Course) -> None:
        """A result that the ledger does not know of: a kill came between the two, or the ledger is gone."""
        last = self.ledger.last.get(str(course.job.source))
        if last is None or last["state"] != "done":
            assert course.summary is not None
            provenance = course.summary["provenance"]
            course.scan_sha256 = provenance["scan_sha256"]
            self._note(course, "done", found="from the results")

    def _was_read(self, course: Course, work: Work, facts: Mapping[str, Any]) -> None:
        course.scan_sha256 = facts["scan_sha256"]
        course.blocks = cuts.cut(facts["shape"])
        course.frequencies = facts["shape"].frequencies
        missing = cuts.missing(work.room, course.blocks)
        course.fitted = course.frequencies - sum(stop - start for start, stop in missing)
        assert course.settings is not None
        if course.settings.points.in_convert and not work.study_file.is_file():
            course.pending.append(replace(work, stage="study", attempt=1))
        course.pending += [replace(work, stage="fit", block=block, attempt=1) for block in missing]
        self._write_if_ready(course, work)

    def _was_fitted(self, course: Course, work: Work, facts: Mapping[str, Any]) -> None:
        course.fitted += work.block[1] - work.block[0]
        course.held_out_db.append(facts["held_out_db"])
        self._write_if_ready(course, work)

    def _was_studied(self, course: Course, work: Work, facts: Mapping[str, Any]) -> None:
        self._write_if_ready(course, work)

    def _write_if_ready(self, course: Course, work: Work) -> None:
        if not course.pending and not course.running:
            course.pending = [replace(work, stage="write", block=(0, 0), blocks=course.blocks, attempt=1)]

    def _was_written(self, course: Course, work: Work, facts: Mapping[str, Any]) -> None:
        course.state, course.summary = "done", facts["summary"]
        self._note(course, "done")
        shutil.rmtree(work.room, ignore_errors=True)
        self.say(f"{course.job.name}: done in {course.seconds:.1f} s: {course.summary['verdict']}")

    def _went_wrong(self, course: Course, work: Work, failed: Failed) -> None:
        if failed.kind in ("full", "version"):
            self.stop_reason = self.stop_reason or failed.message
            course.pending.insert(0, work)
        elif course.is_over:
            return
        elif failed.kind == "appending":
            course.state, course.error, course.pending = "waiting", "is still being written", []
        elif failed.kind in ("died", "memory") and work.attempt < ATTEMPTS:
            parts = cuts.halves(work.block) if work.stage == "fit" else [work.block]
            again = [replace(work, block=block, attempt=work.attempt + 1) for block in parts]
            course.pending = [*again, *course.pending]
            self.say(f"{course.job.name}: {failed.message} at {_what(work)}; once more, in smaller blocks")
        elif failed.kind == "died":
            self._fail(course, f"{work.source}: its worker died twice at {_what(work)}: give --memory more")
        else:
            self._fail(course, failed.message)

    def _fail(self, course: Course, message: str) -> None:
        course.state, course.error, course.pending = "failed", message, []
        self._note(course, "failed", error=message)
        self.say(f"{course.job.name}: failed: {message}")

    def _note(self, course: Course, state: str, **more: Any) -> None:
        job = course.job
        settings = plain(course.settings.model_dump()) if course.settings else None
        self.ledger.note(
            state,
            job.source,
            name=job.name,
            size=job.size,
            mtime_ns=job.mtime_ns,
            scan_sha256=course.scan_sha256 or None,
            settings=settings,
            settings_sha256=text_hash(json_text(settings)),
            scanproc_version=VERSION,
            results_version=RESULTS_VERSION,
            seconds=round(course.seconds, 3),
            **more,
        )


def _what(work: Work) -> str:
    start, stop = work.block
    return f"frequencies {start + 1} to {stop}" if work.stage == "fit" else f"the stage {work.stage}"
