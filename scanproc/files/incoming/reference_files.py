"""Far-field references from files: what was measured, where, in which unit. Nothing is computed here but units.

| path | what it is | unit |
|---|---|---|
| ``.h5`` | a scan file whose points are the microphones, or an export with one direction set | Pa |
| ``.sofa`` | AES69 of any convention, data types FIR and TF | Pa if scanproc wrote it, else to be stated |
| ``.npz``, a directory with ``angles.csv`` | a direction set that scanproc exported | Pa·m |
| a directory with ``reference.toml`` | WAV or text with a list of its files | as the list says |
| a directory of ``horizontal_030.wav`` (``vertical_...``; ``.csv``, ``.txt``) | a file per angle | below |
| ``.toml`` | a list of such files with their angles, see :class:`Described` | below |

WAV: an impulse response; CSV with the header ``frequency_hz,level_db``, ``frequency_hz,level_db,phase_deg`` or
``frequency_hz,real_pa,imag_pa``; text of two or three columns (Hz, dB, degrees) without a header; other ways of writing
these are read where they are plain, see :mod:`scanproc.files.incoming.reference_text`. WAV and text without a header
say nothing of their unit, so it must be stated: "pa" (Pa, or dB re 20 µPa) or "relative". Levels are at the microphone.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from scanproc.conventions import REFERENCE_VOLTAGE_V, Real
from scanproc.errors import InputError, ScanDataError, SettingsError
from scanproc.files.hdf5 import hdf5_format
from scanproc.files.incoming.reference_sofa import read_sofa_sound, sofa_words
from scanproc.files.incoming.reference_text import (
    ReferenceTable,
    Unit,
    read_reference_table,
    read_wavs,
    stated_unit,
)
from scanproc.files.outgoing.export_archive import read_hdf5, read_npz
from scanproc.files.outgoing.reference_list import REFERENCE_FILE
from scanproc.files.outgoing.tables import ANGLES_FILE, FAR_FIELD, read_direction_tables
from scanproc.files.stored.scan_file import read_scan
from scanproc.records.answers.comparison import Reference
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from scanproc.waves.directions import horizontal_orbit, unit_vectors, vertical_orbit

NAME = re.compile(
    r"(h|hor|horizontal|v|ver|vert|vertical)[ _]*([+-]?\d+(?:\.\d+)?)[ _]*(?:deg|°)?", re.IGNORECASE
)
"""``horizontal_030``, ``horizontal_+030_deg``, ``H30``, ``vert -15``: the orbit, then the angle; a hyphen is a "
"minus."""
ENDINGS = (".wav", ".csv", ".txt")


@dataclass(frozen=True, eq=False)
class MeasuredReference:
    """What a reference file holds: ``label`` names its angles where the content does not, ``relative`` says that its
    unit is not Pa, ``clock_known`` whether its time zero means anything. ``far_field``: the values are not the pressure
    at the microphones, but the far field normalised to 1 m; ``delay_removed``: the delay over the distance (of the far
    field 1 m) is not in them. Below ``lowest_valid_hz`` nothing is valid."""

    name: str
    content: Reference | DirectionSet | Scan | ImpulseScan
    label: tuple[str, ...] = ()
    relative: bool = False
    clock_known: bool = True
    far_field: bool = False
    delay_removed: bool = False
    lowest_valid_hz: float = 0.0


