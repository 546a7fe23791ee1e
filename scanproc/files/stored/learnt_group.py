"""The part of a result file that tells how loud the parts of the device's model are: group ``learnt``.

A group 1, 2 for each kind of sound, from the lowest frequency up (whole responses, then gated ones); its first
``frequency_hz`` (F,) says from where on it holds. ``sample_hz`` (S,), ``block_name`` text (blocks,), ``block_weight``
(blocks, S), ``noise`` and ``sample_db`` (S,), ``box_centre_m``, ``box_size_m`` (3,), ``place_m`` (places, 3);
attributes ``position_error_m``, ``level_error`` and, where the room is part of the model, ``scattering_share`` and
``scattering_error``. :class:`scanproc.records.fitted.fit_plan.FitPlan` says what each means.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from scanproc.files.hdf5 import Group, Malformed, number, optional_number, put_array, put_text, read_whole
from scanproc.records.fitted.fit_plan import FitPlan

ARRAYS: dict[str, tuple[str, ...]] = {
    "frequency_hz": ("frequencies",),
    "sample_hz": ("samples",),
    "block_weight": ("blocks", "samples"),
    "noise": ("samples",),
    "sample_db": ("samples",),
    "box_centre_m": ("x y z",),
    "box_size_m": ("x y z",),
    "place_m": ("places", "x y z"),
}
NUMBERS = ("position_error_m", "level_error")
SCATTERING = ("scattering_share", "scattering_error")


def write_learnt(group: Group, plans: Sequence[FitPlan]) -> None:
    """Puts what was learnt into its group."""
    for index, plan in enumerate(plans, start=1):
        one = group.create_group(str(index))
        for name in ARRAYS:
            put_array(one, name, getattr(plan, name))
        put_text(one, "block_name", list(plan.block_names))
        for name in NUMBERS:
            one.attrs[name] = getattr(plan, name)
        for name, value in zip(SCATTERING, plan.scattering or (), strict=False):
            one.attrs[name] = value


def read_learnt(group: Group) -> tuple[FitPlan, ...]:
    """What was learnt, without anything that belongs to single points. Raises Malformed."""
    return tuple(_read(group, str(index)) for index in range(1, len(group) + 1))


def _read(parent: Group, name: str) -> FitPlan:
    if name not in parent:
        raise Malformed(f"has no group learnt/{name}: convert the scan again")
    one = parent[name]
    arrays: dict[str, Any] = {label: read_whole(one, label, "real", axes) for label, axes in ARRAYS.items()}
    names = tuple(str(word) for word in read_whole(one, "block_name", "text", ("blocks",)))
    numbers: dict[str, Any] = {label: number(one, label) for label in NUMBERS}
    share, error = (optional_number(one, label) for label in SCATTERING)
    count = len(arrays["frequency_hz"])
    return FitPlan(
        **arrays,
        **numbers,
        block_names=names,
        scattering=None if share is None or error is None else (share, error),
        order=np.full(count, -1, dtype=np.int64),
        centre_m=arrays["box_centre_m"],
        sensor_noise=np.full(count, np.nan),
        moved_m=np.empty((0, 3)),
        moved_variance_m2=np.empty((0, 3)),
        moved_held_out_db=(np.nan, np.nan),
    )
