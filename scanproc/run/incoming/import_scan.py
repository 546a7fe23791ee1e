"""Other people's data to a scan file, block by block."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import Boolean, Complex, Real, Words
from scanproc.errors import InputError, ScanDataError
from scanproc.files.incoming.import_positions import PointTable, read_point_table
from scanproc.files.incoming.import_sofa import read_sofa
from scanproc.files.incoming.import_spectra import (
    archive_blocks,
    read_archive_tables,
    read_spectrum,
    spectrum_blocks,
)
from scanproc.files.incoming.import_wav import Recording, finished, inside, read_wav, wav_blocks, wav_format
from scanproc.files.incoming.transfer_function import read_transfer_function
from scanproc.files.replacing import check_file
from scanproc.files.stored.scan_file import is_scan
from scanproc.files.stored.scan_writer import write_stream
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.records.measured.stream import SoundStream
from scanproc.run.incoming.driven import driven_by, harmonic_stream, response_stream
from scanproc.run.progress import Progress, silent
from scanproc.run.settings.imports import ImportSettings
from scanproc.steps.check.setup import some, unit_findings
from scanproc.steps.sound.deconvolve import at, corrected
from scanproc.steps.sound.response_facts import flat_tops, is_sweep

TABLES = (".csv", ".txt")
FEW_FILES = 8
"""So many files are listened to, whether they are sweeps."""


@dataclass(frozen=True)
class Imported:
    """What an import made: points, columns, and what was noticed on the way."""

    kind: str
    points: int
    columns: int
    warnings: tuple[str, ...]


def import_scan(
    source: Path | str,
    output: Path | str,
    settings: ImportSettings | None = None,
    progress: Progress = silent,
    *,
    force: bool = False,
) -> Imported:
    """Writes a scan file from a folder of WAV or CSV files, an archive or a SOFA file.

    Raises InputError, ScanDataError, SettingsError or OutputError; nothing is left half-written.

    >>> settings = sp.ImportSettings(drive={"lowest_hz": 60.0, "highest_hz": 1800.0, "length_s": 0.2})
    >>> sp.import_scan(folder / "sweeps", folder / "imported.h5", settings).points
    8
    """
    place, target, settings = Path(source), Path(output), settings or ImportSettings()
    check_file(target, "scan file", is_scan, force=force)
    kind = _kind(place, settings)
    if kind == "wav" and settings.source.kind == "auto":
        _refuse_sweeps(place, _recordings(place, settings)[1], settings)
    read = {"wav": _wav, "sweeps": _wav, "csv": _tables, "npz": _archive, "sofa": _sofa}[kind]
    return _imported(kind, lambda: read(place, settings), place, target, settings, progress)


def import_finished(folder: Path, output: Path, settings: ImportSettings) -> Imported:
    """Writes a scan file from the recordings that are there and whole in a folder that still fills.

    The table may list points that have no file yet. Raises as :func:`import_scan` does.
    """
    table, recordings = _recordings(folder, settings)
    done = finished(recordings, time.time())
    if not done:
        raise InputError("holds no finished recording yet: wait for the first points", path=folder)
    kind, whole = _kind(folder, settings), [recordings[index] for index in done]
    if kind == "wav" and settings.source.kind == "auto":
        _refuse_sweeps(folder, whole, settings)
    ready = table.take(np.array(done))
    return _imported(kind, lambda: _sound(ready, whole, settings), folder, output, settings, silent)


def finished_points(folder: Path, settings: ImportSettings) -> int:
    """How many points of a folder that still fills can be used now. Raises InputError."""
    return len(finished(_recordings(folder, settings)[1], time.time()))


def recording_times(folder: Path, settings: ImportSettings) -> Real:
    """When the recordings that are there were last written, s, rising. Raises InputError."""
    paths = {one.path for one in _recordings(folder, settings)[1]}
    return np.sort([path.stat().st_mtime for path in paths if path.is_file()])


def _imported(
    kind: str,
    read: Callable[[], SoundStream],
    place: Path,
    target: Path,
    settings: ImportSettings,
    progress: Progress,
) -> Imported:
    """From the sound as it lies in the files, read once or once for each harmonic, to the scan file."""
    try:
        stream = read()
    except ScanDataError as error:
        raise error if error.path else error.at(place) from None
    for finding in unit_findings(stream.setup):
        raise InputError(f"{finding.what}: {finding.remedy}", path=place)
    names, clipped = stream.setup.names, np.zeros(stream.setup.points, np.bool_)
    if kind in ("wav", "sweeps"):
        stream = replace(stream, blocks=_watched(stream.blocks, clipped), clipped=lambda: clipped)
    harmonics: dict[int, SoundStream] = {}
    if kind == "sweeps":
        driven = driven_by(place, settings, stream)
        harmonics = {
            order: _ready(
                place,
                settings,
                harmonic_stream(read(), driven, order, settings),
                f"harmonic {order}",
                progress,
            )
            for order in range(2, settings.drive.harmonics + 1)
        }
        stream = response_stream(stream, driven, settings)
    if stream.frequency_hz is not None:  # the record refuses frequencies that are none
        Scan(
            stream.setup.take(np.arange(0)), stream.frequency_hz, np.empty((0, stream.columns), np.complex128)
        )
    write_stream(target, _ready(place, settings, stream, "points imported", progress), harmonics)
    noticed = []
    if clipped.any():
        noticed.append(
            f"{int(clipped.sum())} recordings are clipped: {some(names[clipped])}; measure them again"
        )
    return Imported(kind, stream.setup.points, stream.columns, tuple(noticed))


def _ready(
    place: Path, settings: ImportSettings, stream: SoundStream, noun: str, progress: Progress
) -> SoundStream:
    """The sound in Pa, counted as it comes."""
    stream = _in_pascal(place, settings, stream)
    return replace(stream, blocks=_counted(place, stream.blocks, stream.setup.names, noun, progress))


def _kind(place: Path, settings: ImportSettings) -> str:
    if not place.exists():
        raise InputError("there is no such file or folder: check the path", path=place)
    if settings.source.kind != "auto":
        return settings.source.kind
    if place.is_dir():
        if "drive" in settings.model_fields_set:
            return "sweeps"
        names = _points(place, settings).file or ("",)
        return "csv" if Path(names[0]).suffix.lower() in TABLES else "wav"
    known = {".npz": "npz", ".sofa": "sofa"}
    if place.suffix.lower() not in known:
        raise InputError(
            "is neither a folder nor .npz nor .sofa: name the folder that holds it with a table positions.csv, or set "
            "source.kind",
            path=place,
        )
    return known[place.suffix.lower()]


def _wav(folder: Path, settings: ImportSettings) -> SoundStream:
    return _sound(*_recordings(folder, settings), settings)


def _sound(table: PointTable, recordings: list[Recording], settings: ImportSettings) -> SoundStream:
    header = wav_format(recordings)
    return SoundStream(
        _setup(settings, table),
        header.samples,
        wav_blocks(recordings, header.samples),
        sampling_rate_hz=header.sampling_rate_hz,
        time_zero_s=settings.sound.time_zero_s - settings.sound.delay_s,
        itemsize=header.itemsize,
    )


def _tables(folder: Path, settings: ImportSettings) -> SoundStream:
    table = _points(folder, settings)
    assert table.file is not None
    paths = [inside(folder, name) for name in table.file]
    frequency, _ = read_spectrum(paths[0])
    blocks = spectrum_blocks(paths, frequency)
    return SoundStream(_setup(settings, table), len(frequency), blocks, frequency_hz=frequency, itemsize=16)


def _archive(path: Path, settings: ImportSettings) -> SoundStream:
    position, frequency = read_archive_tables(path)
    setup = _setup(settings, PointTable(position))
    return SoundStream(setup, len(frequency), archive_blocks(path), frequency_hz=frequency, itemsize=16)


def _sofa(path: Path, settings: ImportSettings) -> SoundStream:
    stream = read_sofa(path)
    stated = _setup(settings, PointTable(stream.setup.position_m))
    setup = stated if stated.device else replace(stated, device=stream.setup.device)
    delay = settings.sound.time_zero_s - settings.sound.delay_s
    return replace(stream, setup=setup, time_zero_s=stream.time_zero_s + delay)


def _points(folder: Path, settings: ImportSettings) -> PointTable:
    """The table of positions with the file of each point: by its column ``file``, else by the pattern."""
    if not folder.is_dir():
        raise InputError("must be a folder: name the folder that holds the files", path=folder)
    source = settings.source
    table = read_point_table(inside(folder, source.positions))
    names = table.file or tuple(
        _pattern(folder, settings).format(number=source.first_number + index)
        for index in range(len(table.position_m))
    )
    channels = [source.channel] * len(names) if table.channel is None else table.channel.tolist()
    only = _only_wav(folder, settings)
    if only and table.file is None and len(names) > 1:
        names, channels = (only,) * len(names), list(range(1, len(names) + 1))
    if len(set(zip(names, channels, strict=True))) < len(names):
        raise InputError(
            "names a file for more than one point: correct its column file, or add a column channel",
            path=folder,
        )
    return replace(table, file=names, channel=np.array(channels, np.int64))


def _only_wav(folder: Path, settings: ImportSettings) -> str:
    """The one WAV file of a folder, which then holds a channel per point; empty when there are others or none."""
    found = [one.name for one in folder.glob("*.[wW][aA][vV]") if one.name != settings.drive.file]
    return found[0] if len(found) == 1 else ""


def _recordings(folder: Path, settings: ImportSettings) -> tuple[PointTable, list[Recording]]:
    """The table of positions, and the recording of each point."""
    table = _points(folder, settings)
    assert table.file is not None
    assert table.channel is not None
    places = zip(table.file, table.channel.tolist(), strict=True)
    return table, [Recording(inside(folder, name), channel) for name, channel in places]


def _pattern(folder: Path, settings: ImportSettings) -> str:
    """The pattern as it was set; else of WAV files, or of tables where only such are there."""
    source = settings.source
    if "pattern" in source.model_fields_set:
        return source.pattern
    usual = Path(source.pattern)
    known = (usual, *(usual.with_suffix(ending) for ending in TABLES))
    there = (str(one) for one in known if (folder / str(one).format(number=source.first_number)).exists())
    return next(there, source.pattern)


def _names(table: PointTable) -> Words | None:
    """What the points are called: their files, with the channel where files hold several points."""
    if table.file is None:
        return None
    if len(set(table.file)) == len(table.file) or table.channel is None:
        return np.array(table.file)
    pairs = zip(table.file, table.channel.tolist(), strict=True)
    return np.array([f"{name} channel {channel}" for name, channel in pairs])


def _refuse_sweeps(folder: Path, recordings: list[Recording], settings: ImportSettings) -> None:
    """Recorded sweeps are no responses: they need their drive signal. Raises InputError."""
    drive = folder / settings.drive.file
    need = (
        "recorded sweeps need a section [drive] that names their signal (-c), see configs/import/sweeps.toml"
    )
    way_out = 'for responses set source.kind = "wav"'
    if drive.is_file() and all(one.path != drive for one in recordings):
        raise InputError(f"holds {drive.name}, which belongs to no point: {need}; {way_out}", path=folder)
    for one in recordings[:: max(1, len(recordings) // FEW_FILES)]:
        if is_sweep(read_wav(one)[None], wav_format([one]).sampling_rate_hz):
            raise InputError(
                f"is a recorded sweep, an impulse response was needed: {need}; {way_out}", path=one.path
            )


def _setup(settings: ImportSettings, table: PointTable) -> ScanSetup:
    stated = settings.scan.model_dump()
    for name in ("device_size_m", "device_centre_m"):
        stated[name] = None if stated[name] is None else np.array(stated[name])
    return ScanSetup(
        table.position_m,
        time_s=table.time_s,
        point_temperature_c=table.temperature_c,
        layer=table.layer,
        point_name=_names(table),
        **stated,
    )


def _in_pascal(place: Path, settings: ImportSettings, stream: SoundStream) -> SoundStream:
    """Sensitivity, delay of spectra, and the microphone's own response taken out."""
    sound = settings.sound
    known: tuple[Real, Complex] | None = None
    if sound.microphone is not None:
        folder = place if place.is_dir() else place.parent
        known = read_transfer_function(inside(folder, sound.microphone))

    def changed(block: NDArray[Any]) -> NDArray[Any]:
        scaled = block * sound.pascal_per_unit
        if stream.frequency_hz is None:
            return scaled if known is None else corrected(scaled, stream.sampling_rate_hz, *known)
        turned = scaled * np.exp(2j * np.pi * stream.frequency_hz * sound.delay_s)
        return turned if known is None else turned / at(stream.frequency_hz, *known)

    return replace(stream, blocks=(changed(block) for block in stream.blocks))


def _counted(
    place: Path, blocks: Iterator[NDArray[Any]], names: Words, noun: str, progress: Progress
) -> Iterator[NDArray[Any]]:
    """The blocks, counted; refuses values that are not finite."""
    done, total = 0, len(names)
    progress(noun, 0, total)
    for block in blocks:
        if not np.all(np.isfinite(block)):
            at_fault = done + int(np.flatnonzero(~np.isfinite(block).all(axis=1))[0])
            raise InputError(
                f"point {names[at_fault]} holds values that are not finite: measure it again or take it out",
                path=place,
            )
        yield block
        done += len(block)
        progress(noun, done, total)


def _watched(blocks: Iterator[NDArray[Any]], clipped: Boolean) -> Iterator[NDArray[Any]]:
    """The blocks; notes the points whose recording is clipped."""
    done = 0
    for block in blocks:
        top = flat_tops(block, np.abs(block).max(axis=1))
        clipped[done : done + len(block)] = top
        done += len(block)
        yield block
