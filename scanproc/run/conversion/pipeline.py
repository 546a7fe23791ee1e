"""One scan to all its results: the recipe of ``scanproc convert``."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.errors import naming
from scanproc.files.atomic import whole_directory
from scanproc.files.hashing import file_hash, write_hashes
from scanproc.files.json_file import write_json
from scanproc.files.outgoing.curve_table import write_curves
from scanproc.files.outgoing.row_table import write_rows
from scanproc.files.outgoing.tables import write_direction_tables
from scanproc.files.replacing import DISTORTION, RESULT, check_directory
from scanproc.files.stored.result_file import write_result
from scanproc.files.stored.scan_file import ScanFile, open_scan
from scanproc.records.answers.curves import Curves
from scanproc.records.answers.distortion import Distortion
from scanproc.records.answers.result import Result
from scanproc.records.answers.study import Study
from scanproc.records.fitted.budget import Budget
from scanproc.records.fitted.expansion import Expansion, join
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.fitted.room import RoomReport, join_reports
from scanproc.report.words.distortion import HEADER, distortion_rows
from scanproc.report.words.points import points_answer
from scanproc.report.words.summary import Summary, summarise
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.check import Handled, handle
from scanproc.run.conversion.datasheet import all_curves, datasheet
from scanproc.run.conversion.effort import require_time
from scanproc.run.conversion.fitting import in_threads
from scanproc.run.conversion.harmonics import distortion_of
from scanproc.run.conversion.heard import Heard
from scanproc.run.conversion.memory import BLOCK_BYTES, require_memory
from scanproc.run.conversion.page import Extras, write_figures, write_page
from scanproc.run.conversion.point_study import study_of
from scanproc.run.conversion.preparation import Prepared, hearing, prepare
from scanproc.run.conversion.reference import check_reference, matched, read_for
from scanproc.run.conversion.room import RoomPlan, fit_in_room
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import FigureSettings, Settings
from scanproc.steps.each import Each
from scanproc.steps.farfield.calibration import curves_with, directions_with
from scanproc.steps.field.crossfade import with_cut_off
from scanproc.steps.field.extrapolate import orbits
from scanproc.version import RESULTS_VERSION, VERSION


@one_blas_thread
def convert(
    scan_path: Path | str,
    output: Path | str,
    settings: Settings | None = None,
    progress: Progress = silent,
    *,
    force: bool = False,
    figures: bool = False,
    each: Each = in_threads,
) -> Summary:
    """Converts a scan file into a directory of results, which appears whole or not at all.

    The directory holds result.h5, summary.json, directions/, report.html and, if wanted, figures/. ``each`` spreads
    frequencies and bands over this machine's cores, or over a cluster. Raises ScanFileError, ScanDataError or
    OutputError.

    >>> sp.convert(folder / "scan.h5", folder / "converted", quick).points
    40
    """
    settings = settings or Settings()
    source, directory = Path(scan_path), Path(output)
    may_replace(directory, source, settings, force)
    check_reference(settings.reference)
    with open_scan(source) as file, naming(source):
        require_memory(file, settings)
        require_time(file, settings)
        progress("scans checked", 0, 1)
        checked = handle(file, settings.check)
        progress("plans made", 0, 1)
        plan = prepare(hearing(file, settings), settings, each)
        progress("plans made", 1, 1)
        heard = hearing(file, settings, plan)
        expansion, room = fitted(heard, plan, progress, each)
        wanted = settings.points.in_convert
        study = study_of(heard, settings, plan, each, progress) if wanted else None
        found = distortion_of(heard, settings, plan, expansion, each, progress)
        aside = asides(file, room, checked, study, plan.room, found)
    return finish(expansion, aside, source, directory, settings, force=force, figures=figures)


@dataclass(frozen=True, eq=False)
class Asides:
    """What the results say beside the expansion."""

    device: str
    room: RoomReport
    warnings: tuple[str, ...]
    dropped: int
    extras: Extras
    level_error_db: float = 0.0
    budget: Budget | None = None
    distortion: Distortion | None = None
    learnt: tuple[FitPlan, ...] = ()


def asides(
    file: ScanFile,
    room: RoomReport,
    checked: Handled,
    study: Study | None,
    plan: RoomPlan,
    harmonics: tuple[Distortion | None, tuple[str, ...]],
) -> Asides:
    """What an open and checked scan file, its room, the study of its points and the plan of its fit have to say."""
    extras = Extras(file.setup, study, checked.report)
    distortion, lost = harmonics
    warnings = (*notices(file), *checked.warnings, *room_warnings(file, room), *lost)
    name, level_db = file.setup.device, checked.level_error_db
    return Asides(
        name, room, warnings, checked.dropped, extras, level_db, plan.budget, distortion, plan.learnt
    )


def finish(
    expansion: Expansion,
    aside: Asides,
    source: Path,
    directory: Path,
    settings: Settings,
    *,
    force: bool = False,
    figures: bool = False,
) -> Summary:
    """From the expansion of a scan to its directory of results. Raises InputError or OutputError."""
    level_error_db = float(np.hypot(aside.level_error_db, settings.uncertainty.level_db))
    curves = directions_with(orbits(expansion, settings.directions.step_deg), level_error_db)
    derived, study = all_curves(expansion, settings.curves), aside.extras.study
    match, unmatched = matched(expansion, settings.reference)
    budget = aside.budget
    if budget is not None and aside.room.shared_hz is not None:
        budget = with_cut_off(budget, expansion, aside.room.shared_hz)
    made_from = _provenance(source, aside.device, settings, level_error_db)
    sets = {curves.name: curves}
    result = Result(expansion, sets, made_from, aside.room, budget, aside.distortion, aside.learnt, study)
    summary = summarise(
        result,
        aside.device,
        settings.fit.target_db,
        settings.who_set("fit", "target_db"),
        (*aside.warnings, *unmatched),
        aside.dropped,
        written_at=datetime.now(UTC).isoformat(timespec="seconds"),
        headline=datasheet(derived, settings.curves, level_error_db),
        points_study=points_answer(study, settings.who_set("fit", "target_db")) if study else None,
        comparison=match,
    )
    extras = replace(aside.extras, comparison=match)
    derived = curves_with(derived, level_error_db)
    refuse = partial(may_replace, source=source, settings=settings, force=force)
    with whole_directory(directory, refuse) as staging:
        write(staging, result, summary, derived, extras, settings.figures if figures else None)
    return summary


def _provenance(source: Path, device: str, settings: Settings, level_error_db: float) -> dict[str, Any]:
    """What results were made from, and by what."""
    return {
        "scanproc_version": VERSION,
        "results_version": RESULTS_VERSION,
        "device": device,
        "scan": source.name,
        "scan_sha256": file_hash(source),
        "settings": settings.model_dump(),
        **({"level_error_db": round(level_error_db, 4)} if level_error_db else {}),
    }


def notices(file: ScanFile) -> list[str]:
    """What the reader of the results must know about the scan."""
    found = list(file.warnings)
    if file.appending:
        found.append(f"the scan was still being written, these are its first {file.points} points")
    return found


def room_warnings(file: ScanFile, room: RoomReport) -> list[str]:
    """Where the room's sound remains in the results."""
    if room.method == "none" and file.kind == "impulse responses" and file.setup.environment != "anechoic":
        return ["the impulse responses were used whole, so what the room reflects is in the results"]
    return list(room.warnings)


