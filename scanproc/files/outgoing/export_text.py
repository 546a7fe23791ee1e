"""Plain text of three columns: Hz, dB re 20 µPa (the far field normalised to 1 m, or at the seat; for 2.83 V), degrees.
No header; the file name says the angle, and ``reference.toml`` beside the files what they hold."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from scanproc.conventions import Real, level_db
from scanproc.errors import InputError
from scanproc.files.outgoing.reference_list import write_direction_list
from scanproc.files.outgoing.tables import at_distance, table_names
from scanproc.records.answers.directions import DirectionSet


def write_text(directory: Path, directions: DirectionSet) -> None:
    """One file per angle into a new directory."""
    directory.mkdir(parents=True)
    pressure = at_distance(directions)
    level, phase = level_db(pressure, directions.drive_voltage_v), np.degrees(np.angle(pressure))
    hertz = [repr(value) for value in directions.frequency_hz.tolist()]
    for index, name in enumerate(stems(directions)):
        rows = zip(hertz, level[index].tolist(), phase[index].tolist(), strict=True)
        text = "".join(f"{hz} {decibels:.8f} {degrees:.8f}\n" for hz, decibels, degrees in rows)
        (directory / f"{name}.txt").write_text(text, encoding="utf-8", newline="\n")
    write_direction_list(directory, directions, [f"{name}.txt" for name in stems(directions)])


def read_text(path: Path | str) -> tuple[Real, Real, Real]:
    """Frequency in Hz, level in dB and phase in deg, (F,) each. Raises InputError."""
    try:
        columns: Real = np.loadtxt(path, dtype=np.float64, ndmin=2)
    except (OSError, ValueError) as error:
        raise InputError(
            f"is no table of three columns: {' '.join(str(error).split())}", path=path
        ) from error
    if columns.shape[1] != 3:
        raise InputError(f"must have three columns (Hz, dB, degrees), got {columns.shape[1]}", path=path)
    return columns[:, 0], columns[:, 1], columns[:, 2]


def stems(directions: DirectionSet) -> list[str]:
    """A file name per angle without its ending."""
    return [name.removesuffix(".csv") for name in table_names(directions)]
