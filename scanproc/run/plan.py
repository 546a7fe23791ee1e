"""The recipe of ``scanproc plan``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.files.replacing import check_file
from scanproc.files.stored.positions_file import is_positions, write_positions
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import is_scan, open_scan
from scanproc.records.answers.next_pass import NextPass
from scanproc.records.answers.scan_plan import ScanPlan
from scanproc.report.words.next_pass import next_pass_json, next_pass_lines
from scanproc.report.words.scan_plan import plan_json, plan_lines
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.check import handle
from scanproc.run.conversion.point_study import in_bands, prepared
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.conversion import Settings
from scanproc.steps.planning.earlier import Earlier, earlier_scan
from scanproc.steps.planning.next_pass import PassChoices, Standing, next_pass, standing_of
from scanproc.steps.planning.scan_plan import PlanChoices, pace_of, plan_scan
from scanproc.steps.points.bands import Band, explained
from scanproc.steps.points.study import SECONDS_PER_POINT, pace_s


@one_blas_thread
def plan(
    choices: Mapping[str, Any],
    output: Path | None = None,
    progress: Progress = silent,
    *,
    like: Path | None = None,
    force: bool = False,
) -> tuple[ScanPlan, dict[str, Any], list[str]]:
    """The plan, as a document and as lines; writes its positions.

    ``like``: result.h5, or the directory that holds it, of a like device. Raises SettingsError, ResultFileError or
    OutputError.
    """
    if output is not None:
        check_file(output, "positions file", is_positions, force=force)
    found = plan_scan(
        PlanChoices(**choices),
        lambda done, total: progress("bands worked out", done, total),
        None if like is None else _earlier(like),
    )
    return found, *_written(output, found, plan_json(found), plan_lines(found))


@one_blas_thread
def next_points(
    path: Path,
    choices: Mapping[str, Any],
    output: Path | None = None,
    progress: Progress = silent,
    *,
    force: bool = False,
) -> tuple[NextPass, dict[str, Any], list[str]]:
    """The next pass of a scan file, or of the scan behind a result (result.h5, or the directory that holds it); writes
    its positions. ``choices`` as :class:`PassChoices`. Raises SettingsError, ScanFileError, ScanDataError,
    ResultFileError or OutputError.
    """
    if output is not None:
        check_file(output, "positions file", is_positions, force=force)
    wanted = PassChoices(**choices)
    if path.is_file() and is_scan(path):
        found = _after_hearing(path, wanted, progress)
    else:
        progress("passes placed", 0, 1)
        earlier = _earlier(path)
        found = next_pass(standing_of(earlier, wanted.up_to_hz), earlier.layer, wanted, pace_of(earlier))
        progress("passes placed", 1, 1)
    return found, *_written(output, found, next_pass_json(found), next_pass_lines(found))


def _after_hearing(path: Path, wanted: PassChoices, progress: Progress) -> NextPass:
    """The next pass of a scan that is not converted."""
    settings = Settings()
    with open_scan(path) as file:
        handle(file, settings.check)
        heard, plan = prepared(file, settings, progress)
        bands = [
            Band(scan, fit, int(i))
            for scan, fit in in_bands(heard, plan)
            for i in np.flatnonzero(scan.frequency_hz <= wanted.up_to_hz * 1.12)
        ]
        told = explained(bands)
    standing = [
        Standing(float(band.scan.frequency_hz[band.index]), one.error_db, formula, one.reason)
        for band, (one, formula) in zip(bands, told, strict=True)
    ]
    setup = bands[0].scan.setup
    progress("passes placed", 0, 1)
    found = next_pass(standing, setup.layer, wanted, pace_s(setup) or SECONDS_PER_POINT)
    progress("passes placed", 1, 1)
    return found


def _written(
    output: Path | None, found: ScanPlan | NextPass, document: dict[str, Any], lines: list[str]
) -> tuple[dict[str, Any], list[str]]:
    """Document and lines with what was written, if anything was to be."""
    if output is None:
        return document, lines
    write_positions(output, found.positions)
    where = f"Positions are in {output}: {found.total:,} points in the order of travel"
    return {**document, "output": str(output)}, [*lines, where]


def _earlier(like: Path) -> Earlier:
    return earlier_scan(read_result(like / "result.h5" if like.is_dir() else like))
