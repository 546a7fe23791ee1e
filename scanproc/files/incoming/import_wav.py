"""Folders of WAV files, one response or recording per point."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile

from scanproc.conventions import Real
from scanproc.errors import InputError

AT_ONCE_BYTES = 32 * 2**20
LONGEST_BYTES = 2**30
"""One response larger than this is refused before it is read."""
SETTLED_S = 2.0
"""A file that was touched more lately may still be being written."""
SINGLE = ("PCM_S8", "PCM_U8", "PCM_16", "PCM_24", "FLOAT")
"""Sample formats that 32-bit floats hold in full."""


@dataclass(frozen=True)
class WavFormat:
    """What all files of a folder have in common; ``itemsize`` bytes hold a sample in full."""

    sampling_rate_hz: float
    samples: int
    itemsize: int


def inside(folder: Path, name: str) -> Path:
    """The file of that name in the folder. Raises InputError for names that lead out of it."""
    path = folder / name
    if not name or os.path.isabs(name) or not path.resolve().is_relative_to(folder.resolve()):
        raise InputError(
            f"names the file {name[:80]!r} outside of its folder: keep all files in it", path=folder
        )
    return path


def finished(paths: Sequence[Path], channel: int, now_s: float) -> list[int]:
    """Which of the files are there and whole, while more are being written: those that can be read, have the format
    that most have, and have not been touched for ``SETTLED_S``."""
    found: dict[int, WavFormat] = {}
    for index, path in enumerate(paths):
        try:
            if now_s - path.stat().st_mtime >= SETTLED_S:
                found[index] = _header(path, channel)
        except (OSError, InputError):
            continue
    usual = Counter(found.values()).most_common(1)
    return [index for index, header in found.items() if header == usual[0][0]]


def wav_format(paths: Sequence[Path], channel: int) -> WavFormat:
    """The common format of the files, from their headers. Raises InputError for the first that differs."""
    first = _header(paths[0], channel)
    for path in paths[1:]:
        here = _header(path, channel)
        if (here.sampling_rate_hz, here.samples) != (first.sampling_rate_hz, first.samples):
            raise InputError(
                f"has {here.samples} samples at {here.sampling_rate_hz:g} Hz, {paths[0].name} has {first.samples} at "
                f"{first.sampling_rate_hz:g} Hz: make all files alike",
                path=path,
            )
    return first


def wav_blocks(paths: Sequence[Path], channel: int, samples: int) -> Iterator[Real]:
    """The sound of the files in order, as blocks (files, samples) of float64. Raises InputError."""
    at_once = max(1, AT_ONCE_BYTES // (8 * samples) // 16 * 16)
    for start in range(0, len(paths), at_once):
        yield np.stack([read_wav(path, channel) for path in paths[start : start + at_once]])


def read_wav(path: Path, channel: int) -> Real:
    """One channel (counted from 1) of a WAV file, full scale of whole numbers is one (samples,). Raises InputError."""
    header = _header(path, channel)
    try:
        sound = soundfile.read(str(path), dtype="float64", always_2d=True)[0]
    except (soundfile.LibsndfileError, RuntimeError, ValueError, TypeError, OSError) as error:
        raise _unreadable(path, error) from error
    if len(sound) != header.samples:
        raise InputError(
            f"holds {len(sound)} samples, its header says {header.samples}: copy it again", path=path
        )
    one: Real = np.ascontiguousarray(sound[:, channel - 1])
    if not np.all(np.isfinite(one)):
        raise InputError("holds values that are not finite: measure that point again", path=path)
    return one


def _header(path: Path, channel: int) -> WavFormat:
    try:
        size = path.stat().st_size
        if not path.is_file():
            raise InputError("is no ordinary file, a WAV file was needed: check the folder", path=path)
        info = soundfile.info(str(path))
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror or error}: check the folder", path=path) from error
    except (soundfile.LibsndfileError, RuntimeError, ValueError, TypeError) as error:
        raise _unreadable(path, error) from error
    if info.frames < 1:
        raise InputError("holds no samples: measure that point again", path=path)
    if info.channels < channel:
        raise InputError(
            f"has {info.channels} channels, channel {channel} was wanted: set source.channel", path=path
        )
    if info.frames * info.channels * 8 > LONGEST_BYTES or info.frames * info.channels > 8 * max(size, 1):
        raise InputError(
            f"claims {info.frames} samples in {info.channels} channels: too many for one point; copy it again",
            path=path,
        )
    return WavFormat(float(info.samplerate), int(info.frames), 4 if info.subtype in SINGLE else 8)


def _unreadable(path: Path, error: Exception) -> InputError:
    said = " ".join(str(getattr(error, "error_string", error)).split())
    return InputError(f"is not a WAV file that can be read ({said}): copy or export it again", path=path)
