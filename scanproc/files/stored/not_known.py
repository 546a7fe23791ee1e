"""Why datasets of a result file hold NaN or infinite values: each such dataset says so in its attribute ``not_known``.

Labels are paths in the file; a star stands for any one name.
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from pathlib import Path

import h5py
import numpy as np

REASONS = {
    "error/held_out_db": "NaN: this order was not tried at this frequency; that of the order used is known",
    "error/far_field_error_db": "NaN: there is no field at this frequency; -inf: no error is predicted",
    "residual/error_db": "NaN: the fit agrees with the point to the last digit",
    "budget/cured_db": "-inf: without this cause no error would be left",
    "budget/error_db": "NaN: the error at this frequency is not known",
    "room/incoming_db": "NaN: the room is not part of the model at this frequency, so its sound is not told apart",
    "near_field/error_db": "inf: the points do not tell the field so near the device",
    "distortion/*": "NaN: beyond the band in which the sweep tells this harmonic; -inf: nothing at all was heard",
    "directions/*/standard_error_db": "inf: the pressure is zero, so that its level in dB has no bounds",
    "learnt/*/block_weight": "NaN: the model has no such part at this frequency",
    "points/predicted*": "NaN: not defined for so many points, or this order was not tried",
    "points/held_out_db": "NaN: this order was not tried with so many points",
    "points/needed*": "NaN: the study does not tell this number; reason says why",
    "points/curve*": "NaN: no further number of points was tried",
    "points/left_db": "NaN: the number of points limits this band, or nothing does",
    "learnt/*/sample_db": "NaN: no error was predicted at this frequency",
}
ELSE = "NaN or infinite: not defined there"


def reason(label: str) -> str:
    """Why the dataset at a path may hold values that are no numbers."""
    return next((words for pattern, words in REASONS.items() if fnmatchcase(label, pattern)), ELSE)


def not_known(path: Path) -> dict[str, str]:
    """Label and reason of every dataset of a file that holds NaN or infinite values."""
    with h5py.File(path) as file:
        return {item.name.strip("/"): reason(item.name.strip("/")) for item in _unsure(file)}


def mark_not_known(file: h5py.Group) -> None:
    """Gives every such dataset its reason as attribute."""
    for item in _unsure(file):
        item.attrs["not_known"] = reason(item.name.strip("/"))


def _unsure(file: h5py.Group) -> list[h5py.Dataset]:
    found: list[h5py.Dataset] = []

    def look(_: str, item: h5py.Group | h5py.Dataset) -> None:
        if isinstance(item, h5py.Dataset) and item.dtype.kind == "f" and not np.all(np.isfinite(item[()])):
            found.append(item)

    file.visititems(look)
    return found