class Microphone(BaseModel):
    """One file and where its microphone stood: an angle on an orbit, azimuth and elevation, or a position."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    file: str
    label: str = ""
    horizontal_deg: float | None = None
    vertical_deg: float | None = None
    azimuth_deg: float | None = None
    elevation_deg: float | None = None
    position_m: tuple[float, float, float] | None = None
    distance_m: Annotated[float, Field(gt=0)] | None = None


class Described(BaseModel):
    """A reference in TOML: ``distance_m``, ``unit`` ("pa" or "relative"), ``drive_voltage_v``, then ``[[microphone]]``
    tables, each with ``file`` (beside the TOML file) and ``horizontal_deg``, ``vertical_deg``, ``azimuth_deg`` with
    ``elevation_deg``, or ``position_m``; ``distance_m`` there overrides the common one."""

    model_config = ConfigDict(extra="forbid", frozen=True)
    name: str = ""
    distance_m: Annotated[float, Field(gt=0)] | None = None
    unit: Unit | None = None
    drive_voltage_v: Annotated[float, Field(gt=0)] = REFERENCE_VOLTAGE_V
    far_field: bool = False
    delay: Literal["kept", "removed"] = "kept"
    time_zero_sample: Annotated[int, Field(ge=0)] | None = None
    lowest_valid_hz: Annotated[float, Field(ge=0)] = 0.0
    channel: Annotated[int, Field(ge=1)] | None = None
    microphone: tuple[Microphone, ...] = Field(min_length=1)


@dataclass(frozen=True, eq=False)
class _Place:
    path: Path
    label: str
    position_m: Real


def read_reference(
    path: Path | str,
    *,
    distance_m: float | None = None,
    unit: Unit | None = None,
    channel: int | None = None,
) -> MeasuredReference:
    """A reference of any of the kinds above. ``distance_m`` and ``unit`` for files that do not say, ``channel`` (from
    1) for WAV files that hold several.

    Raises InputError, or SettingsError when distance or unit are needed and not stated.

    >>> sp.read_reference(folder / "H0.txt", distance_m=2.0, unit="pa").label
    ('horizontal 0 deg',)
    """
    place = Path(path)
    if place.is_dir():
        if (place / ANGLES_FILE).is_file():
            return MeasuredReference(place.name, read_direction_tables(place))
        if (place / REFERENCE_FILE).is_file():
            return _from_toml(place / REFERENCE_FILE, distance_m, unit)
        return _from_places(place.name, _named(place, distance_m), unit, REFERENCE_VOLTAGE_V, channel)
    kind = place.suffix.lower()
    if kind == ".toml":
        return _from_toml(place, distance_m, unit)
    if kind == ".sofa":
        return _from_sofa(place, unit)
    if kind == ".npz":
        return MeasuredReference(place.name, read_npz(place))
    if kind in ENDINGS:
        return _from_places(place.name, [_by_name(place, distance_m)], unit, REFERENCE_VOLTAGE_V, channel)
    return _from_hdf5(place)


def files_of(path: Path) -> list[Path]:
    """The files that the reference at ``path`` names or holds, none for a single file."""
    if path.is_dir():
        return sorted(entry for entry in path.iterdir() if entry.is_file())
    if path.suffix.lower() != ".toml":
        return []
    return [path.parent / entry.file for entry in _table(path).microphone]


def _from_hdf5(path: Path) -> MeasuredReference:
    if hdf5_format(path) != "scanproc export":
        scan = read_scan(path)
        label = tuple(_position_label(position) for position in scan.setup.position_m)
        return MeasuredReference(path.name, scan, label)
    sets, _ = read_hdf5(path)
    if len(sets) != 1:
        raise InputError(
            f"holds {len(sets)} direction sets ({', '.join(sets)}), one was needed: export one set", path=path
        )
    return MeasuredReference(path.name, next(iter(sets.values())))


def _from_sofa(path: Path, unit: Unit | None) -> MeasuredReference:
    """The clock of other programs' impulse responses is not trusted."""
    words = sofa_words(path)
    content = read_sofa_sound(path)
    if voltage := re.search(r"for (\S+) V;", words):
        setup = replace(content.setup, drive_voltage_v=float(voltage[1]))
        content = replace(content, setup=setup)
    label = tuple(_position_label(position) for position in content.setup.position_m)
    stated = "pa" if words else stated_unit(unit, path)
    return MeasuredReference(
        path.name,
        content,
        label,
        stated == "relative",
        clock_known=bool(words) or not isinstance(content, ImpulseScan),
        far_field=FAR_FIELD in words,
        delay_removed="is removed" in words,
    )


def _from_toml(path: Path, distance_m: float | None, unit: Unit | None) -> MeasuredReference:
    table = _table(path)
    places = [
        _described(path, entry, entry.distance_m or table.distance_m or distance_m)
        for entry in table.microphone
    ]
    found = _from_places(
        table.name or path.name, places, table.unit or unit, table.drive_voltage_v, table.channel
    )
    content, zero = found.content, table.time_zero_sample
    if isinstance(content, ImpulseScan) and zero is not None:
        content = replace(content, time_zero_s=-zero / content.sampling_rate_hz)
    return replace(
        found,
        content=content,
        clock_known=found.clock_known or zero is not None,
        far_field=table.far_field,
        delay_removed=table.delay == "removed",
        lowest_valid_hz=table.lowest_valid_hz,
    )


def _table(path: Path) -> Described:
    try:
        return Described.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise SettingsError(f"not a TOML file: {error}", path=path) from None
    except ValidationError as error:
        wrong = [f"{'.'.join(map(str, e['loc'])) or 'reference'}: {e['msg']}" for e in error.errors()]
        raise SettingsError("; ".join(wrong), path=path) from None


