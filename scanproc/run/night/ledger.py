"""The batch's ledger: one JSON document per line, only ever appended to, each line on the disk at once."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from scanproc.files.atomic import output_errors

Entry = dict[str, Any]


@dataclass
class Ledger:
    """``last`` holds the last entry of each scan, by the path of its file; ``torn`` counts unreadable lines."""

    path: Path
    last: dict[str, Entry] = field(default_factory=dict)
    torn: int = 0

    def __post_init__(self) -> None:
        for entry in self._entries():
            self.last[entry["scan"]] = entry

    def note(self, state: str, scan: Path | str, **facts: Any) -> None:
        """Appends what happened to a scan. Raises OutputError."""
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        entry: Entry = {"time": now, "state": state, "scan": str(scan), **facts}
        with output_errors(self.path):
            self._append(json.dumps(entry, ensure_ascii=False) + "\n")
        self.last[entry["scan"]] = entry

    def _append(self, line: str) -> None:
        descriptor = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o666)
        try:
            if _ends_torn(descriptor):
                line = "\n" + line
            rest = memoryview(line.encode("utf-8", "backslashreplace"))
            while rest:
                rest = rest[os.write(descriptor, rest) :]
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def _entries(self) -> Iterator[Entry]:
        if not self.path.exists():
            return
        with output_errors(self.path):
            lines = self.path.read_bytes().splitlines()
        for line in filter(None, lines):
            try:
                entry = json.loads(line)
                known = isinstance(entry["scan"], str) and isinstance(entry["state"], str)
            except (ValueError, LookupError, TypeError, RecursionError):
                known = False
            if known:
                yield entry
            else:
                self.torn += 1


def _ends_torn(descriptor: int) -> bool:
    """Whether a kill cut the last line short."""
    size = os.fstat(descriptor).st_size
    return size > 0 and os.pread(descriptor, 1, size - 1) != b"\n"
