"""A comparison as one long table: a row for each angle and frequency."""

from __future__ import annotations

import csv
from pathlib import Path

from scanproc.records.answers.comparison import Comparison

COLUMNS = (
    "label",
    "frequency_hz",
    "judged",
    "scan_db",
    "reference_db",
    "difference_db",
    "standard_error_db",
    "agrees",
)


def write_differences(path: Path, found: Comparison) -> None:
    """CSV in UTF-8; levels as ``Comparison`` has them, every digit."""
    difference = found.difference_db
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row, label in enumerate(found.label):
            for column, hz in enumerate(found.frequency_hz.tolist()):
                levels = (found.predicted_db, found.reference_db, difference, found.uncertainty_db)
                writer.writerow(
                    [
                        label,
                        repr(hz),
                        int(found.judged[column]),
                        *(repr(float(values[row, column])) for values in levels),
                        int(found.agrees[row, column]),
                    ]
                )
