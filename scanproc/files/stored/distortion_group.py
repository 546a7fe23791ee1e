"""The part of a result file that tells harmonic distortion: group ``distortion``.

``excitation_hz`` (F,), ``order`` (N,), ``level_db``, ``standard_error_db``, ``floor_db`` and ``own_db`` (N, P, F),
``fundamental_db`` (P, F), with the attribute ``places`` of ``level_db``; see
:class:`scanproc.records.answers.distortion.Distortion`.
"""

from __future__ import annotations

from typing import Any

from scanproc.files.hdf5 import Group, put_array, read_whole
from scanproc.records.answers.distortion import PLACES, Distortion

CUBE = ("orders", "places", "frequencies")
AXES = {
    "excitation_hz": ("frequencies",),
    "order": ("orders",),
    "level_db": CUBE,
    "standard_error_db": CUBE,
    "floor_db": CUBE,
    "fundamental_db": CUBE[1:],
    "own_db": CUBE,
}


def write_distortion(group: Group, found: Distortion) -> None:
    """Puts distortion into its group."""
    for name in AXES:
        put_array(group, name, getattr(found, name))
    group["level_db"].attrs["places"] = list(PLACES)


def read_distortion(group: Group) -> Distortion:
    """The distortion of a group. Raises Malformed."""
    arrays: dict[str, Any] = {
        name: read_whole(group, name, "whole" if name == "order" else "real", axes)
        for name, axes in AXES.items()
    }
    return Distortion(**arrays)
