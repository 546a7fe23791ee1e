"""The study of the number of points as the settings want it, on the sound as it is fitted."""

from __future__ import annotations

from scanproc.files.stored.scan_file import ScanFile
from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan
from scanproc.records.study import Study
from scanproc.run.conversion.fitting import in_parts, in_threads
from scanproc.run.conversion.heard import Heard
from scanproc.run.conversion.preparation import Prepared, hearing, prepare
from scanproc.run.conversion.room import as_fitted
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.steps.each import Each
from scanproc.steps.field.residuals import band_middles
from scanproc.steps.points.study import StudyChoices, study


def study_of(
    heard: Heard,
    settings: Settings,
    plan: Prepared,
    each: Each,
    progress: Progress = silent,
    *,
    target_db: float | None = None,
) -> Study:
    """The study of a scan by the plan of its conversion. Raises ScanDataError when the points are too few."""
    wanted = settings.points
    return study(
        in_bands(heard, plan),
        target_db=settings.fit.target_db if target_db is None else target_db,
        seconds_per_point=wanted.seconds_per_point,
        choices=StudyChoices(wanted.sizes, wanted.draws, wanted.smallest_share),
        progress=lambda done, total: progress("bands studied", done, total),
        each=each,
    )


def in_bands(heard: Heard, plan: Prepared) -> list[tuple[Scan, FitPlan]]:
    """One frequency of each third-octave band as it is fitted, with the plan: whole, then gated."""
    few = plan.frequency_hz[band_middles(plan.frequency_hz)]
    start, _ = plan.room.shared_hz
    sides = (few[few < start], few[few >= start])
    return [as_fitted(heard, plan.room, side) for side in sides if len(side)]


def studied(
    file: ScanFile, settings: Settings, progress: Progress = silent, *, target_db: float | None = None
) -> Study:
    """The study of a scan file that is not converted. Raises ScanDataError and SettingsError."""
    heard, plan = prepared(file, settings, progress)
    return study_of(heard, settings, plan, in_parts(in_threads, progress, "study"), target_db=target_db)


def prepared(file: ScanFile, settings: Settings, progress: Progress = silent) -> tuple[Heard, Prepared]:
    """The sound of a scan file and the plan of its fit. Raises ScanDataError."""
    plan = prepare(hearing(file, settings), settings, in_parts(in_threads, progress, "plan"))
    return hearing(file, settings, plan), plan