def _described(path: Path, entry: Microphone, distance_m: float | None) -> _Place:
    file = path.parent / entry.file
    if entry.position_m is not None:
        position = np.array(entry.position_m)
        if not np.any(position):
            raise SettingsError(f"{entry.file}: position_m lies at the origin: correct it", path=path)
        return _Place(file, entry.label or _position_label(position), position)
    if entry.horizontal_deg is not None:
        direction, label = (
            horizontal_orbit(entry.horizontal_deg)[0],
            f"horizontal {entry.horizontal_deg:zg} deg",
        )
    elif entry.vertical_deg is not None:
        direction, label = vertical_orbit(entry.vertical_deg)[0], f"vertical {entry.vertical_deg:zg} deg"
    elif entry.azimuth_deg is not None and entry.elevation_deg is not None:
        polar, azimuth = np.deg2rad([90 - entry.elevation_deg, entry.azimuth_deg])
        direction = unit_vectors(polar, azimuth)
        label = f"azimuth {entry.azimuth_deg:zg} elevation {entry.elevation_deg:zg} deg"
    else:
        raise SettingsError(
            f"{entry.file}: needs horizontal_deg, vertical_deg, azimuth_deg with elevation_deg, or position_m",
            path=path,
        )
    return _Place(file, label, direction * _needed_distance(distance_m, path))


def _named(directory: Path, distance_m: float | None) -> list[_Place]:
    files = sorted(entry for entry in directory.iterdir() if entry.suffix.lower() in ENDINGS)
    if not files:
        raise InputError(
            f"holds no {', '.join(ENDINGS)} file and no {ANGLES_FILE}: name the reference's folder",
            path=directory,
        )
    kinds = sorted({file.suffix.lower() for file in files if NAME.fullmatch(file.stem)})
    files = [
        file for file in files if not kinds or file.suffix.lower() in kinds
    ]  # a note may lie beside the data
    if len(kinds) > 1:
        raise InputError(f"holds {' and '.join(kinds)} files: keep one kind in a folder", path=directory)
    return [_by_name(file, distance_m) for file in files]


def _by_name(path: Path, distance_m: float | None) -> _Place:
    match = NAME.fullmatch(path.stem)
    if match is None:
        raise InputError(
            f"its name does not say the angle: call it like horizontal_030{path.suffix}, list the files in a TOML "
            "file, or keep it elsewhere if it is none of them",
            path=path,
        )
    orbit, angle = "horizontal" if match[1].lower().startswith("h") else "vertical", float(match[2])
    direction = {"horizontal": horizontal_orbit, "vertical": vertical_orbit}[orbit](angle)[0]
    return _Place(path, f"{orbit} {angle:zg} deg", direction * _needed_distance(distance_m, path))


def _needed_distance(distance_m: float | None, path: Path) -> float:
    if distance_m is None:
        raise SettingsError("does not say its distance: state it with --distance (m)", path=path)
    return distance_m


def _from_places(
    name: str, places: Sequence[_Place], unit: Unit | None, drive_voltage_v: float, channel: int | None
) -> MeasuredReference:
    label = tuple(place.label for place in places)
    twice = sorted({one for one in label if label.count(one) > 1})
    if twice:
        raise InputError(
            f"the angle {twice[0]} comes twice: keep one of its files", path=places[0].path.parent
        )
    position = np.array([place.position_m for place in places])
    kinds = {place.path.suffix.lower() for place in places}
    if kinds == {".wav"}:
        relative = stated_unit(unit, places[0].path) == "relative"
        setup = ScanSetup(position, drive_voltage_v=drive_voltage_v)
        responses = read_wavs(setup, [place.path for place in places], channel)
        return MeasuredReference(name, responses, label, relative, False)
    if ".wav" in kinds:
        raise InputError(
            "WAV and text cannot stand in one reference: use one kind", path=places[0].path.parent
        )
    tables = _tables_alike(places, unit)
    first = tables[0]
    distance = np.linalg.norm(position, axis=1)
    try:
        content = Reference(
            name,
            label,
            position / distance[:, None],
            distance,
            first.frequency_hz,
            np.array([table.pressure_pa for table in tables]),
            has_phase=first.has_phase,
            drive_voltage_v=drive_voltage_v,
        )
    except ScanDataError as error:
        raise InputError(error.message, path=places[0].path) from error
    return MeasuredReference(name, content, label, any(table.relative for table in tables))


def _position_label(position: Real) -> str:
    x, y, z = position
    azimuth, elevation = np.degrees([np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))])
    if abs(elevation) < 0.05:
        return f"horizontal {round(float(azimuth), 1):zg} deg"
    return f"azimuth {round(float(azimuth), 1):zg} elevation {round(float(elevation), 1):zg} deg"


def _tables_alike(places: Sequence[_Place], unit: Unit | None) -> list[ReferenceTable]:
    """A table per place, of the same frequencies and columns. Raises InputError."""
    tables = [read_reference_table(place.path, unit) for place in places]
    first = tables[0]
    for place, table in zip(places, tables, strict=True):
        alike = table.has_phase == first.has_phase
        if not alike or not np.array_equal(table.frequency_hz, first.frequency_hz):
            raise InputError(
                f"has other frequencies or columns than {places[0].path.name}: export all angles alike",
                path=place.path,
            )
    return tables
