"""The recipe of ``scanproc plan``."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from scanproc.errors import OutputError
from scanproc.files.stored.positions_file import write_positions
from scanproc.records.scan_plan import ScanPlan
from scanproc.report.words.scan_plan import plan_json, plan_lines
from scanproc.steps.planning.scan_plan import PlanChoices, plan_scan


def plan(
    choices: Mapping[str, Any], output: Path | None = None, *, force: bool = False
) -> tuple[ScanPlan, dict[str, Any], list[str]]:
    """The plan, as a document and as lines; writes its positions. Raises SettingsError or OutputError."""
    if output is not None and output.exists() and not force:
        raise OutputError(
            "the positions file is there already: choose another name, or replace it with --force",
            path=output,
        )
    found = plan_scan(PlanChoices(**choices))
    if output is not None:
        write_positions(output, found.positions)
    return found, plan_json(found), plan_lines(found)
