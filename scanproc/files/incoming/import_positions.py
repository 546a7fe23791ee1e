"""Tables of positions: one row per point, Cartesian, cylindrical or spherical, units in the header.

Columns (in any order, others are refused by name): ``x y z`` in ``_m`` or ``_mm``; or ``radius``, ``azimuth_deg``
and ``z`` (cylindrical: radius from the axis); or ``radius``, ``azimuth_deg`` and ``polar_deg`` (from +z) or
``elevation_deg`` (from the horizontal plane). Optional: ``file``, ``time_s``, ``temperature_c``, ``layer``.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import InputError

SCALES = {"_m": 1.0, "_mm": 1e-3}
LENGTHS = ("x", "y", "z", "radius")
ANGLES = ("azimuth_deg", "polar_deg", "elevation_deg")
OTHERS = ("file", "time_s", "temperature_c", "layer")
COLUMNS = (*(name + unit for name in LENGTHS for unit in SCALES), *ANGLES, *OTHERS)
MOST_ROWS = 2_000_000


@dataclass(frozen=True, eq=False)
class PointTable:
    """Positions (points, 3) in metres, and per point what else the table says."""

    position_m: Real
    file: tuple[str, ...] | None = None
    time_s: Real | None = None
    temperature_c: Real | None = None
    layer: Integer | None = None

    def take(self, chosen: Integer) -> PointTable:
        """The chosen points (indices)."""

        def some(values: Any) -> Any:
            return None if values is None else values[chosen]

        files = None if self.file is None else tuple(self.file[index] for index in chosen)
        return PointTable(
            self.position_m[chosen], files, some(self.time_s), some(self.temperature_c), some(self.layer)
        )


def read_positions(path: Path | str) -> PointTable:
    """The positions of a CSV table. Raises InputError that names line and column."""
    place = Path(path)
    header, rows = read_rows(place)
    for name in header:
        if name not in COLUMNS:
            near = get_close_matches(name, COLUMNS, n=1, cutoff=0.4)
            hint = f"did you mean {near[0]!r}?" if near else "known are " + ", ".join(COLUMNS)
            raise InputError(f"has an unknown column {name!r}: {hint}", path=place)
    number = {
        name: column(place, rows, index) for index, name in enumerate(header) if name not in ("file", "layer")
    }
    files = tuple(row[header.index("file")] for row in rows) if "file" in header else None
    layer = None
    if "layer" in header:
        values = column(place, rows, header.index("layer"))
        if np.any(values != np.round(values)) or np.any(np.abs(values) > 1e9):
            raise InputError("column layer must hold whole numbers: number the layers 0, 1, ...", path=place)
        layer = values.astype(np.int64)
    return PointTable(
        _cartesian(place, number), files, number.get("time_s"), number.get("temperature_c"), layer
    )


def read_rows(path: Path) -> tuple[list[str], list[list[str]]]:
    """Header and rows of a CSV table with rows of equal length. Raises InputError."""
    rows: list[list[str]] = []
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            for row in csv.reader(file):
                if row:
                    rows.append([entry.strip() for entry in row])
                if len(rows) > MOST_ROWS:
                    raise InputError(f"has more than {MOST_ROWS} rows: split it", path=path)
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"is not a text table: {error}; export it as CSV in UTF-8", path=path) from error
    if len(rows) < 2:
        raise InputError("needs a header and at least one row: export it again", path=path)
    header, body = rows[0], rows[1:]
    twice = [name for name in header if header.count(name) > 1]
    if twice:
        raise InputError(f"has the column {twice[0]!r} twice: keep one of them", path=path)
    for number, row in enumerate(body, start=2):
        if len(row) != len(header):
            raise InputError(
                f"row {number} must have {len(header)} entries, got {len(row)}: correct that row", path=path
            )
    return header, body


def column(path: Path, rows: Sequence[Sequence[str]], index: int) -> Real:
    """A column of finite numbers. Raises InputError that names the row."""
    values = np.empty(len(rows))
    for number, row in enumerate(rows):
        try:
            values[number] = float(row[index])
        except ValueError:
            values[number] = np.nan
        if not np.isfinite(values[number]):
            raise InputError(
                f"row {number + 2}, entry {index + 1} must be a finite number, got {row[index][:40]!r}: correct it",
                path=path,
            )
    return values


def _cartesian(path: Path, number: Mapping[str, Real]) -> Real:
    length = {name: _length(path, number, name) for name in LENGTHS}
    have = {name for name, value in length.items() if value is not None} | set(number) & set(ANGLES)
    x, y, z, radius = (length[name] for name in LENGTHS)
    if have == {"x", "y", "z"}:
        assert x is not None
        assert y is not None
        assert z is not None
        return np.stack([x, y, z], axis=1)
    if have == {"radius", "azimuth_deg", "z"}:
        assert radius is not None
        assert z is not None
        return np.stack([*_circle(radius, number), z], axis=1)
    if have in ({"radius", "azimuth_deg", "polar_deg"}, {"radius", "azimuth_deg", "elevation_deg"}):
        assert radius is not None
        polar = number["polar_deg"] if "polar_deg" in number else 90 - number["elevation_deg"]
        ring = radius * np.sin(np.radians(polar))
        return np.stack([*_circle(ring, number), radius * np.cos(np.radians(polar))], axis=1)
    raise InputError(
        f"must say where the points are by x, y, z, or radius, azimuth_deg, z, or radius, azimuth_deg and polar_deg "
        f"or elevation_deg (lengths end in _m or _mm), got {', '.join(sorted(have)) or 'none of them'}: "
        "name the columns so",
        path=path,
    )


def _circle(radius: Real, number: Mapping[str, Real]) -> tuple[Real, Real]:
    turn = np.radians(number["azimuth_deg"])
    return radius * np.cos(turn), radius * np.sin(turn)


def _length(path: Path, number: Mapping[str, Real], name: str) -> Real | None:
    found = [(name + unit, scale) for unit, scale in SCALES.items() if name + unit in number]
    if len(found) > 1:
        raise InputError(f"has both {found[0][0]} and {found[1][0]}: keep one of them", path=path)
    return number[found[0][0]] * found[0][1] if found else None