def without_room(
    file: ScanFile, settings: Settings, progress: Progress = silent
) -> tuple[Expansion, RoomReport]:
    """The expansion of the device, without the room as far as the scan allows, and what was done for that."""
    plan = prepare(hearing(file, settings), settings, in_threads)
    return fitted(hearing(file, settings, plan), plan, progress)


def fitted(
    heard: Heard, plan: Prepared, progress: Progress = silent, each: Each = in_threads
) -> tuple[Expansion, RoomReport]:
    """The expansion and its room as planned, in as few blocks of frequencies as memory allows, from the lowest up."""
    done, end, total = 0, 0, len(plan.frequency_hz)
    parts = []
    progress("frequencies fitted", 0, total)

    def count(more: int) -> None:
        nonlocal done
        if done < end and more > 0:
            done = min(done + more, end)
            progress("frequencies fitted", done, total)

    for block in blocks(0, total, heard.file.points):
        end = block.stop
        parts.append(fit_part(heard, plan, block, each, count))
        count(end - done)
    return join([part for part, _ in parts]), join_reports([report for _, report in parts])


def fit_part(
    heard: Heard, plan: Prepared, which: slice, each: Each, progress: Callable[[int], None] | None = None
) -> tuple[Expansion, RoomReport]:
    """Some of the plan's frequencies fitted, without the room; ``progress`` is told how many more are done."""
    return fit_in_room(heard, plan.room, plan.frequency_hz[which], each, progress)


def blocks(start: int, stop: int, across: int) -> Iterator[slice]:
    """Near-equal slices of start..stop; ``across`` complex values for each entry fit ``BLOCK_BYTES``."""
    most = max(1, BLOCK_BYTES // (np.dtype(np.complex128).itemsize * max(1, across)))
    count = max(1, -(-(stop - start) // most))
    edges = np.linspace(start, stop, count + 1).round().astype(int)
    return (slice(int(a), int(b)) for a, b in pairwise(edges))


def write(
    staging: Path,
    result: Result,
    summary: Summary,
    derived: Curves,
    extras: Extras,
    figures: FigureSettings | None,
) -> None:
    """Everything that a conversion yields, into an empty directory."""
    write_result(staging / "result.h5", result)
    for name, directions in result.directions.items():
        write_direction_tables(staging / "directions" / name, directions)
    write_curves(staging / "directions" / "curves.csv", derived)
    write_json(staging / "directions" / "provenance.json", result.provenance)
    if result.distortion is not None:
        write_rows(staging / DISTORTION, HEADER, distortion_rows(result.distortion))
    write_json(staging / "summary.json", summary.as_json())
    write_page(staging, result, summary, derived, extras)
    if figures is not None:
        write_figures(staging / "figures", result, summary, derived, extras, figures)
    write_hashes(staging)


def may_replace(directory: Path, source: Path, settings: Settings, force: bool = False) -> None:
    """Raises OutputError unless ``directory`` is new, empty, or an earlier result that nobody changed or reads."""
    check_directory(directory, RESULT, reads=[source, *read_for(settings.reference)], force=force)
