"""Sweep sets as text: one CSV file per angle, and ``angles.csv``, which says where each file looks.

Columns of a sweep: frequency_hz; level_db (re 20 µPa at 1 m or at the seat, scaled to 2.83 V) and phase_deg (the
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
from scanproc.records.sweeps import SweepSet

COLUMNS = ("frequency_hz", "level_db", "phase_deg", "standard_error_db", "real_pa_m", "imag_pa_m")
ANGLES_FILE = "angles.csv"
FAR_FIELD = "far field normalised to 1 m (p·r·e^{+jkr}/(1 m) for r → ∞; not the pressure at 1 m), rms in Pa"
"""What numbers of the far field are, in the words that every format uses and that references are known by."""
ANGLES_COLUMNS = (
    "file",
    "sweep_set",
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
class SweepTable:
    """One sweep: all columns (F,)."""

    frequency_hz: Real
    level_db: Real
    phase_deg: Real
    standard_error_db: Real
    pressure_pa_m: Complex


def write_sweep_tables(directory: Path | str, sweeps: SweepSet) -> None:
    """Writes a directory of tables, whole or not at all, instead of earlier tables. Raises OutputError."""
    names = table_names(sweeps)
    if len(set(names)) < len(names):
        twice = next(name for name in names if names.count(name) > 1)
        raise OutputError(
            f"two angles of {sweeps.name} would both be called {twice}: keep one of them", path=directory
        )
    with whole_directory(directory, _refuse_others) as draft:
        for index, name in enumerate(names):
            (draft / name).write_text(sweep_table_text(sweeps, index), encoding="utf-8", newline="\n")
        (draft / ANGLES_FILE).write_text(_angles_text(sweeps, names), encoding="utf-8", newline="\n")


def read_sweep_tables(directory: Path | str) -> SweepSet:
    """The sweep set of a directory of tables. Raises InputError."""
    place = Path(directory) / ANGLES_FILE
    rows = _rows(place, ANGLES_COLUMNS)
    tables = [read_sweep_table(place.parent / Path(row[0]).name) for row in rows]
    grid = tables[0].frequency_hz
    for row, table in zip(rows, tables, strict=True):
        if not np.array_equal(table.frequency_hz, grid):
            raise InputError(
                f"has other frequencies than {rows[0][0]}: export again", path=place.parent / row[0]
            )
    orbit = tuple(row[2] for row in rows) if rows[0][2] else None
    try:
        return SweepSet(
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


def read_sweep_table(path: Path | str) -> SweepTable:
    """One sweep. Raises InputError."""
    frequency, level, phase, error, real, imag = _numbers(Path(path), _rows(Path(path), COLUMNS)).T
    return SweepTable(frequency, level, phase, error, real + 1j * imag)


def at_distance(sweeps: SweepSet) -> Complex:
    """The sweeps in Pa (angles, F): the far field normalised to 1 m, or the pressure at seats (the distance's phase as
    ``delay`` says)."""
    if sweeps.distance_m is None:
        return sweeps.pressure_pa_m
    pressure: Complex = sweeps.pressure_pa_m / sweeps.distance_m[:, None]
    return pressure


def sweep_table_text(sweeps: SweepSet, index: int) -> str:
    """The CSV text of one angle."""
    pressure = sweeps.pressure_pa_m[index]
    level = level_db(at_distance(sweeps)[index], sweeps.drive_voltage_v)
    phase = np.degrees(np.angle(pressure))
    columns = zip(
        map(repr, sweeps.frequency_hz.tolist()),
        (f"{value:.4f}" for value in level),
        (f"{value:.4f}" for value in phase),
        map(repr, sweeps.standard_error_db[index].tolist()),
        map(repr, pressure.real.tolist()),
        map(repr, pressure.imag.tolist()),
        strict=True,
    )
    return _csv_text(COLUMNS, columns)


def table_names(sweeps: SweepSet) -> list[str]:
    """A file name per angle: the orbit and the angle on it, or a number and the direction's two angles."""
    if sweeps.orbit is not None and sweeps.angle_deg is not None:
        pairs = zip(sweeps.orbit, sweeps.angle_deg, strict=True)
        return [f"{_plain(orbit)}_{_angle(angle)}_deg.csv" for orbit, angle in pairs]
    x, y, z = sweeps.direction.T
    polar = np.degrees(np.arctan2(np.hypot(x, y), z))
    azimuth = np.degrees(np.arctan2(y, x)) % 360
    return [
        f"{number:05d}_polar_{theta:05.1f}_azimuth_{phi:05.1f}_deg.csv"
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


def _angles_text(sweeps: SweepSet, names: Sequence[str]) -> str:
    orbit = sweeps.orbit or [""] * sweeps.angles
    distance = [""] * sweeps.angles if sweeps.distance_m is None else map(repr, sweeps.distance_m.tolist())
    speed = "" if sweeps.speed_of_sound_m_s is None else repr(sweeps.speed_of_sound_m_s)
    angle = [""] * sweeps.angles if sweeps.angle_deg is None else map(repr, sweeps.angle_deg.tolist())
    voltage = repr(sweeps.drive_voltage_v)
    rows = (
        (name, sweeps.name, where, degrees, *map(repr, unit), voltage, metres, sweeps.delay, speed)
        for name, where, degrees, unit, metres in zip(
            names, orbit, angle, sweeps.direction.tolist(), distance, strict=True
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
    if tuple(found) != tuple(header):
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
    """Signed, with three digits before the point: +030, -002.5, +000."""
    near = round(float(degrees), 3) + 0.0
    return f"{near:+04.0f}" if near.is_integer() else f"{near:+08.3f}".rstrip("0")


def _plain(word: str) -> str:
    return "".join(
        letter if (letter.isascii() and letter.isalnum()) or letter in "-_" else "_" for letter in word
    )
