"""The study of the number of points as the settings want it, on the sound that is fitted: without the room."""

from __future__ import annotations

from scanproc.files.stored.scan_file import ScanFile
from scanproc.records.study import Study
from scanproc.run.conversion.fitting import fixed_centre, in_threads
from scanproc.run.conversion.heard import Heard
from scanproc.run.conversion.preparation import Prepared, hearing, prepare
from scanproc.run.conversion.room import as_fitted, ways_of
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.steps.points.study import StudyChoices, band_frequencies, study

SHORT_SIZES = 5
SHORT_HOPELESS_DB = 1.0
"""The number needed lies above a size that misses by more, so that fewer points need no plan of their own."""


def study_of(
    heard: Heard,
    settings: Settings,
    plan: Prepared,
    progress: Progress = silent,
    *,
    target_db: float | None = None,
    short: bool = False,
) -> Study:
    """The study of a scan by the plan of its conversion, with the settings' fit and frequencies.

    A ``short`` one has fewer sizes, one subset of each and one frequency in each band, and makes no plans for sizes
    below one that misses the target clearly. Raises ScanDataError when the points are too few.
    """
    wanted = settings.points
    choices = StudyChoices(wanted.sizes, wanted.draws, wanted.smallest_share)
    if short:
        sizes = min(SHORT_SIZES, wanted.sizes)
        choices = StudyChoices(sizes, 1, wanted.smallest_share, 1, hopeless_db=SHORT_HOPELESS_DB)
    few = plan.frequency_hz[band_frequencies(plan.frequency_hz, choices.per_band)]
    scan, fit_plan = as_fitted(heard, plan.room, few, ways_of(settings))
    return study(
        scan,
        target_db=settings.fit.target_db if target_db is None else target_db,
        centre_m=fixed_centre(settings.fit),
        max_order=settings.fit.max_order,
        estimator=settings.fit.estimator if settings.fit.order == "auto" else "truncated",
        driver_m=settings.fit.driver_m,
        plan=fit_plan,
        each=in_threads,
        seconds_per_point=wanted.seconds_per_point,
        choices=choices,
        progress=lambda done, total: progress("subsets of points fitted", done, total),
    )


def studied(
    file: ScanFile,
    settings: Settings,
    progress: Progress = silent,
    *,
    target_db: float | None = None,
    short: bool = False,
) -> Study:
    """The study of a scan file that is not converted. Raises ScanDataError and SettingsError."""
    heard = hearing(file, settings)
    return study_of(heard, settings, prepare(heard, settings), progress, target_db=target_db, short=short)
