"""One microphone's file: an impulse response as WAV, or a spectrum as text.

Text has columns of frequency with level, level and phase, or real and imaginary part, named by a header in any case and
spelling whose words are known (``frequency_hz``, ``Freq [Hz]``, ``SPL``, ``level_db``, ``Phase (deg)``, ``real_pa``),
or two or three columns (Hz, dB, degrees) without one. Commas, blanks or semicolons stand between them; with semicolons
a comma is a decimal comma. Frequencies may fall.
"""

from __future__ import annotations

import csv
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, TypeAlias

import numpy as np
from scipy.io import wavfile

from scanproc.conventions import REFERENCE_PRESSURE_PA, Complex, Real
from scanproc.errors import InputError, SettingsError
from scanproc.records.measured.scan import ImpulseScan, ScanSetup

Unit: TypeAlias = Literal["pa", "relative"]
WORDS = {
    "frequency": {"frequency", "freq", "f", "hz"},
    "level": {"level", "spl", "magnitude", "mag", "db"},
    "phase": {"phase", "deg", "degree", "degrees"},
    "real": {"real", "re", "pa"},
    "imag": {"imaginary", "imag", "im", "pa"},
}
"""Words that the header of a column may consist of."""
NEEDED = {"level": {"db", "spl"}, "real": {"real", "re"}, "imag": {"imaginary", "imag", "im"}}
"""One of these must be among them: a magnitude may be in dB or not."""
FORMS = (("frequency", "level"), ("frequency", "level", "phase"), ("frequency", "real", "imag"))
KNOWN = "frequency_hz,level_db or frequency_hz,level_db,phase_deg or frequency_hz,real_pa,imag_pa"


@dataclass(frozen=True, eq=False)
class ReferenceTable:
    """Frequencies (F,) that rise and pressures (F,), real and positive without a phase."""

    frequency_hz: Real
    pressure_pa: Complex
    has_phase: bool
    relative: bool


def read_wavs(setup: ScanSetup, paths: Sequence[Path], channel: int | None = None) -> ImpulseScan:
    """Impulse responses of one rate; shorter ones are followed by silence. ``channel`` counts from 1."""
    found = [_wav(path, channel) for path in paths]
    rate = found[0][0]
    for path, (other, _) in zip(paths, found, strict=True):
        if other != rate:
            raise InputError(f"has {other:g} Hz, {paths[0].name} has {rate:g} Hz: use one rate", path=path)
    longest = max(len(samples) for _, samples in found)
    padded = [np.pad(samples, (0, longest - len(samples))) for _, samples in found]
    return ImpulseScan(setup, np.array(padded), float(rate))


def _wav(path: Path, channel: int | None) -> tuple[int, Real]:
    """Sampling rate in Hz and samples; whole numbers as parts of full scale."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)
            rate, samples = wavfile.read(path)
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror}: check the path", path=path) from error
    except (ValueError, EOFError, KeyError) as error:
        raise InputError(f"is no WAV file that can be read: {error}", path=path) from error
    channels = 1 if samples.ndim == 1 else samples.shape[1]
    if channels > 1 and channel is None:
        raise InputError(f"holds {channels} channels: say which with --channel (from 1)", path=path)
    if channel is not None and channel > channels:
        raise InputError(f"holds {channels} channels, there is no channel {channel}: name another", path=path)
    samples = samples if samples.ndim == 1 else samples[:, (channel or 1) - 1]
    if not len(samples):
        raise InputError("holds no samples: measure again", path=path)
    scale = 1.0 if samples.dtype.kind == "f" else float(np.iinfo(samples.dtype).max)
    value: Real = (samples.astype(np.float64) - (128 if samples.dtype == np.uint8 else 0)) / scale
    if not np.all(np.isfinite(value)) or not np.any(value):
        raise InputError("holds silence or values that are not finite: measure again", path=path)
    return int(rate), value


def read_reference_table(path: Path, unit: Unit | None) -> ReferenceTable:
    """A spectrum. Raises InputError, or SettingsError where the unit must be stated."""
    header, rows = _text_rows(path)
    form, says_pa = _form(path, header, rows)
    stated = unit or ("pa" if says_pa else stated_unit(unit, path))
    column = dict(zip(form, rows.T, strict=True))
    hz, order = column["frequency"], slice(None)
    if len(hz) > 1 and np.all(np.diff(hz) < 0):
        order = slice(None, None, -1)
    hz = hz[order]
    if len(hz) < 2 or hz[0] <= 0 or np.any(np.diff(hz) <= 0) or not np.all(np.isfinite(rows)):
        raise InputError(
            "needs frequencies above 0 that rise, or fall, all the way, and finite values: sort and clean it",
            path=path,
        )
    has_phase = len(form) == 3
    if "real" in form:
        pressure = column["real"] + 1j * column["imag"]
    else:
        phase = np.deg2rad(column["phase"]) if has_phase else np.zeros(len(hz))
        pressure = REFERENCE_PRESSURE_PA * 10 ** (column["level"] / 20) * np.exp(1j * phase)
    return ReferenceTable(hz, np.asarray(pressure, np.complex128)[order], has_phase, stated == "relative")


def _form(path: Path, header: tuple[str, ...], rows: Real) -> tuple[tuple[str, ...], bool]:
    """What the columns are, and whether that says Pa (or dB re 20 µPa)."""
    if not header:
        if rows.shape[1] not in (2, 3):
            raise InputError(
                f"must have two or three columns (Hz, dB, degrees), got {rows.shape[1]}: export it so",
                path=path,
            )
        return FORMS[rows.shape[1] - 2], False
    words = [set(re.findall(r"[a-z]+", name.lower())) for name in header]
    form = tuple(_column(one) for one in words)
    if form not in FORMS:
        raise InputError(f"columns of unknown unit {','.join(header)[:60]!r}: call them {KNOWN}", path=path)
    if "phase" in form and words[2] == {"phase"} and np.all(np.abs(rows[:, 2]) <= np.pi * (1 + 1e-6)):
        raise InputError(
            "has a phase of at most 3.14, which may be radians: call its column phase_deg once it is in degrees",
            path=path,
        )
    return form, "real" not in form or "pa" in words[1]


def _column(words: set[str]) -> str:
    fitting = [
        name for name, known in WORDS.items() if words and words <= known and words & NEEDED.get(name, words)
    ]
    return fitting[0] if fitting else ""


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
    split = _split(lines)
    header = () if _is_number(split[0][0]) else tuple(word.strip() for word in split[0])
    try:
        rows = np.array([[float(entry) for entry in row] for row in split[bool(header) :]], dtype=np.float64)
    except ValueError as error:
        hint = " (decimal commas need semicolons between the columns)" if "," in lines[-1] else ""
        raise InputError(f"must hold rows of equally many numbers: {error}{hint}", path=path) from error
    if rows.ndim != 2:
        raise InputError("holds no rows below its header: export it again", path=path)
    return header, rows


def _split(lines: Sequence[str]) -> list[list[str]]:
    """Lines as entries, by semicolons, commas, tabs or blanks, whichever the last line has."""
    if ";" in lines[-1]:
        return [line.replace(",", ".").split(";") for line in lines]
    if "," in lines[-1]:
        return list(csv.reader(lines))
    if "\t" in lines[-1]:
        return [line.split("\t") for line in lines]
    header = [] if _is_number(lines[0].split()[0]) else [lines[0].split("," if "," in lines[0] else None)]
    return [*header, *(line.split() for line in lines[len(header) :])]


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
