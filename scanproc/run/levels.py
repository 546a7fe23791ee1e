"""A folder of sweeps at several drive levels to compression and harmonics: the recipe of ``scanproc levels``."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np

from scanproc.conventions import Real
from scanproc.errors import InputError, ScanDataError
from scanproc.files.atomic import whole_directory
from scanproc.files.hashing import write_hashes
from scanproc.files.incoming.import_wav import Recording, inside, read_wav, wav_format
from scanproc.files.incoming.text_table import read_table
from scanproc.files.incoming.transfer_function import read_transfer_function
from scanproc.files.json_file import write_json
from scanproc.files.outgoing.row_table import write_rows
from scanproc.files.replacing import LEVELS, check_directory
from scanproc.records.measured.drive_levels import DriveLevels, LevelLimits
from scanproc.report.words.drive_levels import HEADER, level_rows, levels_json
from scanproc.run.settings.imports import ImportSettings
from scanproc.steps.check.setup import some
from scanproc.steps.sound.deconvolve import corrected
from scanproc.steps.sound.drive_levels import SAME_DB, drive_levels
from scanproc.steps.sound.response_facts import flat_tops

TABLE = "levels.csv"
COLUMNS = ("file", "drive_v")
HIGHEST_ORDER = 5


@dataclass(frozen=True, eq=False)
class Measured:
    """What a folder of sweeps shows, with the limits that it is held against; ``reads``: the files it was made of."""

    device: str
    found: DriveLevels
    limits: LevelLimits
    warnings: tuple[str, ...]
    reads: tuple[Path, ...]


def measure_levels(
    folder: Path,
    settings: ImportSettings,
    compression_db: float,
    distortion_percent: float,
    from_hz: float | None = None,
    up_to_hz: float | None = None,
) -> Measured:
    """Compression and harmonics of the recordings that levels.csv lists, in the order in which they were played.

    Raises InputError or ScanDataError.
    """
    recordings, drive_v = _table(folder, settings)
    drive_path = inside(folder, settings.drive.file)
    header = wav_format(recordings)
    rate = header.sampling_rate_hz
    if wav_format([Recording(drive_path, 1)]).sampling_rate_hz != rate:
        raise InputError(f"must have {rate:g} Hz as the recordings: make them alike", path=drive_path)
    sound = np.stack([read_wav(one) for one in recordings])
    names = [one.path.name for one in recordings]
    clipped = flat_tops(sound, np.abs(sound).max(axis=1))
    warnings: tuple[str, ...] = ()
    if clipped.any():
        warnings = (
            f"{some(np.array(names)[clipped])} clipped: what they show of compression and distortion may be the "
            "recorder's; lower its gain and measure them again",
        )
    wanted, gain = settings.drive, settings.sound.pascal_per_unit
    try:
        found = drive_levels(
            gain * _microphone(folder, settings, sound, rate),
            drive_v,
            names,
            read_wav(Recording(drive_path, 1)),
            rate,
            (wanted.lowest_hz, wanted.highest_hz),
            wanted.before_s,
            wanted.length_s,
            wanted.harmonics or HIGHEST_ORDER,
            wanted.floor_db,
        )
        lowest, highest = from_hz or float(found.frequency_hz[0]), up_to_hz or float(found.frequency_hz[-1])
        limits = LevelLimits(compression_db, distortion_percent, lowest, highest)
        if not np.any((found.frequency_hz >= lowest) & (found.frequency_hz <= highest)):
            raise ScanDataError(
                f"no frequency lies between {lowest:g} and {highest:g} Hz, the sweep tells "
                f"{found.frequency_hz[0]:.3g} to {found.frequency_hz[-1]:.3g} Hz: widen the band"
            )
    except ScanDataError as error:
        raise error.at(folder) from None
    reads = (inside(folder, TABLE), drive_path, *(one.path for one in recordings))
    return Measured(settings.scan.device, found, limits, warnings, reads)


def write_levels(directory: Path, measured: Measured, *, force: bool = False) -> None:
    """Writes report.html, levels.json, by-level.csv and their hashes: all of them, or nothing. Raises OutputError."""
    from scanproc.report.pages.levels_page import levels_page

    page = levels_page(measured.device, measured.found, measured.limits, measured.warnings)
    refuse = partial(check_directory, kind=LEVELS, reads=measured.reads, force=force)
    with whole_directory(directory, refuse) as draft:
        (draft / "report.html").write_text(page, encoding="utf-8", newline="\n")
        write_json(draft / LEVELS.mark, levels_json(measured.found, measured.limits, measured.warnings))
        write_rows(draft / "by-level.csv", HEADER, level_rows(measured.found))
        write_hashes(draft)


def _table(folder: Path, settings: ImportSettings) -> tuple[list[Recording], Real]:
    """The recordings and drive levels, V, that levels.csv lists."""
    if not folder.is_dir():
        raise InputError("must be a folder with recordings and levels.csv: check the path", path=folder)
    table = read_table(inside(folder, TABLE))
    missing = [name for name in COLUMNS if name not in table.header]
    if missing:
        raise InputError(
            f"needs the columns file and drive_v (V), has {', '.join(table.header)}: add {missing[0]}",
            path=table.path,
        )
    drive_v = table.numbers("drive_v")
    if len(drive_v) < 2 or np.any(drive_v <= 0):
        raise InputError("must list two levels or more, all above 0 V: correct drive_v", path=table.path)
    if 20 * np.log10(drive_v[0] / drive_v.min()) > SAME_DB:
        raise InputError(
            f"must begin with the lowest level, with which the others are compared; the first row has {drive_v[0]:g} "
            f"V, the lowest {drive_v.min():g} V: play the lowest first",
            path=table.path,
        )
    return [Recording(inside(folder, name), settings.source.channel) for name in table.texts("file")], drive_v


def _microphone(folder: Path, settings: ImportSettings, sound: Real, rate: float) -> Real:
    """The recordings (levels, samples) with the microphone's own response taken out, where it is known."""
    if settings.sound.microphone is None:
        return sound
    return corrected(sound, rate, *read_transfer_function(inside(folder, settings.sound.microphone)))
