"""A result against a far-field reference, another result, or a scan against itself: ``scanproc compare``."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from scanproc.conventions import Integer
from scanproc.errors import InputError, ScanDataError
from scanproc.files.reference_files import Measured, hdf5_format, read_reference
from scanproc.files.reference_text import Unit
from scanproc.files.result_file import FORMAT, read_result
from scanproc.files.scan_file import open_scan
from scanproc.records.comparison import Comparison, Reference
from scanproc.records.expansion import Expansion
from scanproc.records.scan import ImpulseScan, Scan
from scanproc.records.sweeps import SweepSet
from scanproc.run.pipeline import without_room
from scanproc.run.progress import Progress, silent
from scanproc.run.settings import Settings
from scanproc.steps.compare import CompareChoices, compare
from scanproc.steps.reference import (
    far_field_reference,
    first_reflection_s,
    gated_reference,
    reference_of,
    sweep_reference,
)
from scanproc.steps.subsets import spread_subset
from scanproc.steps.sweep_sets import speed_of_sound

HALVES_SEED = 5


@dataclass(frozen=True)
class ReferenceChoices:
    """How to read the reference: its distance (m) and unit where the files do not say, the gate's length (s) after the
    direct sound or the height (m) of device and microphone above the floor, from which it follows."""

    distance_m: float | None = None
    unit: Unit | None = None
    gate_s: float | None = None
    height_m: float | None = None
    choices: CompareChoices = field(default_factory=CompareChoices)


def compare_files(
    result_path: Path | str, reference_path: Path | str, wanted: ReferenceChoices | None = None
) -> Comparison:
    """Compares a result with a reference or with another result. Raises InputError or SettingsError."""
    wanted = wanted or ReferenceChoices()
    expansion = read_result(_result_at(Path(result_path))).expansion
    place = _result_at(Path(reference_path))
    try:
        return compare(expansion, _reference(place, expansion, wanted), wanted.choices)
    except ScanDataError as error:
        raise error if error.path else error.at(reference_path) from None


def compare_halves(
    scan_path: Path | str,
    settings: Settings | None = None,
    choices: CompareChoices | None = None,
    progress: Progress = silent,
) -> Comparison:
    """Converts two well-spread halves of a scan apart and compares their far fields on both orbits.

    What both halves share (calibration, position of the device, what is left of the room) does not show. Raises
    ScanFileError or ScanDataError.
    """
    settings = settings or Settings()
    with open_scan(Path(scan_path)) as file:
        half = spread_subset(file.setup, file.points // 2, np.random.default_rng(HALVES_SEED))
        other = np.setdiff1d(np.arange(file.points), half)
    try:
        first, second = (_converted(Path(scan_path), part, settings, progress) for part in (half, other))
        return compare(first, far_field_reference("its other half", second), choices)
    except ScanDataError as error:
        raise error if error.path else error.at(scan_path) from None


def _converted(path: Path, points: Integer, settings: Settings, progress: Progress) -> Expansion:
    with open_scan(path) as file:
        file.use(np.sort(points))
        return without_room(file, settings, progress)[0]


def _result_at(path: Path) -> Path:
    inside = path / "result.h5"
    return inside if path.is_dir() and inside.is_file() else path


def _reference(path: Path, expansion: Expansion, wanted: ReferenceChoices) -> Reference:
    if path.is_file() and hdf5_format(path) == FORMAT:
        name = path.parent.name if path.name == "result.h5" else path.name
        return far_field_reference(name or path.name, read_result(path).expansion)
    measured = read_reference(path, distance_m=wanted.distance_m, unit=wanted.unit)
    return _ready(measured, expansion, wanted, path)


def _ready(measured: Measured, expansion: Expansion, wanted: ReferenceChoices, path: Path) -> Reference:
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
    return _named(found, measured)


def _of_spectra(measured: Measured, content: Reference | SweepSet | Scan) -> Reference:
    if isinstance(content, SweepSet):
        return sweep_reference(content)
    if isinstance(content, Scan):
        return reference_of(measured.name, measured.label, content)
    return content


def _named(found: Reference, measured: Measured) -> Reference:
    return replace(found, name=measured.name, relative=measured.relative)


def _gate_s(impulse: ImpulseScan, expansion: Expansion, wanted: ReferenceChoices) -> float | None:
    """The stated gate, or one that ends at the floor's reflection at the farthest microphone."""
    if wanted.gate_s is not None or wanted.height_m is None:
        return wanted.gate_s
    farthest = float(np.linalg.norm(impulse.setup.position_m, axis=1).max())
    return first_reflection_s(farthest, wanted.height_m, speed_of_sound(expansion))
