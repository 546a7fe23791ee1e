"""Result files, layout 1: HDF5 with the expansion of a scan, its errors and its direction sets.

Root attributes ``format`` = "scanproc result", ``layout_version`` = 1, ``points``, ``drive_voltage_v``,
``air_density_kg_m3``. Root datasets ``frequency_hz``, ``order``, ``scaling_radius_m``, ``wavenumber_rad_m``,
``estimator`` (F,), an index into its attribute ``names``; ``centre_m`` (F, 3); ``coefficients_pa`` complex
(modes, F); ``provenance``, JSON text. Group ``error``: ``held_out_db`` (orders, F), ``far_field_error_db``
(F,), ``coefficient_variance_pa2`` (degrees, F), ``variance_pattern`` (modes, F), and of fits that know it
``average_covariance`` (averages, averages, F). Per direction set a group
``directions/NAME``: ``direction`` (angles, 3), ``frequency_hz`` (F,), ``pressure_pa_m`` complex and
``standard_error_db`` (angles, F), for orbits ``orbit`` and ``angle_deg`` (angles,), for seats ``distance_m``
(angles,), and the attributes ``drive_voltage_v``, ``delay`` ("removed" or "kept") and ``speed_of_sound_m_s``.
``valid_radius_m`` (F,): the distance from ``centre_m`` beyond which the coefficients hold. For places nearer than that
the group ``near_field``, see ``near_field_group``. What the fit left over at the points, at frequencies of its own, in
the group ``residual``: ``position_m`` (points, 3), ``frequency_hz`` (B,), ``error_db`` (points, B), ``layer``
and text ``name`` (points,). Files of earlier versions lack these three.
``records.fitted.expansion.Expansion`` and ``records.answers.directions.DirectionSet`` say what each means.
Where the predicted error comes from stands in the group ``budget``, see ``budget_group``; what harmonics of sweeps
show in the group ``distortion``, see ``distortion_group``; what a plan of a like scan takes from this one in the
groups ``learnt``, see ``learnt_group``, and ``points``, see ``points_group``: how many points are enough, and what was
told for parts of the points beside what fits of them found. Results of version 6 (``results_version``) and before
lack ``points``.
A value that is not known is NaN, one without bounds infinite. A dataset that holds such values says why in its
attribute ``not_known``; the module ``not_known`` lists all reasons.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from scanproc.errors import OutputError, ResultFileError
from scanproc.files.hdf5 import (
    Group,
    Malformed,
    input_errors,
    new_file,
    number,
    open_file,
    optional_number,
    put_array,
    put_text,
    read_whole,
    text,
)
from scanproc.files.json_file import json_text
from scanproc.files.stored.budget_group import read_budget, write_budget
from scanproc.files.stored.distortion_group import read_distortion, write_distortion
from scanproc.files.stored.learnt_group import read_learnt, write_learnt
from scanproc.files.stored.near_field_group import near_field_arrays, read_near_field
from scanproc.files.stored.not_known import mark_not_known
from scanproc.files.stored.points_group import read_points, write_points
from scanproc.files.stored.room_group import read_room, room_arrays, room_words
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.result import Result
from scanproc.records.fitted.expansion import ESTIMATORS, Expansion
from scanproc.records.fitted.point_errors import PointErrors

FORMAT = "scanproc result"
LAYOUT_VERSION = 1

FIELDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "frequency_hz": ("real", ("frequencies",)),
    "order": ("whole", ("frequencies",)),
    "centre_m": ("real", ("frequencies", "x y z")),
    "scaling_radius_m": ("real", ("frequencies",)),
    "wavenumber_rad_m": ("real", ("frequencies",)),
    "coefficients_pa": ("complex", ("modes", "frequencies")),
    "estimator": ("whole", ("frequencies",)),
    "error/held_out_db": ("real", ("orders", "frequencies")),
    "error/far_field_error_db": ("real", ("frequencies",)),
    "error/coefficient_variance_pa2": ("real", ("degrees", "frequencies")),
    "error/variance_pattern": ("real", ("modes", "frequencies")),
}
EARLIER_PLACE = "sweeps"
"""Where direction sets stand in files of version 0.1.1 and before."""
DIRECTION_FIELDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "direction": ("real", ("angles", "x y z")),
    "frequency_hz": ("real", ("frequencies",)),
    "pressure_pa_m": ("complex", ("angles", "frequencies")),
    "standard_error_db": ("real", ("angles", "frequencies")),
}


def write_result(path: Path | str, result: Result) -> None:
    """Writes a result file, whole or not at all; the same result gives the same bytes. Raises OutputError.

    >>> sp.write_result(folder / "again.h5", sp.Result(result.expansion))
    """
    expansion = result.expansion
    for name in result.directions:
        if not name or "/" in name or name.startswith("."):
            raise OutputError(f"a direction set cannot be called {name!r}: use a plain word", path=path)
    with new_file(path, FORMAT, LAYOUT_VERSION) as file:
        for name in ("points", "drive_voltage_v", "air_density_kg_m3"):
            file.attrs[name] = getattr(expansion, name)
        for label in FIELDS:
            put_array(file, label, getattr(expansion, label.rpartition("/")[2]))
        file["estimator"].attrs["names"] = list(ESTIMATORS)
        put_text(file, "provenance", json_text(result.provenance))
        put_array(file, "valid_radius_m", expansion.valid_radius_m)
        if expansion.average_covariance is not None:
            put_array(file, "error/average_covariance", expansion.average_covariance)
        if expansion.near_field is not None:
            for label, value in near_field_arrays(expansion.near_field).items():
                put_array(file, f"near_field/{label}", value)
        if expansion.residual is not None:
            _write_residual(file.create_group("residual"), expansion.residual)
        if result.room is not None:
            for label, value in room_arrays(result.room).items():
                put_array(file, f"room/{label}", value)
            put_text(file, "room/words", room_words(result.room))
        if result.budget is not None:
            write_budget(file.create_group("budget"), result.budget)
        if result.distortion is not None:
            write_distortion(file.create_group("distortion"), result.distortion)
        if result.learnt:
            write_learnt(file.create_group("learnt"), result.learnt)
        if result.study is not None:
            write_points(file.create_group("points"), result.study)
        for name in sorted(result.directions):
            write_direction_group(file.create_group(f"directions/{name}"), result.directions[name])
        mark_not_known(file)


def read_result(path: Path | str) -> Result:
    """A whole result. Raises ResultFileError, in one line with the path."""
    with input_errors(Path(path), ResultFileError), open_file(Path(path), FORMAT, LAYOUT_VERSION) as file:
        expansion = Expansion(
            **{label.rpartition("/")[2]: _get(file, label, *field) for label, field in FIELDS.items()},
            points=int(number(file, "points")),
            drive_voltage_v=number(file, "drive_voltage_v"),
            air_density_kg_m3=number(file, "air_density_kg_m3"),
            **_optional(file),
        )
        place = EARLIER_PLACE if EARLIER_PLACE in file else "directions"
        names = list(_group(file, place)) if place in file else []
        directions = {name: read_direction_group(_group(_group(file, place), name), name) for name in names}
        room = read_room(_group(file, "room"), expansion.frequency_hz) if "room" in file else None
        budget = read_budget(_group(file, "budget")) if "budget" in file else None
        found = read_distortion(_group(file, "distortion")) if "distortion" in file else None
        learnt = read_learnt(_group(file, "learnt")) if "learnt" in file else ()
        study = read_points(_group(file, "points")) if "points" in file else None
        return Result(expansion, directions, _provenance(file), room, budget, found, learnt, study)


def _optional(file: Group) -> dict[str, Any]:
    """What files of earlier versions lack."""
    found: dict[str, Any] = {}
    if "valid_radius_m" in file:
        found["valid_radius_m"] = read_whole(file, "valid_radius_m", "real", ("frequencies",))
    if "near_field" in file:
        found["near_field"] = read_near_field(_group(file, "near_field"))
    if "average_covariance" in file.get("error", {}):
        axes = ("averages", "averages", "frequencies")
        found["average_covariance"] = read_whole(_group(file, "error"), "average_covariance", "real", axes)
    if "residual" in file:
        found["residual"] = _read_residual(_group(file, "residual"))
    return found


def _write_residual(group: Group, residual: PointErrors) -> None:
    put_array(group, "position_m", residual.position_m)
    put_array(group, "frequency_hz", residual.frequency_hz)
    put_array(group, "error_db", residual.error_db.astype(np.float32))
    put_text(group, "name", list(residual.names))
    if residual.layer is not None:
        put_array(group, "layer", residual.layer)


def _read_residual(group: Group) -> PointErrors:
    layer = read_whole(group, "layer", "whole", ("points",)) if "layer" in group else None
    axes = {"position_m": ("points", "x y z"), "frequency_hz": ("bands",), "error_db": ("points", "bands")}
    arrays: dict[str, Any] = {name: read_whole(group, name, "real", axes[name]) for name in axes}
    names = tuple(str(name) for name in read_whole(group, "name", "text", ("points",)))
    return PointErrors(**arrays, layer=layer, names=names)


def write_direction_group(group: Group, directions: DirectionSet) -> None:
    """Puts a direction set into its group."""
    group.attrs["drive_voltage_v"] = directions.drive_voltage_v
    for name in DIRECTION_FIELDS:
        put_array(group, name, getattr(directions, name))
    if directions.orbit is not None and directions.angle_deg is not None:
        put_array(group, "angle_deg", directions.angle_deg)
        put_text(group, "orbit", list(directions.orbit))
    group.attrs["delay"] = directions.delay
    if directions.speed_of_sound_m_s is not None:
        group.attrs["speed_of_sound_m_s"] = directions.speed_of_sound_m_s
    if directions.distance_m is not None:
        put_array(group, "distance_m", directions.distance_m)


def read_direction_group(group: Group, name: str) -> DirectionSet:
    """The direction set of a group."""
    orbit, angle, distance = None, None, None
    if "distance_m" in group:
        distance = read_whole(group, "distance_m", "real", ("angles",))
    if "orbit" in group or "angle_deg" in group:
        orbit = tuple(str(word) for word in read_whole(group, "orbit", "text", ("angles",)))
        angle = read_whole(group, "angle_deg", "real", ("angles",))
    arrays: dict[str, Any] = {
        label: read_whole(group, label, *field) for label, field in DIRECTION_FIELDS.items()
    }
    return DirectionSet(
        name=name,
        **arrays,
        orbit=orbit,
        angle_deg=angle,
        drive_voltage_v=number(group, "drive_voltage_v"),
        distance_m=distance,
        delay=text(group, "delay") or "removed",
        speed_of_sound_m_s=optional_number(group, "speed_of_sound_m_s"),
    )


def _provenance(file: Group) -> dict[str, Any]:
    words = str(read_whole(file, "provenance", "text", ()))
    try:
        found = json.loads(words)
    except ValueError as error:
        raise Malformed(f"provenance must be JSON text: {error}") from error
    if not isinstance(found, dict):
        raise Malformed(f"provenance must be a JSON object, got {type(found).__name__}")
    return found


def _get(file: Group, label: str, kinds: str, axes: tuple[str, ...]) -> Any:
    parent, _, name = label.rpartition("/")
    return read_whole(_group(file, parent) if parent else file, name, kinds, axes)


def _group(parent: Group, name: str) -> Group:
    link = parent.get(name, getlink=True)
    if not isinstance(link, h5py.HardLink) or not isinstance(parent[name], h5py.Group):
        raise Malformed(f"has no group {name}: it is no complete {FORMAT}, convert the scan again")
    return parent[name]
