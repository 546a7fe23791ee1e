"""Tables of positions: one row per point, Cartesian, cylindrical or spherical, units in the header.

Columns (in any order, others are refused by name): ``x y z`` in ``_m`` or ``_mm`` (m if neither); or ``radius``,
``azimuth_deg`` and ``z`` (cylindrical: radius from the axis); or ``radius``, ``azimuth_deg`` and ``polar_deg`` (from
+z) or ``elevation_deg`` (from the horizontal plane). Optional: ``file``, ``channel`` in it (from 1),
``time_s``, ``temperature_c``, ``layer``. Large letters, blanks and brackets around units do not matter.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import InputError
from scanproc.files.incoming.text_table import TextTable, read_table

SCALES = {"_m": 1.0, "_mm": 1e-3}
LENGTHS = ("x", "y", "z", "radius")
ANGLES = ("azimuth_deg", "polar_deg", "elevation_deg")
OTHERS = ("file", "channel", "time_s", "temperature_c", "layer")
COLUMNS = (*(name + unit for name in LENGTHS for unit in SCALES), *ANGLES, *OTHERS)


@dataclass(frozen=True, eq=False)
class PointTable:
    """Positions (points, 3) in metres, and per point what else the table says."""

    position_m: Real
    file: tuple[str, ...] | None = None
    time_s: Real | None = None
    temperature_c: Real | None = None
    layer: Integer | None = None
    channel: Integer | None = None

    def take(self, chosen: Integer) -> PointTable:
        """The chosen points (indices)."""

        def some(values: Any) -> Any:
            return None if values is None else values[chosen]

        files = None if self.file is None else tuple(self.file[index] for index in chosen)
        return PointTable(
            self.position_m[chosen],
            files,
            some(self.time_s),
            some(self.temperature_c),
            some(self.layer),
            some(self.channel),
        )


def read_point_table(path: Path | str) -> PointTable:
    """The positions of a table. Raises InputError that names line and column."""
    table = _known(read_table(Path(path)))
    number = {name: table.numbers(name) for name in table.header if name not in ("file", "layer", "channel")}
    return PointTable(
        _cartesian(table.path, number),
        table.texts("file") if "file" in table.header else None,
        number.get("time_s"),
        number.get("temperature_c"),
        _whole(table, "layer"),
        _whole(table, "channel"),
    )


def _known(table: TextTable) -> TextTable:
    """The table with its columns by their full names. Raises InputError for others."""
    full = {name.rpartition("_")[0]: name for name in COLUMNS if name.endswith(("_m", "_deg", "_s", "_c"))}
    header = tuple(full.get(name, name) for name in table.header)
    for name in header:
        if name not in COLUMNS:
            near = get_close_matches(name, COLUMNS, n=1, cutoff=0.75)
            hint = f"did you mean {near[0]!r}?" if near else "known are " + ", ".join(COLUMNS)
            raise InputError(f"has an unknown column {name!r}: {hint}", path=table.path)
    return replace(table, header=header)


def _whole(table: TextTable, name: str) -> Integer | None:
    return table.whole_numbers(name).astype(np.int64) if name in table.header else None


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
