"""Recordings of a drive signal to responses: of the fundamental, and of harmonics where the drive is a sweep."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from scanproc.conventions import Real
from scanproc.errors import InputError, ScanDataError, SettingsError, naming
from scanproc.files.incoming.import_wav import Recording, inside, read_wav, wav_format
from scanproc.records.measured.stream import SoundStream
from scanproc.run.settings.imports import ImportSettings
from scanproc.steps.sound.deconvolve import deconvolved, inverse_of
from scanproc.steps.sound.harmonics import harmonic_inverse, harmonic_responses, harmonic_window
from scanproc.waves.log_sweep import LogSweep, find_log_sweep


@dataclass(frozen=True, eq=False)
class Driven:
    """The ``drive`` (samples,) of recordings, ``gain`` from its units to the drive voltage; ``sweep`` is its law where
    harmonics are wanted."""

    path: Path
    drive: Real
    gain: float
    sweep: LogSweep | None


def driven_by(folder: Path, settings: ImportSettings, stream: SoundStream) -> Driven:
    """The drive signal of a folder's recordings. Raises InputError, ScanDataError, SettingsError."""
    drive, rate = settings.drive, stream.sampling_rate_hz
    path = inside(folder, drive.file)
    header = wav_format([Recording(path, 1)])
    if header.sampling_rate_hz != rate:
        raise InputError(
            f"has {header.sampling_rate_hz:g} Hz, the recordings {rate:g} Hz: make them alike", path=path
        )
    if not drive.lowest_hz < drive.highest_hz <= rate / 2:
        raise SettingsError(
            f"drive.highest_hz must lie above lowest_hz ({drive.lowest_hz:g}) and up to half the sampling rate "
            f"({rate / 2:g}), got {drive.highest_hz:g}"
        )
    if round(drive.length_s * rate) < 4 or drive.before_s >= drive.length_s:
        raise SettingsError(
            f"drive.length_s must exceed before_s ({drive.before_s:g}), got {drive.length_s:g}"
        )
    sound = read_wav(Recording(path, 1))
    gain = settings.scan.drive_voltage_v / (drive.volts_per_unit or settings.scan.drive_voltage_v)
    with naming(path):
        return Driven(path, sound, gain, find_log_sweep(sound, rate) if drive.harmonics else None)


def response_stream(stream: SoundStream, driven: Driven, settings: ImportSettings) -> SoundStream:
    """Impulse responses from recordings, Pa at the drive voltage. Raises ScanDataError."""
    drive, rate = settings.drive, stream.sampling_rate_hz
    inverse = inverse_of(
        driven.drive, stream.columns, rate, (drive.lowest_hz, drive.highest_hz), drive.floor_db
    )
    blocks = (driven.gain * deconvolved(b, inverse, drive.before_s, drive.length_s) for b in stream.blocks)
    return replace(
        stream,
        columns=min(inverse.length, round(drive.length_s * rate)),
        blocks=blocks,
        setup=replace(stream.setup, lowest_hz=drive.lowest_hz, highest_hz=drive.highest_hz),
        time_zero_s=stream.time_zero_s - round(drive.before_s * rate) / rate,
    )


def harmonic_stream(stream: SoundStream, driven: Driven, order: int, settings: ImportSettings) -> SoundStream:
    """The responses of a harmonic from recordings, Pa at the drive voltage as if it grew in proportion.

    Raises ScanDataError where the sweep is too fast.
    """
    assert driven.sweep is not None
    drive, rate = settings.drive, stream.sampling_rate_hz
    try:
        window = harmonic_window(
            driven.sweep, order, (drive.lowest_hz, drive.highest_hz), drive.before_s, drive.length_s
        )
    except ScanDataError as error:
        raise error.at(driven.path) from None
    inverse = harmonic_inverse(driven.sweep, window, stream.columns)
    return replace(
        stream,
        columns=min(inverse.length, round(window.length_s * rate)),
        blocks=(driven.gain * harmonic_responses(b, inverse, window) for b in stream.blocks),
        band_hz=(window.lowest_hz, window.highest_hz),
        time_zero_s=stream.time_zero_s - round(window.before_s * rate) / rate,
    )
