"""The page over a batch: index.html beside the results, made from their summaries."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from scanproc.files.atomic import whole_file
from scanproc.report.words.overview import Row
from scanproc.run.conversion.page import PAGE

INDEX = "index.html"


def write_index(output: Path, rows: Sequence[Row]) -> None:
    """Writes the index, whole or not at all. Raises OutputError."""
    from scanproc.report.pages.index_page import Entry, index_page

    entries = []
    for row in rows:
        summary = None if row.state in ("failed", "left") else _summary(output / row.name)
        link = f"{quote(row.name)}/{PAGE}" if summary is not None else ""
        entries.append(Entry(row.name, row.state, summary, link, row.error))
    with whole_file(output / INDEX) as draft:
        draft.write_text(
            index_page(entries, "Scans"), encoding="utf-8", newline="\n", errors="backslashreplace"
        )


def _summary(directory: Path) -> dict[str, Any] | None:
    """What summary.json of a finished scan holds; None when it has gone meanwhile."""
    try:
        found: dict[str, Any] = json.loads((directory / "summary.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found
