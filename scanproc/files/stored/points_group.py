"""The part of a result file that tells how many points are enough: group ``points``.

``band_hz`` (B,), ``size`` (S,), ``held_out_db`` and ``predicted_by_order_db`` (S, orders, B), ``predicted_db``,
``predicted_spread_db`` and ``order`` (S, B), ``needed``, ``needed_low``, ``needed_high`` and ``left_db`` (B,),
``curve_size`` and ``curve_db`` (numbers, B); of parts fitted anew, beside each other what was told and what was found,
``refit_size``, ``refit_band_hz``, ``refit_told_db`` and ``refit_db`` (refits,); text ``reason`` and ``limit`` (B,).
Attributes ``target_db``, ``draws``, ``seconds_per_point``, ``points``, ``place_error_m``.
:class:`scanproc.records.answers.study.Study` says what each means.
"""

from __future__ import annotations

from typing import Any

from scanproc.files.hdf5 import Group, number, put_array, put_text, read_whole
from scanproc.records.answers.study import Study

REAL: dict[str, tuple[str, ...]] = {
    "band_hz": ("bands",),
    "held_out_db": ("sizes", "orders", "bands"),
    "predicted_by_order_db": ("sizes", "orders", "bands"),
    "predicted_db": ("sizes", "bands"),
    "predicted_spread_db": ("sizes", "bands"),
    "needed": ("bands",),
    "needed_low": ("bands",),
    "needed_high": ("bands",),
    "left_db": ("bands",),
    "curve_size": ("numbers", "bands"),
    "curve_db": ("numbers", "bands"),
    "refit_band_hz": ("refits",),
    "refit_told_db": ("refits",),
    "refit_db": ("refits",),
}
WHOLE: dict[str, tuple[str, ...]] = {
    "size": ("sizes",),
    "order": ("sizes", "bands"),
    "refit_size": ("refits",),
}
WORDS = ("reason", "limit")
NUMBERS = ("target_db", "seconds_per_point", "place_error_m")
WHOLE_NUMBERS = ("draws", "points")


def write_points(group: Group, study: Study) -> None:
    """Puts a study into its group."""
    for name in (*REAL, *WHOLE):
        put_array(group, name, getattr(study, name))
    for name in WORDS:
        put_text(group, name, list(getattr(study, name)))
    for name in (*NUMBERS, *WHOLE_NUMBERS):
        group.attrs[name] = getattr(study, name)


def read_points(group: Group) -> Study:
    """The study of a group. Raises Malformed."""
    arrays: dict[str, Any] = {name: read_whole(group, name, "real", axes) for name, axes in REAL.items()}
    arrays |= {name: read_whole(group, name, "whole", axes) for name, axes in WHOLE.items()}
    words: dict[str, Any] = {
        name: tuple(str(one) for one in read_whole(group, name, "text", ("bands",))) for name in WORDS
    }
    numbers: dict[str, Any] = {name: number(group, name) for name in NUMBERS}
    numbers |= {name: int(number(group, name)) for name in WHOLE_NUMBERS}
    return Study(**arrays, **words, **numbers)
