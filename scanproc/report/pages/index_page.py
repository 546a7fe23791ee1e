"""The page over many scans: a sortable table with a small curve each, failures with their reasons."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from scanproc.report.pages.scan_page import render, standing
from scanproc.report.words import sentences
from scanproc.version import VERSION

WIDTH, HEIGHT = 150.0, 36.0
LOWEST_DB = -60.0


@dataclass(frozen=True)
class Entry:
    """One scan: its ``summary`` (what summary.json holds) and a relative ``link`` to its page, or ``error``, why
    there is none."""

    name: str
    state: str
    summary: Mapping[str, Any] | None = None
    link: str = ""
    error: str = ""


@dataclass(frozen=True)
class _Row:
    name: str
    link: str
    state: str
    sign: str
    failed: bool
    device: str = ""
    points: str = ""
    met_hz: float = 0.0
    met: str = ""
    worst: str = ""
    warnings: str = ""
    curve: str = ""
    target_y: str = ""
    reason: str = ""


def index_page(entries: Sequence[Entry], title: str) -> str:
    """The page as HTML: failures first, otherwise in the given order, until somebody sorts them."""
    rows = sorted((_row(entry) for entry in entries), key=lambda row: not row.failed)
    failed = sum(row.failed for row in rows)
    scans, failures = sentences.count(len(rows), "scan").capitalize(), sentences.count(failed, "failure")
    return render(
        "index.html", title=title, rows=rows, scans=scans, failed=failed, failures=failures, version=VERSION
    )


def _row(entry: Entry) -> _Row:
    summary = entry.summary
    if summary is None:
        return _Row(entry.name, entry.link, entry.state, "✕", True, reason=entry.error)
    how = standing(summary)
    worst = max(
        (b["far_field_error_db"] for b in summary["bands"] if b["far_field_error_db"] is not None),
        default=None,
    )
    up_to = summary["met_up_to_hz"]
    return _Row(
        name=entry.name,
        link=entry.link,
        state=f"{entry.state}: {how.word[0].lower()}{how.word[1:]}",
        sign=how.sign,
        failed=False,
        device=str(summary["device"]),
        points=f"{summary['points']:,}",
        met_hz=up_to or 0.0,
        met=sentences.frequency(up_to) if up_to else "nowhere",
        worst="–" if worst is None else f"{worst:.1f}",
        warnings=str(len(summary["warnings"])),
        curve=_curve(summary["bands"]),
        target_y=f"{_y(summary['target_db']):.0f}",
        reason=entry.error,
    )


def _curve(bands: Sequence[Mapping[str, Any]]) -> str:
    """Points of a polyline: predicted far-field error by band."""
    step = WIDTH / max(1, len(bands) - 1)
    known = [
        (i, band["far_field_error_db"])
        for i, band in enumerate(bands)
        if band["far_field_error_db"] is not None
    ]
    return " ".join(f"{i * step:.0f},{_y(error):.0f}" for i, error in known)


def _y(error_db: float) -> float:
    return 1 + (HEIGHT - 2) * min(1.0, max(0.0, error_db / LOWEST_DB))
