"""Target curves from text: the columns ``frequency_hz`` and ``level_db``."""

from __future__ import annotations

from pathlib import Path

from scanproc.conventions import Real
from scanproc.errors import InputError, ScanDataError
from scanproc.files.incoming.text_table import read_table
from scanproc.records.checked import increasing

COLUMNS = ("frequency_hz", "level_db")


def read_target(path: Path | str) -> tuple[Real, Real]:
    """Rising frequencies (K,) and levels in dB (K,). Raises InputError that names the file."""
    table = read_table(Path(path))
    if not set(COLUMNS) <= set(table.header):
        raise InputError(
            f"needs the columns {' and '.join(COLUMNS)}, got {', '.join(table.header)[:60]}", path=path
        )
    frequency, level = (table.numbers(name) for name in COLUMNS)
    try:
        increasing("frequency_hz", frequency)
    except ScanDataError as error:
        raise InputError(error.message, path=path) from error
    if len(frequency) < 2 or frequency[0] <= 0:
        raise InputError("needs at least two frequencies above 0: add rows", path=path)
    return frequency, level
