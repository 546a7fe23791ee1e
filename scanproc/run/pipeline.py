"""One scan to all its results: the recipe of ``scanproc convert``."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path

import numpy as np
import scipy.linalg  # noqa: F401  its BLAS must be loaded before it is limited
from threadpoolctl import threadpool_limits

from scanproc.conventions import Complex, Real
from scanproc.errors import OutputError, ScanDataError
from scanproc.files.atomic import whole_directory
from scanproc.files.curve_table import write_curves
from scanproc.files.hashing import file_hash, write_hashes
from scanproc.files.json_file import write_json
from scanproc.files.result_file import write_result
from scanproc.files.scan_file import ScanFile, open_scan
from scanproc.files.tables import write_sweep_tables
from scanproc.records.curves import Curves
from scanproc.records.expansion import Expansion, join
from scanproc.records.result import Result
from scanproc.records.room import RoomReport, join_reports
from scanproc.records.scan import ImpulseScan, Scan
from scanproc.records.study import Study
from scanproc.report.points import points_answer
from scanproc.report.summary import Summary, summarise
from scanproc.run.check import Handled, handle
from scanproc.run.datasheet import all_curves, datasheet
from scanproc.run.heard import Heard
from scanproc.run.page import Extras, residuals, write_figures, write_page
from scanproc.run.point_study import studied
from scanproc.run.progress import Progress, silent
from scanproc.run.room import RoomPlan, fit_in_room, plan_room, ways_of
from scanproc.run.settings import FigureSettings, FrequencySettings, Settings
from scanproc.steps.check_points import GainDelayDrift
from scanproc.steps.extrapolate import orbits
from scanproc.steps.spectra import spectra, usual_frequencies
from scanproc.version import RESULTS_VERSION, VERSION

BLOCK_BYTES = 128 * 2**20
"""Pressures fitted at once. A block shares one factorisation, so it is as large as memory allows."""


def convert(
    scan_path: Path | str,
    output: Path | str,
    settings: Settings | None = None,
    progress: Progress = silent,
    *,
    force: bool = False,
    figures: bool = False,
) -> Summary:
    """Converts a scan file into a directory of results, which appears whole or not at all.

    The directory holds result.h5, summary.json, sweeps/, report.html and, if wanted, figures/. Raises
    ScanFileError, ScanDataError or OutputError.
    """
    settings = settings or Settings()
    source, directory = Path(scan_path), Path(output)
    may_replace(directory, directory / "summary.json", force)
    with open_scan(source) as file, threadpool_limits(limits=1, user_api="blas"):
        try:
            checked = handle(file, settings.check)
            expansion, room = without_room(file, settings, progress)
        except ScanDataError as error:
            raise error if error.path else error.at(source) from None
        study = study_of(file, settings, progress) if settings.points.in_convert else None
        aside = asides(file, expansion, room, checked, study)
    return finish(expansion, aside, source, directory, settings, force=force, figures=figures)


@dataclass(frozen=True, eq=False)
class Asides:
    """What the results say beside the expansion."""

    device: str
    room: RoomReport
    warnings: tuple[str, ...]
    dropped: int
    extras: Extras


def asides(
    file: ScanFile, expansion: Expansion, room: RoomReport, checked: Handled, study: Study | None
) -> Asides:
    """What an open and checked scan file, its expansion, its room and the study of its points have to say."""
    extras = Extras(residuals(file, expansion), file.setup.notes, study, checked.report)
    warnings = (*notices(file), *checked.warnings, *room_warnings(file, room))
    return Asides(file.setup.device, room, warnings, checked.dropped, extras)


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
    curves, study = orbits(expansion, settings.sweeps.step_deg), aside.extras.study
    derived = all_curves(expansion, settings.curves)
    provenance = {
        "scanproc_version": VERSION,
        "results_version": RESULTS_VERSION,
        "device": aside.device,
        "scan": source.name,
        "scan_sha256": file_hash(source),
        "settings": settings.model_dump(),
    }
    result = Result(expansion, {curves.name: curves}, provenance, aside.room)
    summary = summarise(
        result,
        aside.device,
        settings.fit.target_db,
        settings.who_set("fit", "target_db"),
        aside.warnings,
        aside.dropped,
        written_at=datetime.now(UTC).isoformat(timespec="seconds"),
        headline=datasheet(derived, settings.curves),
        points_study=points_answer(study, settings.who_set("fit", "target_db")) if study else None,
    )
    write(result, summary, directory, force, derived, aside.extras, settings.figures if figures else None)
    return summary


def notices(file: ScanFile) -> list[str]:
    """What the reader of the results must know about the scan."""
    found = list(file.warnings)
    if file.appending:
        found.append(f"the scan was still being written, these are its first {file.points} points")
    return found


def room_warnings(file: ScanFile, room: RoomReport) -> list[str]:
    """Where the room's sound remains in the results."""
    if room.method == "none" and file.kind == "impulse responses":
        return ["the impulse responses were used whole, so what the room reflects is in the results"]
    return list(room.warnings)


