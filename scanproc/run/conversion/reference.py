"""A far-field reference, or another result, made ready and compared with an expansion."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from scanproc.errors import InputError, naming
from scanproc.files.hdf5 import hdf5_format
from scanproc.files.incoming.reference_files import MeasuredReference, files_of, read_reference
from scanproc.files.incoming.reference_text import Unit
from scanproc.files.stored.result_file import FORMAT, read_result
from scanproc.records.answers.comparison import Comparison, Reference
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import ImpulseScan, Scan
from scanproc.run.settings.conversion import ReferenceSettings
from scanproc.steps.compare.differences import CompareChoices, compare
from scanproc.steps.compare.reference import (
    as_heard,
    direction_reference,
    far_field_reference,
    floor_reflection_s,
    gated_reference,
    reference_of,
)
from scanproc.steps.farfield.sets import speed_of_sound


@dataclass(frozen=True)
class ReferenceChoices:
    """How to read the reference: its distance (m) and unit where the files do not say, the gate's length (s) after the
    direct sound or the height (m) of device and microphone above the floor, from which it follows; which channel (from
    1) of WAV files with several."""

    distance_m: float | None = None
    unit: Unit | None = None
    gate_s: float | None = None
    height_m: float | None = None
    channel: int | None = None
    choices: CompareChoices = field(default_factory=CompareChoices)


def choices_of(settings: ReferenceSettings) -> ReferenceChoices:
    """What the section [reference] says."""
    judged = CompareChoices(settings.tolerance_db, up_to_hz=settings.up_to_hz)
    return ReferenceChoices(
        settings.distance_m, settings.unit, settings.gate_s, settings.height_m, choices=judged
    )


def check_reference(settings: ReferenceSettings) -> None:
    """Reads the reference, if there is one, so that what is wrong with it is known before the work begins.

    Raises InputError, SettingsError or ResultFileError.
    """
    if settings.file is None:
        return
    place = result_at(Path(settings.file))
    if not is_result(place):
        read_reference(place, distance_m=settings.distance_m, unit=settings.unit)


def read_for(settings: ReferenceSettings) -> list[Path]:
    """The files that the reference is read from, if there is one."""
    return [] if settings.file is None else read_at(Path(settings.file))


def read_at(path: Path) -> list[Path]:
    """The files that a reference, or a result, at ``path`` is read from."""
    place = result_at(path)
    return [place, *files_of(place)]


def compared(expansion: Expansion, path: Path | str, wanted: ReferenceChoices) -> Comparison:
    """An expansion against the reference, or the other result, at ``path``. Raises InputError or ScanDataError."""
    place = result_at(Path(path))
    with naming(path):
        return compare(expansion, _reference(place, expansion, wanted), wanted.choices)


def matched(expansion: Expansion, settings: ReferenceSettings) -> tuple[Comparison | None, tuple[str, ...]]:
    """The comparison that the settings ask for, if any, or a warning why it could not be made."""
    if settings.file is None:
        return None, ()
    try:
        return compared(expansion, settings.file, choices_of(settings)), ()
    except InputError as error:
        return None, (f"it was not compared with the reference: {error}",)


def is_result(path: Path) -> bool:
    return path.is_file() and hdf5_format(path) == FORMAT


def result_at(path: Path) -> Path:
    inside = path / "result.h5"
    return inside if path.is_dir() and inside.is_file() else path


def name_of(path: Path) -> str:
    """What a result is called: its directory, or its file."""
    own = path.absolute().parent.name if path.name == "result.h5" else path.name
    return own or path.name


def _reference(path: Path, expansion: Expansion, wanted: ReferenceChoices) -> Reference:
    if is_result(path):
        return far_field_reference(name_of(path), read_result(path).expansion)
    measured = read_reference(path, distance_m=wanted.distance_m, unit=wanted.unit, channel=wanted.channel)
    return _ready(measured, expansion, wanted, path)


def _ready(
    measured: MeasuredReference, expansion: Expansion, wanted: ReferenceChoices, path: Path
) -> Reference:
    content = measured.content
    if isinstance(content, ImpulseScan):
        gate_s = _gate_s(content, expansion, wanted)
        band = expansion.frequency_hz[expansion.frequency_hz < content.sampling_rate_hz / 2]
        found = gated_reference(
            measured.name, measured.label, content, band, gate_s, clock_known=measured.clock_known
        )
    else:
        if wanted.gate_s is not None or wanted.height_m is not None:
            raise InputError("is no impulse response, so nothing can be gated: leave the gate out", path=path)
        found = _of_spectra(measured, content)
    found = replace(
        found,
        name=measured.name,
        relative=measured.relative,
        lowest_valid_hz=max(found.lowest_valid_hz, measured.lowest_valid_hz),
    )
    return as_heard(found, speed_of_sound(expansion), measured.far_field, measured.delay_removed)


def _of_spectra(measured: MeasuredReference, content: Reference | DirectionSet | Scan) -> Reference:
    if isinstance(content, DirectionSet):
        return direction_reference(content)
    if isinstance(content, Scan):
        return reference_of(measured.name, measured.label, content)
    return content


def _gate_s(impulse: ImpulseScan, expansion: Expansion, wanted: ReferenceChoices) -> float | None:
    """The stated gate, or one that ends at the floor's reflection at the farthest microphone."""
    if wanted.gate_s is not None or wanted.height_m is None:
        return wanted.gate_s
    farthest = float(np.linalg.norm(impulse.setup.position_m, axis=1).max())
    return floor_reflection_s(farthest, wanted.height_m, speed_of_sound(expansion))
