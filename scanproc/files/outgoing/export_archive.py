"""Everything of an export in one HDF5 file, or a sweep set as NumPy's npz.

HDF5, format "scanproc export", layout 1: per sweep set a group ``sweeps/NAME`` as in result files, and where impulse
responses were asked for a group ``impulse_responses/NAME`` with ``response_pa_m`` (angles, samples), ``direction`` and
the attributes ``sampling_rate_hz``, ``time_zero_sample``, ``lowest_hz``, ``highest_hz``, ``delay``,
``drive_voltage_v``. npz: the fields of the records under their own names.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.errors import ResultFileError, ScanprocError
from scanproc.files.hdf5 import input_errors, new_file, number, open_file, put_array, read_whole, text
from scanproc.files.stored.result_file import read_sweep_group, write_sweep_group
from scanproc.records.impulse import ImpulseSet
from scanproc.records.sweeps import SweepSet

FORMAT = "scanproc export"
LAYOUT_VERSION = 1


def write_hdf5(path: Path, sweeps: Sequence[SweepSet], responses: Sequence[ImpulseSet] = ()) -> None:
    """Writes the file, whole or not at all. Raises OutputError."""
    with new_file(path, FORMAT, LAYOUT_VERSION) as file:
        for one in sweeps:
            write_sweep_group(file.create_group(f"sweeps/{one.name}"), one)
        for response in responses:
            group = file.create_group(f"impulse_responses/{response.name}")
            put_array(group, "response_pa_m", response.response_pa_m)
            put_array(group, "direction", response.direction)
            group.attrs["lowest_hz"], group.attrs["highest_hz"] = response.band_hz
            for name in ("sampling_rate_hz", "time_zero_sample", "delay", "drive_voltage_v"):
                group.attrs[name] = getattr(response, name)


def read_hdf5(path: Path | str) -> tuple[dict[str, SweepSet], dict[str, ImpulseSet]]:
    """Sweep sets and impulse responses by name. Raises ResultFileError."""
    with input_errors(Path(path), ResultFileError), open_file(Path(path), FORMAT, LAYOUT_VERSION) as file:
        sweeps = {name: read_sweep_group(file["sweeps"][name], name) for name in file["sweeps"]}
        found = file.get("impulse_responses", {})
        return sweeps, {name: _read_impulse(found[name], name, sweeps[name]) for name in found}


def write_npz(path: Path, sweeps: SweepSet, responses: ImpulseSet | None = None) -> None:
    """One sweep set, with its impulse responses if any; the same content gives the same bytes."""
    arrays: dict[str, Any] = {
        "name": sweeps.name,
        "direction": sweeps.direction,
        "frequency_hz": sweeps.frequency_hz,
        "pressure_pa_m": sweeps.pressure_pa_m,
        "standard_error_db": sweeps.standard_error_db,
        "drive_voltage_v": sweeps.drive_voltage_v,
        "delay": sweeps.delay,
    }
    for name in ("orbit", "angle_deg", "distance_m", "speed_of_sound_m_s"):
        if getattr(sweeps, name) is not None:
            arrays[name] = getattr(sweeps, name)
    if responses is not None:
        for name in ("response_pa_m", "sampling_rate_hz", "time_zero_sample", "band_hz"):
            arrays[f"impulse_{name}"] = getattr(responses, name)
    with path.open("wb") as file:
        np.savez(file, allow_pickle=False, **arrays)


def read_npz(path: Path | str) -> SweepSet:
    """The sweep set of an npz file. Raises ResultFileError."""
    try:
        with np.load(path, allow_pickle=False) as found:
            return SweepSet(
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
            f"is no exported sweep set: {' '.join(str(error).split())}", path=path
        ) from error


def _read_impulse(group: Any, name: str, sweeps: SweepSet) -> ImpulseSet:
    return ImpulseSet(
        name,
        read_whole(group, "direction", "real", ("angles", "x y z")),
        read_whole(group, "response_pa_m", "real", ("angles", "samples")),
        number(group, "sampling_rate_hz"),
        int(number(group, "time_zero_sample")),
        (number(group, "lowest_hz"), number(group, "highest_hz")),
        sweeps.orbit,
        sweeps.angle_deg,
        number(group, "drive_voltage_v"),
        sweeps.distance_m,
        text(group, "delay"),
    )