def study_of(file: ScanFile, settings: Settings, progress: Progress) -> Study:
    """How many points would have been enough, from a study shorter than that of ``scanproc points``."""
    _, scans = spectra_in_blocks(file, settings.frequencies)
    return studied(scans, settings, progress, short=True)


def without_room(
    file: ScanFile, settings: Settings, progress: Progress = silent
) -> tuple[Expansion, RoomReport]:
    """The expansion of the device, without the room as far as the scan allows, and what was done for that."""
    parts = list(fitted(file, settings, progress))
    return join([part for part, _ in parts]), join_reports([report for _, report in parts])


def fitted(file: ScanFile, settings: Settings, progress: Progress) -> Iterator[tuple[Expansion, RoomReport]]:
    """The expansion in as few blocks of frequencies as memory allows, from the lowest up.

    gate -> fit the high band; separate the low band; blend: see :mod:`scanproc.run.room`.
    """
    frequency = wanted_frequencies(file, settings.frequencies)
    done, end, total = 0, 0, len(frequency)

    def count(more: int) -> None:
        nonlocal done
        if done < end and more > 0:
            done = min(done + more, end)
            progress("frequencies fitted", done, total)

    progress("frequencies fitted", 0, total)
    heard = hearing(file, settings)
    plan = prepare(heard, settings)
    for block in blocks(0, total, file.points):
        end = block.stop
        yield fit_part(heard, settings, plan, block, count)
        count(end - done)


@dataclass(frozen=True, eq=False)
class Prepared:
    """What is decided about a scan as a whole; small, and the same for whatever part of it is fitted next."""

    frequency_hz: Real
    room: RoomPlan
    drift: GainDelayDrift | None


def hearing(file: ScanFile, settings: Settings, plan: Prepared | None = None) -> Heard:
    """The sound of a scan file; with a plan, what the plan knows of drift is taken out."""
    heard = Heard(file, None if isinstance(settings.fit.centre_m, str) else settings.fit.centre_m)
    heard.drift = plan.drift if plan else None
    return heard


def prepare(heard: Heard, settings: Settings) -> Prepared:
    """The decisions about a scan. Raises ScanDataError where the settings ask for what it does not allow."""
    frequency = wanted_frequencies(heard.file, settings.frequencies)
    room = plan_room(heard, settings.room, frequency, ways_of(settings))
    return Prepared(frequency, room, heard.drift)


def fit_part(
    heard: Heard,
    settings: Settings,
    plan: Prepared,
    which: slice,
    progress: Callable[[int], None] | None = None,
) -> tuple[Expansion, RoomReport]:
    """Some of the plan's frequencies fitted, without the room; ``progress`` is told how many more are done."""
    return fit_in_room(heard, plan.room, plan.frequency_hz[which], ways_of(settings, progress))


