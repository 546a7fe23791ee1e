"""What runs on a worker: one stage of one scan at a time, and what may come of it.

The stages are "read" (first reading in a child process), "fit" (one block of frequencies, saved as a
checkpoint), "study" (how many points are enough, saved likewise) and "write" (checkpoints joined, results
written). Failures are returned, not raised, so that no
worker logs a traceback.
"""

from __future__ import annotations

import errno
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import scipy.linalg  # noqa: F401  its BLAS must be loaded before it is limited
from threadpoolctl import threadpool_limits

from scanproc.conventions import mode_count
from scanproc.errors import InputError, ScanDataError, ScanprocError, naming
from scanproc.files.atomic import clear_leftovers, output_errors
from scanproc.files.hashing import file_hash, first_difference
from scanproc.files.json_file import plain, read_json, write_json
from scanproc.files.stored.scan_file import ScanFile, open_scan
from scanproc.records.fitted.expansion import Expansion
from scanproc.run.cluster import memory_of_worker
from scanproc.run.conversion.check import handle, handle_again
from scanproc.run.conversion.harmonics import distortion_of
from scanproc.run.conversion.memory import require_memory_of_worker
from scanproc.run.conversion.pipeline import asides, finish, fit_part
from scanproc.run.conversion.point_study import study_of
from scanproc.run.conversion.preparation import Prepared, hearing, prepare
from scanproc.run.night import blocks
from scanproc.run.night.blocks import Block, Shape
from scanproc.run.night.inspection import inspect
from scanproc.run.night.kept import Kept
from scanproc.run.settings.conversion import Settings
from scanproc.steps.each import in_turn
from scanproc.steps.field.order import highest_order
from scanproc.steps.model.field_model import model_columns
from scanproc.version import VERSION

Stage = Literal["read", "fit", "study", "write"]
Kind = Literal["scan", "memory", "died", "full", "version", "appending"]


@dataclass(frozen=True)
class Work:
    """One stage of one scan; ``room`` is the directory of its checkpoints, ``token`` names the batch.

    ``block`` is what the stage "fit" fits, ``blocks`` what the stage "write" joins.
    """

    stage: Stage
    source: Path
    output: Path
    settings: Settings
    room: Path
    token: str
    block: Block = (0, 0)
    blocks: tuple[Block, ...] = ()
    attempt: int = 1
    version: str = VERSION

    @property
    def check_file(self) -> Path:
        """What the stage "read" found and did about it."""
        return self.room / "check.pickle"

    @property
    def plan_file(self) -> Path:
        """What the stage "read" decided for all frequencies."""
        return self.room / "plan.pickle"

    @property
    def study_file(self) -> Path:
        """The checkpoint of the stage "study"."""
        return self.room / "study.pickle"

    @property
    def mark(self) -> Path:
        """A file that is there while this attempt runs."""
        start, stop = self.block
        return self.room / f".{self.stage}-{start}-{stop}.{self.token}-{self.attempt}.started"


@dataclass(frozen=True)
class Done:
    """``facts`` as the stage has them; ``seconds`` it took."""

    facts: Mapping[str, Any] = field(default_factory=dict)
    seconds: float = 0.0


@dataclass(frozen=True)
class Failed:
    """``kind`` says whose fault it was; ``message`` is one line."""

    kind: Kind
    message: str


def carry_out(work: Work) -> Done | Failed:
    """One stage, with whatever goes wrong in words."""
    if work.version != VERSION:
        here = f"this worker runs scanproc {VERSION}, the batch {work.version}"
        return Failed("version", f"{here}: install the same version on all")
    started = time.monotonic()
    try:
        with _marked(work), _one_blas_thread():
            return Done(_STAGES[work.stage](work), time.monotonic() - started)
    except _Died:
        return Failed("died", "its worker died")
    except _Appending:
        return Failed("appending", f"{work.source}: is still being written")
    except MemoryError:
        return Failed("memory", f"{work.source}: not enough memory for {_what(work)}")
    except ScanprocError as error:
        return Failed("full" if _is_full(error) else "scan", str(error))
    except Exception as error:
        detail = " ".join(str(error).split())
        message = f"a bug in scanproc: {type(error).__name__}: {detail} (please report it)"
        return Failed("scan", f"{work.source}: {message}")


def _read(work: Work) -> dict[str, Any]:
    found = inspect(work.source)
    if found.appending:
        raise _Appending
    identity = {"scan_sha256": found.scan_sha256}
    if not _same(work.room / "scan.json", identity):
        _empty(work.room)
        write_json(work.room / "scan.json", identity)
    if not work.check_file.is_file():
        with open_scan(work.source) as file, naming(work.source):
            require_memory_of_worker(file, work.settings, memory_of_worker())
            blocks.save_record(work.check_file, handle(file, work.settings.check))
    with _opened(work) as file:
        if not work.plan_file.is_file():
            with _kept(work) as each:
                blocks.save_record(work.plan_file, prepare(hearing(file, work.settings), work.settings, each))
        shape = _shape(file, work.settings, blocks.load_record(work.plan_file))
    for mark in work.room.glob(".*.started"):
        if work.token not in mark.name:
            mark.unlink(missing_ok=True)
    return {**identity, "shape": shape}


