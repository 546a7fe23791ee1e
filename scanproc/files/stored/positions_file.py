"""Positions for a robot: CSV with a header, or HDF5 with ``position_m`` and ``layer``, by the file's name."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from scanproc.errors import InputError, OutputError, ScanDataError
from scanproc.files.atomic import whole_file
from scanproc.files.hdf5 import input_errors, new_file, open_file, read_whole
from scanproc.records.answers.scan_plan import Positions

FORMAT = "scanproc positions"
LAYOUT_VERSION = 1
HEADER = ["x_m", "y_m", "z_m", "layer"]
HDF5_NAMES = (".h5", ".hdf5")


def write_positions(path: Path | str, positions: Positions) -> None:
    """Writes the file, whole or not at all. Raises OutputError."""
    path = Path(path)
    if path.suffix in HDF5_NAMES:
        with new_file(path, FORMAT, LAYOUT_VERSION) as file:
            file.create_dataset("position_m", data=positions.position_m, track_times=False)
            file.create_dataset("layer", data=positions.layer, track_times=False)
    elif path.suffix == ".csv":
        page = io.StringIO()
        writer = csv.writer(page, lineterminator="\n")
        writer.writerow(HEADER)
        rows = zip(positions.position_m.tolist(), positions.layer.tolist(), strict=True)
        writer.writerows([*(f"{value:.6f}" for value in place), layer] for place, layer in rows)
        with whole_file(path) as draft:
            draft.write_text(page.getvalue(), encoding="utf-8", newline="\n")
    else:
        raise OutputError(
            f"positions are written as .csv or .h5, not as {path.suffix!r}: rename it", path=path
        )


def is_positions(path: Path) -> bool:
    """Whether a file holds positions just as :func:`write_positions` writes them, not those of a measured scan."""
    try:
        read_positions(path)
        with path.open("rb") as file:
            return path.suffix in HDF5_NAMES or file.readline().decode().split() == [",".join(HEADER)]
    except (InputError, OSError, UnicodeDecodeError):
        return False


def read_positions(path: Path | str) -> Positions:
    """Positions of either kind. Raises InputError."""
    path = Path(path)
    if path.suffix in HDF5_NAMES:
        with input_errors(path, InputError), open_file(path, FORMAT, LAYOUT_VERSION) as file:
            place = read_whole(file, "position_m", "real", ("points", "x y z"))
            return Positions(place, read_whole(file, "layer", "whole", ("points",)))
    try:
        with path.open(encoding="utf-8", newline="") as file:
            header, *rows = list(csv.reader(file)) or [[]]
        numbers = np.array([[float(entry) for entry in row] for row in rows], dtype=np.float64)
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (ValueError, csv.Error) as error:
        raise InputError(f"is not a table of positions: {error}; write it again", path=path) from error
    if header[:3] != HEADER[:3] or numbers.ndim != 2 or numbers.shape[1] not in (3, 4):
        raise InputError(f"must have the columns {', '.join(HEADER)}: write it again", path=path)
    layer = numbers[:, 3].astype(np.int64) if numbers.shape[1] == 4 else np.zeros(len(numbers), np.int64)
    try:
        return Positions(numbers[:, :3], layer)
    except ScanDataError as error:
        raise InputError(error.message, path=path) from None
