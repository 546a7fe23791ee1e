"""One microphone's file: an impulse response as WAV, or a spectrum as text."""

from __future__ import annotations

import csv
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Literal, TypeAlias

import numpy as np
from scipy.io import wavfile

from scanproc.conventions import REFERENCE_PRESSURE_PA, Complex, Real
from scanproc.errors import InputError, SettingsError
from scanproc.records.scan import ImpulseScan, ScanSetup

Unit: TypeAlias = Literal["pa", "relative"]
HEADERS = (
    ("frequency_hz", "level_db"),
    ("frequency_hz", "level_db", "phase_deg"),
    ("frequency_hz", "real_pa", "imag_pa"),
)


def read_wavs(setup: ScanSetup, paths: Sequence[Path]) -> ImpulseScan:
    """Impulse responses of one rate; shorter ones are followed by silence."""
    found = [_wav(path) for path in paths]
    rate = found[0][0]
    for path, (other, _) in zip(paths, found, strict=True):
        if other != rate:
            raise InputError(f"has {other:g} Hz, {paths[0].name} has {rate:g} Hz: use one rate", path=path)
    longest = max(len(samples) for _, samples in found)
    padded = [np.pad(samples, (0, longest - len(samples))) for _, samples in found]
    return ImpulseScan(setup, np.array(padded), float(rate))


def _wav(path: Path) -> tuple[int, Real]:
    """Sampling rate in Hz and samples; whole numbers as parts of full scale."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)
            rate, samples = wavfile.read(path)
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (ValueError, EOFError, KeyError) as error:
        raise InputError(f"is no WAV file that can be read: {error}", path=path) from error
    if samples.ndim != 1 or not len(samples):
        raise InputError(f"must hold one channel, got {samples.shape}: split the channels", path=path)
    scale = 1.0 if samples.dtype.kind == "f" else float(np.iinfo(samples.dtype).max)
    value: Real = (samples.astype(np.float64) - (128 if samples.dtype == np.uint8 else 0)) / scale
    if not np.all(np.isfinite(value)) or not np.any(value):
        raise InputError("holds silence or values that are not finite: measure again", path=path)
    return int(rate), value


def read_table(path: Path, unit: Unit | None) -> tuple[Real, Complex, bool, bool]:
    """Frequency, pressure in Pa, whether it has a phase, whether its unit is relative."""
    header, rows = _text_rows(path)
    stated: Unit = unit or "pa" if header else stated_unit(unit, path)
    if header and header not in HEADERS:
        known = " or ".join(",".join(names) for names in HEADERS)
        raise InputError(f"columns of unknown unit {','.join(header)[:60]!r}: call them {known}", path=path)
    if not header and rows.shape[1] not in (2, 3):
        raise InputError(f"must have two or three columns (Hz, dB, degrees), got {rows.shape[1]}", path=path)
    hz = rows[:, 0]
    if len(hz) < 2 or hz[0] <= 0 or np.any(np.diff(hz) <= 0) or not np.all(np.isfinite(rows)):
        raise InputError("needs rising frequencies above 0 and finite values: sort and clean it", path=path)
    if header == HEADERS[2]:
        return hz, rows[:, 1] + 1j * rows[:, 2], True, stated == "relative"
    has_phase = bool(rows.shape[1] == 3)
    phase = np.deg2rad(rows[:, 2]) if has_phase else np.zeros(len(hz))
    pressure = REFERENCE_PRESSURE_PA * 10 ** (rows[:, 1] / 20) * np.exp(1j * phase)
    return hz, np.asarray(pressure, dtype=np.complex128), has_phase, stated == "relative"


def _text_rows(path: Path) -> tuple[tuple[str, ...], Real]:
    """The header (empty if there is none) and the numbers of a text table."""
    try:
        lines = [line.strip() for line in path.read_text(encoding="utf-8-sig").splitlines()]
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except UnicodeDecodeError as error:
        raise InputError(f"is not text: {error}", path=path) from error
    lines = [line for line in lines if line and line[0] not in "#*;%"]
    if not lines:
        raise InputError("holds no rows: export it again", path=path)
    comma = "," in lines[0]
    split = list(csv.reader(lines)) if comma else [line.split() for line in lines]
    header = () if _is_number(split[0][0]) else tuple(word.strip() for word in split[0])
    try:
        rows = np.array([[float(entry) for entry in row] for row in split[bool(header) :]], dtype=np.float64)
    except ValueError as error:
        raise InputError(f"must hold rows of equally many numbers: {error}", path=path) from error
    if rows.ndim != 2:
        raise InputError("holds no rows below its header: export it again", path=path)
    return header, rows


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def stated_unit(unit: Unit | None, path: Path) -> Unit:
    if unit is None:
        raise SettingsError(
            "does not say its unit: state it with --unit pa (Pa, or dB re 20 µPa) or --unit relative",
            path=path,
        )
    return unit
