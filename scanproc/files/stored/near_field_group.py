"""The part of a result file that holds the field near the device: group ``near_field``.

The field at a frequency, outside its box and nearer than ``valid_radius_m``, is Σ q e^{-jkR}/R over its sources, plus
for each of its places Σ a_nm h_n(kr)/|h_n(k r_s)| Y_nm about that place, r_s the root's ``scaling_radius_m``.
Datasets: ``box_centre_m``, ``box_size_m`` (F, 3); ``distance_m``, ``rms_pa``, ``error_db`` (F, D), the predicted error
by distance from the box re the rms pressure there; ``source_count``, ``place_count`` (F,). The rest stands frequency
after frequency: ``source_m`` (sources, 3), ``source_pa_m`` complex (sources,); ``place_m`` (places, 3),
``term_count`` (places,), and place after place ``term_pa`` complex (terms,). Sources, places and terms are in single
precision.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from scanproc.conventions import Integer
from scanproc.files.hdf5 import Group, Malformed, read_whole
from scanproc.records.fitted.near_field import Multipole, NearField

BY_FREQUENCY = ("box_centre_m", "box_size_m", "distance_m", "rms_pa", "error_db")
SOURCES = ("source_m", "source_pa_m")
AXES: dict[str, tuple[str, tuple[str, ...]]] = {
    **dict.fromkeys(BY_FREQUENCY, ("real", ("frequencies", "entries"))),
    **dict.fromkeys(("source_count", "place_count"), ("whole", ("frequencies",))),
    "source_m": ("real", ("sources", "x y z")),
    "source_pa_m": ("complex", ("sources",)),
    "place_m": ("real", ("places", "x y z")),
    "term_count": ("whole", ("places",)),
    "term_pa": ("complex", ("terms",)),
}


def near_field_arrays(fields: Sequence[NearField]) -> dict[str, Any]:
    """What the group's datasets hold, by name."""
    places = [one for near in fields for one in near.multipoles]
    arrays: dict[str, Any] = {
        name: np.array([getattr(near, name) for near in fields]) for name in BY_FREQUENCY
    }
    arrays["source_count"] = np.array([len(near.source_m) for near in fields])
    arrays["place_count"] = np.array([len(near.multipoles) for near in fields])
    arrays["source_m"] = np.concatenate([near.source_m for near in fields]).astype(np.float32)
    arrays["source_pa_m"] = np.concatenate([near.source_pa_m for near in fields]).astype(np.complex64)
    arrays["place_m"] = np.array([one.place_m for one in places], np.float32).reshape(-1, 3)
    arrays["term_count"] = np.array([len(one.terms_pa) for one in places], np.int64)
    terms = [one.terms_pa for one in places]
    arrays["term_pa"] = np.concatenate([np.empty(0, np.complex64), *terms]).astype(np.complex64)
    return arrays


def read_near_field(group: Group) -> list[NearField]:
    """The fields of a group, one for each frequency. Raises Malformed."""
    data: dict[str, Any] = {name: read_whole(group, name, *axes) for name, axes in AXES.items()}
    terms = _split(data["term_pa"], data["term_count"], "term_pa")
    multipoles = [Multipole(*one) for one in zip(data["place_m"], terms, strict=True)]
    sources = {name: _split(data[name], data["source_count"], name) for name in SOURCES}
    bounds = _bounds(len(multipoles), data["place_count"], "place_m")
    return [
        NearField(
            **{name: data[name][index] for name in BY_FREQUENCY},
            **{name: sources[name][index] for name in SOURCES},
            multipoles=multipoles[bounds[index] : bounds[index + 1]],
        )
        for index in range(len(bounds) - 1)
    ]


def _split(row: Any, count: Integer, name: str) -> list[Any]:
    """A row cut into pieces of the given lengths."""
    return np.split(row, _bounds(len(row), count, name)[1:-1]) if len(count) else []


def _bounds(length: int, count: Integer, name: str) -> Integer:
    bounds = np.concatenate([[0], np.cumsum(count)])
    if np.any(count < 0) or bounds[-1] != length:
        raise Malformed(f"near_field/{name} has {length} entries, its counts say {bounds[-1]}: convert again")
    return bounds
