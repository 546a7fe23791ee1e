"""Direction sets as text: one CSV file per angle, and ``angles.csv``, which says where each file looks.

Columns of a table: frequency_hz; level_db (re 20 µPa at 1 m or at the seat, scaled to 2.83 V) and phase_deg (the
delay over the distance as ``delay`` in angles.csv says) for reading; standard_error_db; real_pa_m and imag_pa_m, the
value itself at the scan's drive voltage. All but level and phase have every digit, so nothing is lost.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from scanproc.conventions import Complex, Real, level_db
from scanproc.errors import InputError, OutputError, ScanDataError
from scanproc.files.atomic import whole_directory
from scanproc.records.answers.directions import DirectionSet

COLUMNS = ("frequency_hz", "level_db", "phase_deg", "standard_error_db", "real_pa_m", "imag_pa_m")
ANGLES_FILE = "angles.csv"
FAR_FIELD = "far field normalised to 1 m (p·r·e^{+jkr}/(1 m) for r → ∞; not the pressure at 1 m), rms in Pa"
"""What numbers of the far field are, in the words that every format uses and that references are known by."""
EARLIER_COLUMN = "sweep_set"
"""What the column of the set's name was called up to version 0.1.1."""
ANGLES_COLUMNS = (
    "file",
    "direction_set",
    "orbit",
    "angle_deg",
    "x",
    "y",
    "z",
    "drive_voltage_v",
    "distance_m",
    "delay",
    "speed_of_sound_m_s",
)


@dataclass(frozen=True, eq=False)
class DirectionTable:
    """One direction's table: all columns (F,)."""

    frequency_hz: Real
    level_db: Real
    phase_deg: Real
    standard_error_db: Real
    pressure_pa_m: Complex


def write_direction_tables(directory: Path | str, directions: DirectionSet) -> None:
    """Writes a directory of tables, whole or not at all, instead of earlier tables. Raises OutputError."""
    names = table_names(directions)
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise OutputError(
            f"two angles of {directions.name} would both be called {twice}: keep one of them", path=directory
        )
    with whole_directory(directory, _refuse_others) as draft:
        for index, name in enumerate(names):
            (draft / name).write_text(direction_table_text(directions, index), encoding="utf-8", newline="\n")
        (draft / ANGLES_FILE).write_text(_angles_text(directions, names), encoding="utf-8", newline="\n")


def read_direction_tables(directory: Path | str) -> DirectionSet:
    """The direction set of a directory of tables. Raises InputError."""
    place = Path(directory) / ANGLES_FILE
    rows = _rows(place, ANGLES_COLUMNS)
    tables = [read_direction_table(place.parent / Path(row[0]).name) for row in rows]
    grid = tables[0].frequency_hz
    for row, table in zip(rows, tables, strict=True):
        if not np.array_equal(table.frequency_hz, grid):
            raise InputError(
                f"has other frequencies than {rows[0][0]}: export again", path=place.parent / row[0]
            )
    orbit = tuple(row[2] for row in rows) if rows[0][2] else None
    try:
        return DirectionSet(
            name=rows[0][1],
            direction=_numbers(place, [row[4:7] for row in rows]),
            frequency_hz=grid,
            pressure_pa_m=np.array([table.pressure_pa_m for table in tables]),
            standard_error_db=np.array([table.standard_error_db for table in tables]),
            orbit=orbit,
            angle_deg=_numbers(place, [[row[3]] for row in rows])[:, 0] if orbit else None,
            drive_voltage_v=float(_numbers(place, [[rows[0][7]]])[0, 0]),
            distance_m=_numbers(place, [[row[8]] for row in rows])[:, 0] if rows[0][8] else None,
            delay=rows[0][9],
            speed_of_sound_m_s=float(_numbers(place, [[rows[0][10]]])[0, 0]) if rows[0][10] else None,
        )
    except ScanDataError as error:
        raise InputError(error.message, path=place) from error


def read_direction_table(path: Path | str) -> DirectionTable:
    """The table of one direction. Raises InputError."""
    frequency, level, phase, error, real, imag = _numbers(Path(path), _rows(Path(path), COLUMNS)).T
    return DirectionTable(frequency, level, phase, error, real + 1j * imag)


def at_distance(directions: DirectionSet) -> Complex:
    """All in Pa (angles, F): the far field normalised to 1 m, or the pressure at seats (the distance's phase as
    ``delay`` says)."""
    if directions.distance_m is None:
        return directions.pressure_pa_m
    pressure: Complex = directions.pressure_pa_m / directions.distance_m[:, None]
    return pressure