def _fit(work: Work) -> dict[str, Any]:
    start, stop = work.block
    if blocks.missing(work.room, [work.block]):
        with _opened(work) as file:
            plan = blocks.load_record(work.plan_file)
            heard = hearing(file, work.settings, plan)
            part = fit_part(heard, plan, slice(start, stop), in_turn)
        blocks.save(work.room, work.block, part)
    expansion, _ = blocks.load(work.room, [work.block])
    return {"held_out_db": _held_out(expansion)}


def _study(work: Work) -> dict[str, Any]:
    if not work.study_file.is_file():
        with _opened(work) as file:
            plan = blocks.load_record(work.plan_file)
            with _kept(work) as each:
                found = study_of(hearing(file, work.settings, plan), work.settings, plan, each)
                blocks.save_record(work.study_file, found)
    return {}


def _write(work: Work) -> dict[str, Any]:
    digest = read_json(work.room / "scan.json")["scan_sha256"]
    clear_leftovers(work.output)
    if not _is_written(work, digest):
        expansion, room = blocks.load(work.room, work.blocks)
        study = blocks.load_record(work.study_file) if work.settings.points.in_convert else None
        with _opened(work) as file:
            plan = blocks.load_record(work.plan_file)
            with _kept(work) as each:
                heard = hearing(file, work.settings, plan)
                found = distortion_of(heard, work.settings, plan, expansion, each)
            checked = blocks.load_record(work.check_file)
            aside = asides(file, room, checked, study, plan.room, found)
        if file_hash(work.source) != digest:
            raise ScanDataError("changed while it was converted: start the batch again", path=work.source)
        finish(expansion, aside, work.source, work.output, work.settings)
    return {"summary": read_json(work.output / "summary.json")}


_STAGES = {"read": _read, "fit": _fit, "study": _study, "write": _write}


def _shape(file: ScanFile, settings: Settings, plan: Prepared) -> Shape:
    """The work on a scan, frequency by frequency as the plan says."""
    points, order = file.points, settings.fit.order
    columns = np.zeros(len(plan.frequency_hz), dtype=np.int64)
    for fit in (plan.room.whole, plan.room.gated):
        if fit is not None:
            own = (fit.order + 3) ** 2 if fit.truncated else np.full(len(fit.order), model_columns(points))
            columns[np.searchsorted(plan.frequency_hz, fit.frequency_hz)] += own
    top = highest_order(points, settings.fit.max_order) if order == "auto" else order
    return blocks.shape_of(points, mode_count(top), columns.tolist())


def _held_out(expansion: Expansion) -> float:
    """Median over frequency of the held-out error at the order chosen, dB."""
    chosen = np.take_along_axis(expansion.held_out_db, expansion.order[None, :], axis=0)
    return float(np.median(chosen))


def _is_written(work: Work, scan_sha256: str) -> bool:
    """Whether these very results are there: a worker may have died between writing and telling."""
    try:
        provenance = read_json(work.output / "summary.json")["provenance"]
        found = {key: provenance[key] for key in ("scanproc_version", "scan_sha256", "settings")}
    except (InputError, LookupError, TypeError):
        return False
    wanted = {"scanproc_version": VERSION, "scan_sha256": scan_sha256}
    return found == {**wanted, "settings": plain(work.settings.model_dump())} and not first_difference(
        work.output
    )


def _same(path: Path, facts: Mapping[str, Any]) -> bool:
    try:
        return bool(read_json(path) == facts)
    except InputError:
        return False


def _empty(room: Path) -> None:
    with output_errors(room):
        for path in (*room.glob("*.h5"), *room.glob("*.pickle"), *room.glob("*.part")):
            path.unlink()


def _what(work: Work) -> str:
    start, stop = work.block
    return f"frequencies {start + 1} to {stop}" if work.stage == "fit" else f"the stage {work.stage}"


class _Died(Exception):
    pass


class _Appending(Exception):
    pass


@contextmanager
def _opened(work: Work) -> Iterator[ScanFile]:
    """The scan as the stage "read" left it: checked, points dropped. Errors in its numbers get its path."""
    with open_scan(work.source) as file, naming(work.source):
        handle_again(file, blocks.load_record(work.check_file))
        yield file


@contextmanager
def _kept(work: Work) -> Iterator[Kept]:
    """Keeps the items of a long stage until the stage is whole, so that a kill loses seconds."""
    kept = Kept(work.room, work.stage)
    yield kept
    kept.clear()


@contextmanager
def _marked(work: Work) -> Iterator[None]:
    """The same attempt seen a second time means that its first worker died: dask tries again on its own."""
    with output_errors(work.mark):
        work.room.mkdir(parents=True, exist_ok=True)
        try:
            work.mark.open("x").close()
        except FileExistsError:
            raise _Died from None
    try:
        yield
    finally:
        with suppress(OSError):
            work.mark.unlink()


def _is_full(error: ScanprocError) -> bool:
    cause = error.__cause__
    return isinstance(cause, OSError) and cause.errno in (errno.ENOSPC, errno.EDQUOT)


_lock = threading.Lock()
_running = 0
_limits: list[Any] = []


@contextmanager
def _one_blas_thread() -> Iterator[None]:
    """BLAS on one thread while any task runs in this process, whoever started the worker."""
    global _running
    with _lock:
        if _running == 0:
            _limits.append(threadpool_limits(1))
        _running += 1
    try:
        yield
    finally:
        with _lock:
            _running -= 1
            if _running == 0:
                _limits.pop().restore_original_limits()
