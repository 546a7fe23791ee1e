"""Derived curves as one CSV table: ``frequency_hz``, then per curve its value and its standard error.

Columns are called ``NAME [UNIT]`` and ``NAME error [UNIT]``. Every digit is kept; what is not known is ``nan``.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from scanproc.errors import InputError
from scanproc.files.atomic import whole_file
from scanproc.records.answers.curves import Curve, Curves

FREQUENCY = "frequency_hz"


def write_curves(path: Path | str, curves: Curves) -> None:
    """Writes the table, whole or not at all. Raises OutputError."""
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    header, columns = [FREQUENCY], [curves.frequency_hz]
    for curve in curves.curves:
        header += [f"{curve.name} [{curve.unit}]", f"{curve.name} error [{curve.unit}]"]
        columns += [curve.value, curve.standard_error]
    writer.writerow(header)
    writer.writerows([repr(value) for value in row] for row in np.stack(columns, axis=1).tolist())
    with whole_file(path) as draft:
        draft.write_text(page.getvalue(), encoding="utf-8", newline="\n")


def read_curves(path: Path | str) -> Curves:
    """The curves of a table (their notes are not in it). Raises InputError."""
    try:
        with Path(path).open(encoding="utf-8", newline="") as file:
            header, *rows = list(csv.reader(file)) or [[]]
        numbers = np.array([[float(entry) for entry in row] for row in rows], dtype=np.float64)
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (ValueError, csv.Error) as error:
        raise InputError(f"is not a table of curves: {error}; export it again", path=path) from error
    if (
        header[:1] != [FREQUENCY]
        or numbers.ndim != 2
        or numbers.shape[1] != len(header)
        or len(header) % 2 == 0
    ):
        raise InputError(f"must have the columns {FREQUENCY} and two per curve: export it again", path=path)
    curves = []
    for index in range(1, len(header), 2):
        name, _, unit = header[index].rpartition(" [")
        curves.append(Curve(name, unit.rstrip("]"), numbers[:, index], numbers[:, index + 1]))
    return Curves(numbers[:, 0], tuple(curves))
