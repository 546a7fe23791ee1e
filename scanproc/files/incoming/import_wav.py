"""Folders of WAV files, one response or recording per point, or several in the channels of one file."""

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
"""A file that is larger than this is refused before it is read."""
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


@dataclass(frozen=True)
class Recording:
    """The file of a point, and the channel of it (from 1)."""

    path: Path
    channel: int


def inside(folder: Path, name: str) -> Path:
    """The file of that name in the folder. Raises InputError for names that lead out of it."""
    path = folder / name
    if not name or "\0" in name or os.path.isabs(name):
        raise InputError(f"names the file {name[:80]!r}: give the name of a file in the folder", path=folder)
    if not Path(os.path.realpath(path)).is_relative_to(os.path.realpath(folder)):
        how = "is a link to elsewhere: copy its file" if path.is_symlink() else "lies elsewhere: copy it"
        raise InputError(f"{name[:80]!r} {how} into the folder", path=folder)
    return path


def finished(recordings: Sequence[Recording], now_s: float) -> list[int]:
    """Which of the recordings are there and whole, while more are being written: those that can be read, have the
    format that most have, and have not been touched for ``SETTLED_S``."""
    found: dict[int, WavFormat] = {}
    for index, one in enumerate(recordings):
        try:
            if now_s - one.path.stat().st_mtime >= SETTLED_S:
                found[index] = _header(one)
        except (OSError, InputError):
            continue
    usual = Counter(found.values()).most_common(1)
    return [index for index, header in found.items() if header == usual[0][0]]


def wav_format(recordings: Sequence[Recording]) -> WavFormat:
    """The common format of the files, from their headers. Raises InputError for the first that differs."""
    found = [_header(one) for one in recordings]
    usual = Counter(found).most_common(1)[0][0]
    for one, here in zip(recordings, found, strict=True):
        if (here.sampling_rate_hz, here.samples) == (usual.sampling_rate_hz, usual.samples):
            continue
        short = here.sampling_rate_hz == usual.sampling_rate_hz and here.samples < usual.samples
        remedy = "it is cut short; copy it again, or record it again" if short else "make all files alike"
        raise InputError(
            f"has {here.samples} samples at {here.sampling_rate_hz:g} Hz, most files have {usual.samples} at "
            f"{usual.sampling_rate_hz:g} Hz: {remedy}",
            path=one.path,
        )
    return usual


def wav_blocks(recordings: Sequence[Recording], samples: int) -> Iterator[Real]:
    """The sound of the recordings in order, as blocks (points, samples) of float64. Raises InputError."""
    at_once = max(1, AT_ONCE_BYTES // (8 * samples) // 16 * 16)
    for start in range(0, len(recordings), at_once):
        block, held = np.empty((len(recordings[start : start + at_once]), samples)), None
        for row, one in enumerate(recordings[start : start + at_once]):
            if held is None or held[0] != one.path:
                held = (one.path, _read(one))
            block[row] = _channel(one, held[1])
        yield block


def read_wav(one: Recording) -> Real:
    """A recording, full scale of whole numbers is one (samples,). Raises InputError."""
    return _channel(one, _read(one))


def _read(one: Recording) -> Real:
    """All channels of its file (samples, channels)."""
    header = _header(one)
    try:
        sound: Real = soundfile.read(str(one.path), dtype="float64", always_2d=True)[0]
    except (soundfile.LibsndfileError, RuntimeError, ValueError, TypeError, OSError) as error:
        raise _unreadable(one.path, error) from error
    if len(sound) != header.samples:
        raise InputError(
            f"holds {len(sound)} samples, its header says {header.samples}: copy it again", path=one.path
        )
    return sound


def _channel(one: Recording, sound: Real) -> Real:
    if not 1 <= one.channel <= sound.shape[1]:
        raise _no_channel(one, sound.shape[1])
    values: Real = np.ascontiguousarray(sound[:, one.channel - 1])
    if not np.all(np.isfinite(values)):
        raise InputError("holds values that are not finite: record it again", path=one.path)
    return values


def _no_channel(one: Recording, channels: int) -> InputError:
    return InputError(
        f"has {channels} channels, channel {one.channel} was wanted: set source.channel, or the column channel",
        path=one.path,
    )


def _header(one: Recording) -> WavFormat:
    path = one.path
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
        raise InputError("holds no samples: record it again", path=path)
    if not 1 <= one.channel <= info.channels:
        raise _no_channel(one, info.channels)
    if info.frames * info.channels * 8 > LONGEST_BYTES or info.frames * info.channels > 8 * max(size, 1):
        raise InputError(
            f"claims {info.frames} samples in {info.channels} channels: too many for one file; copy it again",
            path=path,
        )
    return WavFormat(float(info.samplerate), int(info.frames), 4 if info.subtype in SINGLE else 8)


def _unreadable(path: Path, error: Exception) -> InputError:
    said = " ".join(str(getattr(error, "error_string", error)).split())
    return InputError(f"is not a WAV file that can be read ({said}): copy or export it again", path=path)
