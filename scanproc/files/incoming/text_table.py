"""Tables as text: a header and rows between commas, semicolons or tabs; decimal commas where commas part nothing."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import InputError

MOST_ROWS = 2_000_000
DELIMITERS = "\t;,"
BRACKETS = str.maketrans({"[": "_", "]": "_", "(": "_", ")": "_", " ": "_", "°": ""})


@dataclass(frozen=True)
class TextTable:
    """``header`` in small letters and underscores, ``rows`` of as many entries, and the ``line`` of the file on which
    each stands."""

    path: Path
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    line: tuple[int, ...]
    decimal_comma: bool = False

    def texts(self, name: str) -> tuple[str, ...]:
        """A column as it stands."""
        index = self.header.index(name)
        return tuple(row[index] for row in self.rows)

    def numbers(self, name: str) -> Real:
        """A column of finite numbers (rows,). Raises InputError that names the line."""
        values = np.empty(len(self.rows))
        for row, (entry, line) in enumerate(zip(self.texts(name), self.line, strict=True)):
            values[row] = _number(entry.replace(",", ".") if self.decimal_comma else entry)
            if not np.isfinite(values[row]):
                raise InputError(
                    f"line {line}, column {name} must be a finite number, got {entry[:40]!r}: correct it",
                    path=self.path,
                )
        return values

    def whole_numbers(self, name: str) -> Real:
        """A column of whole numbers that fit into 30 bits (rows,). Raises InputError."""
        values = self.numbers(name)
        if np.any(values != np.round(values)) or np.any(np.abs(values) > 1e9):
            raise InputError(f"column {name} must hold whole numbers: count 0, 1, ...", path=self.path)
        return values


def read_table(path: Path) -> TextTable:
    """A table with rows of equal length; empty lines and those that begin with # do not count. Raises InputError."""
    rows: list[tuple[str, ...]] = []
    lines: list[int] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            text = list(file)
        delimiter = _delimiter(text)
        reader = csv.reader(("" if line.startswith("#") else line for line in text), delimiter=delimiter)
        for row in reader:
            if any(row):
                rows.append(tuple(entry.strip() for entry in row))
                lines.append(reader.line_num)
            if len(rows) > MOST_ROWS:
                raise InputError(f"has more than {MOST_ROWS} rows: split it", path=path)
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"is not a text table: {error}; export it as CSV in UTF-8", path=path) from error
    if len(rows) < 2:
        raise InputError("needs a header and at least one row: export it again", path=path)
    header = tuple(plain_name(name) for name in rows[0])
    _refuse_uneven(path, header, rows[1:], lines[1:])
    return TextTable(path, header, tuple(rows[1:]), tuple(lines[1:]), delimiter != ",")


def plain_name(name: str) -> str:
    """A name of a column in small letters, its unit behind an underscore: "X [mm]" is "x_mm"."""
    return "_".join(part for part in name.strip().lower().translate(BRACKETS).split("_") if part)


def _delimiter(lines: Iterable[str]) -> str:
    """That of the delimiters which parts the header."""
    header = next((line for line in lines if line.strip() and not line.startswith("#")), "")
    return max(DELIMITERS, key=header.count)


def _refuse_uneven(
    path: Path, header: tuple[str, ...], rows: list[tuple[str, ...]], lines: list[int]
) -> None:
    twice = [name for name in header if header.count(name) > 1]
    if twice:
        raise InputError(f"has the column {twice[0]!r} twice: keep one of them", path=path)
    for row, line in zip(rows, lines, strict=True):
        if len(row) != len(header):
            raise InputError(
                f"line {line} must have {len(header)} entries, got {len(row)}: correct that line", path=path
            )


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
