"""Derived curves as one CSV table: ``frequency_hz``, then per curve its value and its standard error.

Columns are called ``NAME [UNIT]`` and ``NAME error [UNIT]``. Every digit is kept; what is not known is ``nan``.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from scanproc.files.atomic import whole_file
from scanproc.records.answers.curves import Curves

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
