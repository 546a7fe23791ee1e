"""The outcome of a batch: one row per scan and totals, as text, JSON and CSV."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

STATES = ("done", "done before", "failed", "left")


@dataclass(frozen=True)
class Row:
    """One scan; None where it is not known. ``seconds`` is worker time, ``error`` why it failed or was left."""

    name: str
    scan: str
    state: str
    meets_target: bool | None = None
    verdict: str = ""
    points_used: int | None = None
    points_needed: int | None = None
    worst_band_hz: float | None = None
    worst_band_db: float | None = None
    warnings: int | None = None
    seconds: float = 0.0
    error: str = ""


def finished_row(name: str, scan: str, state: str, summary: Mapping[str, Any], seconds: float = 0.0) -> Row:
    """The row of a scan that has results, from its summary.json."""
    judged = [band for band in summary["bands"] if band["far_field_error_db"] is not None]
    worst = max(judged, key=lambda band: band["far_field_error_db"], default=None)
    return Row(
        name=name,
        scan=scan,
        state=state,
        meets_target=all(band["meets_target"] for band in summary["bands"]),
        verdict=summary["verdict"],
        points_used=summary["points"],
        points_needed=_points_needed(summary.get("points_study")),
        worst_band_hz=worst["nominal_hz"] if worst else None,
        worst_band_db=worst["far_field_error_db"] if worst else None,
        warnings=len(summary["warnings"]),
        seconds=seconds,
    )


def _points_needed(study: Mapping[str, Any] | None) -> int | None:
    """Points that every band needs; None where the study cannot tell for one of them."""
    needs = [band["needed"] for band in study["bands"]] if study else []
    return max(needs) if needs and None not in needs else None


def exit_code(rows: Sequence[Row]) -> int:
    """0 all done, 3 all done but some miss their target, 1 some failed or were left."""
    if any(row.state in ("failed", "left") for row in rows):
        return 1
    return 3 if any(row.meets_target is False for row in rows) else 0


def totals(rows: Sequence[Row]) -> dict[str, Any]:
    """Scans by state, how many miss their target, worker time."""
    states = Counter(row.state for row in rows)
    return {
        "scans": len(rows),
        **{state.replace(" ", "_"): states[state] for state in STATES},
        "miss_target": sum(row.meets_target is False for row in rows),
        "worker_seconds": round(sum(row.seconds for row in rows), 3),
    }


def as_json(rows: Sequence[Row]) -> dict[str, Any]:
    """Rows and totals for machines."""
    return {
        "format": "scanproc batch summary",
        "layout_version": 1,
        "totals": totals(rows),
        "scans": [asdict(row) for row in rows],
    }


def as_csv(rows: Sequence[Row]) -> str:
    """A line per scan under a line of column names."""
    text = io.StringIO()
    table = csv.DictWriter(text, [column.name for column in fields(Row)], lineterminator="\n")
    table.writeheader()
    table.writerows(asdict(row) for row in rows)
    return text.getvalue()


def as_lines(rows: Sequence[Row]) -> list[str]:
    """A line per scan and one of totals, for people."""
    width = max((len(row.name) for row in rows), default=0)
    lines = [f"{row.name:{width}}  {row.state:11}  {_words(row)}" for row in rows]
    found = totals(rows)
    counts = [f"{found['scans']} scans", *(f"{found[s.replace(' ', '_')]} {s}" for s in STATES)]
    return [*lines, ", ".join([*counts, f"{found['miss_target']} miss their target"])]


def _words(row: Row) -> str:
    return row.error or row.verdict
