"""Tables of curves as they were written."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from scanproc.records.answers.curves import Curve, Curves


def read_curves(path: Path) -> Curves:
    with path.open(encoding="utf-8", newline="") as file:
        header, *rows = csv.reader(file)
    first, *columns = np.array(rows, dtype=float).T
    assert header[0] == "frequency_hz"
    curves = []
    for name, value, error in zip(header[1::2], columns[::2], columns[1::2], strict=True):
        called, _, unit = name.rpartition(" [")
        curves.append(Curve(called, unit.rstrip("]"), value, error))
    return Curves(first, tuple(curves))
