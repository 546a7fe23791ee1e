"""The recipe of ``scanproc plan``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from scanproc.files.replacing import check_file
from scanproc.files.stored.positions_file import is_positions, write_positions
from scanproc.files.stored.result_file import read_result
from scanproc.records.answers.scan_plan import ScanPlan
from scanproc.report.words.scan_plan import plan_json, plan_lines
from scanproc.run.blas import one_blas_thread
from scanproc.run.progress import Progress, silent
from scanproc.steps.planning.earlier import Earlier, earlier_scan
from scanproc.steps.planning.scan_plan import PlanChoices, plan_scan


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
    if output is not None:
        write_positions(output, found.positions)
    return found, plan_json(found), plan_lines(found)


def _earlier(like: Path) -> Earlier:
    return earlier_scan(read_result(like / "result.h5" if like.is_dir() else like))
