"""The recipe of ``scanproc plan``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from scanproc.files.replacing import check_file
from scanproc.files.stored.positions_file import is_positions, write_positions
from scanproc.records.scan_plan import ScanPlan
from scanproc.report.words.scan_plan import plan_json, plan_lines
from scanproc.run.progress import Progress, silent
from scanproc.steps.planning.scan_plan import PlanChoices, plan_scan


def plan(
    choices: Mapping[str, Any],
    output: Path | None = None,
    progress: Progress = silent,
    *,
    force: bool = False,
) -> tuple[ScanPlan, dict[str, Any], list[str]]:
    """The plan, as a document and as lines; writes its positions. Raises SettingsError or OutputError."""
    if output is not None:
        check_file(output, "positions file", is_positions, force=force)
    found = plan_scan(PlanChoices(**choices), lambda done, total: progress("bands worked out", done, total))
    if output is not None:
        write_positions(output, found.positions)
    return found, plan_json(found), plan_lines(found)
