"""The part of a result file that tells where the predicted error comes from: group ``budget``.

``frequency_hz`` (S,), ``error_db`` (S,), ``share`` and ``cured_db`` (causes, S), with the attribute ``causes``; see
:class:`scanproc.records.fitted.budget.Budget`. Attributes ``place_error_m``, ``level_error``, ``moved_rms_m``.
"""

from __future__ import annotations

from typing import Any

from scanproc.files.hdf5 import Group, number, put_array, read_whole
from scanproc.records.fitted.budget import CAUSES, Budget

ARRAYS = ("frequency_hz", "error_db", "share", "cured_db")
NUMBERS = ("place_error_m", "level_error", "moved_rms_m")


def write_budget(group: Group, budget: Budget) -> None:
    """Puts a budget into its group."""
    for name in ARRAYS:
        put_array(group, name, getattr(budget, name))
    group["share"].attrs["causes"] = list(CAUSES)
    for name in NUMBERS:
        group.attrs[name] = getattr(budget, name)


def read_budget(group: Group) -> Budget:
    """The budget of a group. Raises Malformed."""
    axes = {"frequency_hz": ("frequencies",), "error_db": ("frequencies",)}
    arrays: dict[str, Any] = {}
    for name in ARRAYS:
        arrays[name] = read_whole(group, name, "real", axes.get(name, ("causes", "frequencies")))
    numbers: dict[str, Any] = {name: number(group, name) for name in NUMBERS}
    return Budget(**arrays, **numbers)
