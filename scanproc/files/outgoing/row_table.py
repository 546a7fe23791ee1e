"""A table of rows as CSV: numbers in every digit, ``nan`` where nothing is known, 0 or 1 for yes and no."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from scanproc.files.atomic import whole_file


def write_rows(path: Path, header: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Writes the table in UTF-8, whole or not at all. Raises OutputError."""
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([_entry(value) for value in row] for row in rows)
    with whole_file(path) as draft:
        draft.write_text(page.getvalue(), encoding="utf-8", newline="\n")


def _entry(value: Any) -> str:
    if isinstance(value, str):
        return value
    return str(int(value)) if value in (True, False) and not isinstance(value, float) else repr(value)
