"""Tables of published or recomputed truth; README.md in this folder names the origin of each."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).parent


def rows(file: str, table: str) -> list[tuple[Any, ...]]:
    """The rows of one table of ``file`` (without .json), in the order of its columns."""
    tables = json.loads((FOLDER / f"{file}.json").read_text(encoding="utf-8"))["tables"]
    return [tuple(row) for row in tables[table]["rows"]]