def spectra_in_blocks(file: ScanFile, band: FrequencySettings) -> tuple[int, Iterator[Scan]]:
    """How many frequencies of a scan file are wanted, and their spectra block by block."""
    if file.kind == "impulse responses":
        scan = transformed(file, band)
        total = len(scan.frequency_hz)
        return total, (scan.take_frequencies(block) for block in blocks(0, total, file.points))
    start, stop = wanted_columns(file, band)
    return stop - start, (file.read_frequencies(block) for block in blocks(start, stop, file.points))


def transformed(file: ScanFile, band: FrequencySettings) -> Scan:
    """Spectra of a file of impulse responses, read by blocks of points."""
    frequency = wanted_frequencies(file, band)
    pressure: list[Complex] = []
    for block in blocks(0, file.points, file.samples):
        responses = file.read_points(block)
        assert isinstance(responses, ImpulseScan)
        pressure.append(spectra(responses, frequency).pressure_pa)
    return Scan(file.setup, frequency, np.concatenate(pressure))


def wanted_frequencies(file: ScanFile, band: FrequencySettings) -> Real:
    """The frequencies of the results (F,), Hz. Raises ScanDataError when none is left."""
    if file.kind == "impulse responses":
        rate, per_octave = file.sampling_rate_hz, band.per_octave
        return usual_frequencies(file.samples, rate, per_octave, band.lowest_hz, band.highest_hz)
    return file.frequency_hz[slice(*wanted_columns(file, band))]


def wanted_columns(file: ScanFile, band: FrequencySettings) -> tuple[int, int]:
    """First and one beyond the last frequency in the band. Raises ScanDataError when none is."""
    have = file.frequency_hz
    lowest, highest = band.lowest_hz or 0.0, band.highest_hz or np.inf
    start, stop = int(np.searchsorted(have, lowest)), int(np.searchsorted(have, highest, side="right"))
    if start >= stop:
        raise ScanDataError(
            f"no frequency lies between {lowest:g} and {highest:g} Hz, the scan has "
            f"{have[0]:g} to {have[-1]:g} Hz: widen [frequencies] in the settings"
        )
    return start, stop


def blocks(start: int, stop: int, across: int) -> Iterator[slice]:
    """Near-equal slices of start..stop; ``across`` complex values for each entry fit ``BLOCK_BYTES``."""
    most = max(1, BLOCK_BYTES // (np.dtype(np.complex128).itemsize * max(1, across)))
    count = max(1, -(-(stop - start) // most))
    edges = np.linspace(start, stop, count + 1).round().astype(int)
    return (slice(int(a), int(b)) for a, b in pairwise(edges))


def write(
    result: Result,
    summary: Summary,
    directory: Path,
    force: bool,
    derived: Curves,
    extras: Extras,
    figures: FigureSettings | None,
) -> None:
    """Everything that a conversion yields, as a whole directory."""
    names = [entry.name for entry in directory.iterdir()] if force and directory.is_dir() else None
    with whole_directory(directory, replace=True, names=names) as staging:
        write_result(staging / "result.h5", result)
        for name, sweeps in result.sweeps.items():
            write_sweep_tables(staging / "sweeps" / name, sweeps)
        write_curves(staging / "sweeps" / "curves.csv", derived)
        write_json(staging / "summary.json", summary.as_json())
        write_page(staging, result, summary, derived, extras)
        if figures is not None:
            write_figures(staging / "figures", result, summary, derived, extras, figures)
        write_hashes(staging)


def may_replace(directory: Path, mark: Path, force: bool) -> None:
    """Raises OutputError unless ``directory`` is new, empty, or an earlier result, known by its ``mark``."""
    if not directory.exists():
        return
    if not directory.is_dir():
        raise OutputError(
            "the output must be a directory, this is a file: choose another name", path=directory
        )
    if force or mark.is_file() or not any(directory.iterdir()):
        return
    raise OutputError(
        "the output directory holds other things than an earlier result: "
        "choose another, or replace it with --force",
        path=directory,
    )
