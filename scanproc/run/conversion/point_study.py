"""The study of the number of points as the settings want it, on the sound as it is fitted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.files.stored.scan_file import ScanFile
from scanproc.records.answers.study import Study
from scanproc.records.fitted.fit_plan import FitPlan
from scanproc.records.measured.scan import Scan
from scanproc.run.conversion.fitting import in_parts, in_threads
from scanproc.run.conversion.heard import Heard
from scanproc.run.conversion.preparation import Prepared, hearing, prepare
from scanproc.run.conversion.room import as_fitted, fit_in_room
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.steps.each import Each, in_turn
from scanproc.steps.field.residuals import band_middles
from scanproc.steps.points.study import StudyChoices, study

CUT_OFF = "points do not bring back what the gate cuts off: a longer gate or a second layer does"


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
    found = study(
        in_bands(heard, plan),
        target_db=settings.fit.target_db if target_db is None else target_db,
        seconds_per_point=wanted.seconds_per_point,
        choices=StudyChoices(wanted.sizes, wanted.draws, wanted.smallest_share),
        progress=lambda done, total: progress("bands studied", done, total),
        each=each,
    )
    return _as_joined(heard, plan, found)


def _as_joined(heard: Heard, plan: Prepared, found: Study) -> Study:
    """The study where whole and gated sound are joined: no number of points brings back what the gate cuts off."""
    few = plan.frequency_hz[band_middles(plan.frequency_hz)]
    start, end = plan.room.shared_hz
    joined = np.flatnonzero((few >= start) & (few < end))
    if not len(joined):
        return found
    return with_cut_off(
        found, joined, fit_in_room(heard, plan.room, few[joined], in_turn)[0].far_field_error_db
    )


def with_cut_off(found: Study, joined: Integer, error_db: Real) -> Study:
    """The study with the errors (J,) of the join at its bands ``joined`` (J,): what they exceed its own by stays,
    however many points there are."""
    told, curve = 10 ** (found.predicted_db / 10), 10 ** (found.curve_db / 10)
    more = np.zeros(len(found.band_hz))
    more[joined] = np.maximum(10 ** (error_db / 10) - told[-1, joined], 0.0)
    reached = 10 * np.log10(told + more)
    target = 10 ** (found.target_db / 10)
    beyond = (more > target) | ((told[-1] <= target) & (told[-1] + more > target))
    return replace(
        found,
        predicted_db=reached,
        curve_size=np.where(beyond, np.nan, found.curve_size),
        curve_db=np.where(beyond, np.nan, 10 * np.log10(curve + more)),
        limit=tuple("" if lost else cause for lost, cause in zip(beyond, found.limit, strict=True)),
        left_db=np.where(beyond, np.nan, found.left_db),
        needed=np.where(beyond, np.nan, found.needed),
        needed_low=np.where(beyond, np.nan, found.needed_low),
        needed_high=np.where(beyond, np.nan, found.needed_high),
        reason=tuple(CUT_OFF if lost else why for lost, why in zip(beyond, found.reason, strict=True)),
    )


def in_bands(heard: Heard, plan: Prepared) -> list[tuple[Scan, FitPlan]]:
    """One frequency of each third-octave band as it is fitted, with the plan: whole, then gated."""
    few = plan.frequency_hz[band_middles(plan.frequency_hz)]
    start, _ = plan.room.shared_hz
    sides = (few[few < start], few[few >= start])
    return [as_fitted(heard, plan.room, side) for side in sides if len(side)]


def studied(
    file: ScanFile,
    settings: Settings,
    progress: Progress = silent,
    *,
    target_db: float | None = None,
    each: Each = in_threads,
) -> Study:
    """The study of a scan file that is not converted. Raises ScanDataError and SettingsError."""
    heard, plan = prepared(file, settings, progress, each)
    return study_of(heard, settings, plan, in_parts(each, progress, "study"), target_db=target_db)


def prepared(
    file: ScanFile, settings: Settings, progress: Progress = silent, each: Each = in_threads
) -> tuple[Heard, Prepared]:
    """The sound of a scan file and the plan of its fit. Raises ScanDataError."""
    plan = prepare(hearing(file, settings), settings, in_parts(each, progress, "plan"))
    return hearing(file, settings, plan), plan