def direction_table_text(directions: DirectionSet, index: int) -> str:
    """The CSV text of one angle."""
    pressure = directions.pressure_pa_m[index]
    level = level_db(at_distance(directions)[index], directions.drive_voltage_v)
    phase = np.degrees(np.angle(pressure))
    columns = zip(
        map(repr, directions.frequency_hz.tolist()),
        (f"{value:.4f}" for value in level),
        (f"{value:.4f}" for value in phase),
        map(repr, directions.standard_error_db[index].tolist()),
        map(repr, pressure.real.tolist()),
        map(repr, pressure.imag.tolist()),
        strict=True,
    )
    return _csv_text(COLUMNS, columns)


def table_names(directions: DirectionSet) -> list[str]:
    """A file name per angle: the orbit and the angle on it, or a number and the direction's two angles."""
    if directions.orbit is not None and directions.angle_deg is not None:
        pairs = zip(directions.orbit, directions.angle_deg, strict=True)
        return [f"{_plain(orbit)}_{_angle(angle)}.csv" for orbit, angle in pairs]
    x, y, z = directions.direction.T
    polar = np.degrees(np.arctan2(np.hypot(x, y), z))
    azimuth = np.degrees(np.arctan2(y, x)) % 360
    return [
        f"{number:05d}_polar_{theta:05.1f}_azimuth_{phi:05.1f}.csv"
        for number, (theta, phi) in enumerate(zip(polar, azimuth, strict=True), start=1)
    ]


def _refuse_others(directory: Path) -> None:
    """Only earlier tables may be replaced. Raises OutputError."""
    try:
        earlier = {row[0] for row in _rows(directory / ANGLES_FILE, ANGLES_COLUMNS)}
    except InputError:
        earlier = set()
    other = sorted({entry.name for entry in directory.iterdir()} - earlier - {ANGLES_FILE})
    if other:
        raise OutputError(
            f"holds {other[0]!r}, which is no table of these: choose another directory", path=directory
        )


def _angles_text(directions: DirectionSet, names: Sequence[str]) -> str:
    orbit = directions.orbit or [""] * directions.angles
    distance = (
        [""] * directions.angles
        if directions.distance_m is None
        else map(repr, directions.distance_m.tolist())
    )
    speed = "" if directions.speed_of_sound_m_s is None else repr(directions.speed_of_sound_m_s)
    angle = (
        [""] * directions.angles if directions.angle_deg is None else map(repr, directions.angle_deg.tolist())
    )
    voltage = repr(directions.drive_voltage_v)
    rows = (
        (name, directions.name, where, degrees, *map(repr, unit), voltage, metres, directions.delay, speed)
        for name, where, degrees, unit, metres in zip(
            names, orbit, angle, directions.direction.tolist(), distance, strict=True
        )
    )
    return _csv_text(ANGLES_COLUMNS, rows)


def _csv_text(header: Sequence[str], rows: Iterator[tuple[str, ...]]) -> str:
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return page.getvalue()


def _rows(path: Path, header: Sequence[str]) -> list[list[str]]:
    try:
        with path.open(encoding="utf-8", newline="") as file:
            found, *rows = list(csv.reader(file)) or [[]]
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (UnicodeDecodeError, csv.Error) as error:
        raise InputError(f"is not a text table: {error}; export it again", path=path) from error
    if tuple("direction_set" if name == EARLIER_COLUMN else name for name in found) != tuple(header):
        got = ",".join(found)[:80]
        raise InputError(
            f"must start with the row {','.join(header)}, got {got!r}: export it again", path=path
        )
    if not rows:
        raise InputError("holds no rows below its header: export it again", path=path)
    for line, row in enumerate(rows, start=2):
        if len(row) != len(header):
            raise InputError(f"line {line} must have {len(header)} entries, got {len(row)}", path=path)
    return rows


def _numbers(path: Path, rows: Sequence[Sequence[str]]) -> Real:
    try:
        return np.array([[float(entry) for entry in row] for row in rows], dtype=np.float64)
    except ValueError as error:
        raise InputError(f"must hold numbers: {error}; export it again", path=path) from error


def _angle(degrees: float) -> str:
    """From 0 up to 360, with three digits before the point: 030, 357.5, 000."""
    near = round(float(degrees), 3) % 360
    return f"{near:03.0f}" if near.is_integer() else f"{near:07.3f}".rstrip("0")


def _plain(word: str) -> str:
    return "".join(
        letter if (letter.isascii() and letter.isalnum()) or letter in "-_" else "_" for letter in word
    )
