"""Everything of an export in one HDF5 file, or a direction set as NumPy's npz.

HDF5, format "scanproc export", layout 1: per direction set a group ``directions/NAME`` as in result files, and where
impulse responses were asked for a group ``impulse_responses/NAME`` with ``response_pa_m`` (angles, samples),
``direction`` and the attributes ``sampling_rate_hz``, ``time_zero_sample``, ``lowest_hz``, ``highest_hz``, ``delay``,
``drive_voltage_v``. npz: the fields of the records under their own names.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.errors import ResultFileError, ScanprocError
from scanproc.files.hdf5 import input_errors, new_file, number, open_file, put_array, read_whole, text
from scanproc.files.stored.result_file import EARLIER_PLACE, read_direction_group, write_direction_group
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.impulse import ImpulseSet

FORMAT = "scanproc export"
LAYOUT_VERSION = 1


def write_hdf5(path: Path, directions: Sequence[DirectionSet], responses: Sequence[ImpulseSet] = ()) -> None:
    """Writes the file, whole or not at all. Raises OutputError."""
    with new_file(path, FORMAT, LAYOUT_VERSION) as file:
        for one in directions:
            write_direction_group(file.create_group(f"directions/{one.name}"), one)
        for response in responses:
            group = file.create_group(f"impulse_responses/{response.name}")
            put_array(group, "response_pa_m", response.response_pa_m)
            put_array(group, "direction", response.direction)
            group.attrs["lowest_hz"], group.attrs["highest_hz"] = response.band_hz
            for name in ("sampling_rate_hz", "time_zero_sample", "delay", "drive_voltage_v"):
                group.attrs[name] = getattr(response, name)


def read_hdf5(path: Path | str) -> tuple[dict[str, DirectionSet], dict[str, ImpulseSet]]:
    """Direction sets and impulse responses by name. Raises ResultFileError."""
    with input_errors(Path(path), ResultFileError), open_file(Path(path), FORMAT, LAYOUT_VERSION) as file:
        group = file[EARLIER_PLACE if EARLIER_PLACE in file else "directions"]
        directions = {name: read_direction_group(group[name], name) for name in group}
        found = file.get("impulse_responses", {})
        return directions, {name: _read_impulse(found[name], name, directions[name]) for name in found}


def write_npz(path: Path, directions: DirectionSet, responses: ImpulseSet | None = None) -> None:
    """One direction set, with its impulse responses if any; the same content gives the same bytes."""
    arrays: dict[str, Any] = {
        "name": directions.name,
        "direction": directions.direction,
        "frequency_hz": directions.frequency_hz,
        "pressure_pa_m": directions.pressure_pa_m,
        "standard_error_db": directions.standard_error_db,
        "drive_voltage_v": directions.drive_voltage_v,
        "delay": directions.delay,
    }
    for name in ("orbit", "angle_deg", "distance_m", "speed_of_sound_m_s"):
        if getattr(directions, name) is not None:
            arrays[name] = getattr(directions, name)
    if responses is not None:
        for name in ("response_pa_m", "sampling_rate_hz", "time_zero_sample", "band_hz"):
            arrays[f"impulse_{name}"] = getattr(responses, name)
    with path.open("wb") as file:
        np.savez(file, allow_pickle=False, **arrays)


def read_npz(path: Path | str) -> DirectionSet:
    """The direction set of an npz file. Raises ResultFileError."""
    try:
        with np.load(path, allow_pickle=False) as found:
            return DirectionSet(
                name=str(found["name"]),
                direction=found["direction"],
                frequency_hz=found["frequency_hz"],
                pressure_pa_m=found["pressure_pa_m"],
                standard_error_db=found["standard_error_db"],
                orbit=tuple(map(str, found["orbit"])) if "orbit" in found else None,
                angle_deg=found.get("angle_deg"),
                drive_voltage_v=float(found["drive_voltage_v"]),
                distance_m=found.get("distance_m"),
                delay=str(found["delay"]),
                speed_of_sound_m_s=float(found["speed_of_sound_m_s"])
                if "speed_of_sound_m_s" in found
                else None,
            )
    except (OSError, ValueError, KeyError, EOFError, ScanprocError) as error:
        raise ResultFileError(
            f"is no exported direction set: {' '.join(str(error).split())}", path=path
        ) from error


def _read_impulse(group: Any, name: str, directions: DirectionSet) -> ImpulseSet:
    return ImpulseSet(
        name,
        read_whole(group, "direction", "real", ("angles", "x y z")),
        read_whole(group, "response_pa_m", "real", ("angles", "samples")),
        number(group, "sampling_rate_hz"),
        int(number(group, "time_zero_sample")),
        (number(group, "lowest_hz"), number(group, "highest_hz")),
        directions.orbit,
        directions.angle_deg,
        number(group, "drive_voltage_v"),
        directions.distance_m,
        text(group, "delay"),
    )
