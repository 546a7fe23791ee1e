"""AES69 (SOFA) files through sofar: directions as FreeFieldDirectivityTF 1.1, impulse responses as GeneralFIR 1.0.

The device is the source at the origin, looking along +x with +z up; each angle is a receiver at its azimuth (from +x
towards +y), elevation and distance. At seats values are rms pressures in Pa at the drive voltage; of the far field they
are that far field normalised to 1 m, p·r·e^{+jkr}/(1 m) for r → ∞, which near a device is not the pressure at 1 m; the
description says which. Re and Im of a phasor that turns as e^{+jωt}, as a Fourier transform has it. AES69 has no
directivity convention for impulse responses; GeneralFIR holds them with negative delays: time zero is the drive.

sofar's check lets empty texts, nonsense dates and falling frequencies pass, so they are checked here. Optional texts by
measurement are left out: writing them crashes with netCDF4 1.7.4 and later.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import OutputError
from scanproc.files.outgoing.export_wav import in_pascal
from scanproc.files.outgoing.tables import FAR_FIELD, at_distance
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.impulse import ImpulseSet
from scanproc.records.checked import increasing
from scanproc.version import VERSION

NOT_STATED = "not stated"
TITLE_TF, TITLE_FIR = "FreeFieldDirectivityTF", "GeneralFIR"
DATE = "%Y-%m-%d %H:%M:%S"


@dataclass(frozen=True)
class About:
    """Who and what, for the texts that AES69 demands; ``date`` as "2026-05-01 07:30:00" (UTC)."""

    device: str = NOT_STATED
    manufacturer: str = NOT_STATED
    author_contact: str = NOT_STATED
    organization: str = NOT_STATED
    license: str = NOT_STATED
    date: str = "1970-01-01 00:00:00"


def write_sofa(path: Path, directions: DirectionSet, about: About) -> None:
    """One direction set as FreeFieldDirectivityTF. Raises OutputError when the standard cannot be met."""
    sofa = _new(TITLE_TF, "1.1", about, directions.name)
    value = at_distance(directions)
    increasing("N", directions.frequency_hz)
    sofa.Data_Real, sofa.Data_Imag = value.real[None], value.imag[None]
    sofa.N = directions.frequency_hz
    _set_receivers(sofa, directions.direction, directions.distance_m)
    sofa.SourceView = [[1.0, 0.0, 0.0]]
    sofa.SourceUp = [[0.0, 0.0, 1.0]]
    sofa.SourcePosition_Reference = "origin of the scan"
    sofa.SourceView_Reference = "reference axis"
    sofa.SourceUp_Reference = "up"
    sofa.GLOBAL_SourceType = "loudspeaker"
    sofa.GLOBAL_SourceManufacturer = about.manufacturer
    sofa.GLOBAL_DatabaseName = about.device
    sofa.GLOBAL_Description = _description(
        directions.distance_m, directions.delay, directions.drive_voltage_v
    )
    for name in ("EmitterDescriptions", "Description", "MIDINote", "SourceTuningFrequency"):
        sofa.delete(name)
    _write(path, sofa)


def write_sofa_impulses(path: Path, responses: ImpulseSet, about: About) -> None:
    """Impulse responses as GeneralFIR. Raises OutputError when the standard cannot be met."""
    sofa = _new(TITLE_FIR, "1.0", about, responses.name)
    sofa.Data_IR = in_pascal(responses)[None]
    sofa.Data_SamplingRate = responses.sampling_rate_hz
    sofa.Data_Delay = np.full((1, len(responses.direction)), -float(responses.time_zero_sample))
    _set_receivers(sofa, responses.direction, responses.distance_m)
    sofa.SourcePosition, sofa.SourcePosition_Type = [[0.0, 0.0, 0.0]], "cartesian"
    sofa.SourcePosition_Units = "metre"
    zero = f"; time zero is sample {responses.time_zero_sample} (Data.Delay)"
    sofa.GLOBAL_Comment = (
        _description(responses.distance_m, responses.delay, responses.drive_voltage_v) + zero
    )
    _write(path, sofa)


def _sofar() -> Any:
    """The library, loaded when first needed; netCDF4 warns of a size that numpy itself calls harmless."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", "numpy.ndarray size changed", RuntimeWarning)
        return import_module("sofar")


def _new(convention: str, version: str, about: About, name: str) -> Any:
    sofa = _sofar().Sofa(convention, version=version)
    sofa.GLOBAL_Title = f"{about.device}, {name}"
    sofa.GLOBAL_DateCreated = sofa.GLOBAL_DateModified = about.date
    sofa.GLOBAL_AuthorContact = about.author_contact
    sofa.GLOBAL_Organization = about.organization
    sofa.GLOBAL_License = about.license
    sofa.GLOBAL_ApplicationName, sofa.GLOBAL_ApplicationVersion = "scanproc", VERSION
    sofa.GLOBAL_Origin = "near-field scan, extrapolated"
    return sofa


def _set_receivers(sofa: Any, direction: Real, distance_m: Real | None) -> None:
    x, y, z = direction.T
    distance = np.ones(len(direction)) if distance_m is None else distance_m
    azimuth = np.degrees(np.arctan2(y, x)) % 360
    elevation = np.degrees(np.arctan2(z, np.hypot(x, y)))
    sofa.ReceiverPosition = np.stack([azimuth, elevation, distance], axis=1)
    sofa.ReceiverPosition_Type, sofa.ReceiverPosition_Units = "spherical", "degree, degree, metre"


def _description(distance_m: Real | None, delay: str, drive_voltage_v: float) -> str:
    what = FAR_FIELD if distance_m is None else "rms pressure in Pa at the receiver"
    over = "1 m" if distance_m is None else "the receiver's distance from the origin"
    return f"{what}, for {drive_voltage_v:g} V; the delay over {over} is {delay}"


def _write(path: Path, sofa: Any) -> None:
    _refuse_what_the_check_lets_pass(path, sofa)
    try:
        sofa.verify(issue_handling="raise")
    except ValueError as error:
        raise OutputError(f"does not meet AES69: {' '.join(str(error).split())}", path=path) from error
    path.parent.mkdir(parents=True, exist_ok=True)
    try:
        _sofar().write_sofa(str(path), sofa, compression=4)
    except (RuntimeError, OSError) as error:  # what netCDF4 makes of a full disk
        raise OutputError(
            f"could not be written: {error}: check free space and permissions", path=path
        ) from error


def _refuse_what_the_check_lets_pass(path: Path, sofa: Any) -> None:
    for name in mandatory_texts(sofa):
        if not str(getattr(sofa, name)).strip():
            raise OutputError(
                f"AES69 needs a text for {name.removeprefix('GLOBAL_')}, got none: state it", path=path
            )
    for name in ("GLOBAL_DateCreated", "GLOBAL_DateModified"):
        try:
            datetime.strptime(getattr(sofa, name), DATE)
        except ValueError as error:
            raise OutputError(f"AES69 needs a date like 2026-05-01 07:30:00: {error}", path=path) from error


def mandatory_texts(sofa: Any) -> list[str]:
    """Names of the mandatory attributes that are texts, by sofar's table of the convention."""
    table: Mapping[str, Mapping[str, Any]] = sofa._convention
    return [
        name
        for name, entry in table.items()
        if "m" in (entry["flags"] or "") and entry["type"] in ("attribute", "string")
    ]
