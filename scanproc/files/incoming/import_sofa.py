"""Sound in AES69 (SOFA) files of any convention: data types FIR and TF, also by emitter (-E) with a single one;
microphones as receivers around one source.

A point is a receiver of a measurement: ListenerPosition + the receiver's place in the listener's own frame, seen
from the source in the source's frame (view = +x, up = +z). Sound is taken in Pa.
Names and axes of AES69-2022 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import Real
from scanproc.errors import InputError
from scanproc.files.hdf5 import (
    Dataset,
    Group,
    Malformed,
    dataset,
    input_errors,
    open_foreign,
    read,
    read_whole,
    refuse_unwritten,
    text,
)
from scanproc.records.measured.scan import ScanSetup
from scanproc.records.measured.stream import SoundStream

AT_ONCE_BYTES = 32 * 2**20
MOST_DELAY = 2**20
KINDS = {"FIR": "Data.IR", "TF": "Data.Real", "FIR-E": "Data.IR", "TF-E": "Data.Real"}


def read_sofa(path: Path | str) -> SoundStream:
    """The scan in a SOFA file; its blocks are read as they are asked for. Raises InputError."""
    place = Path(path)
    with input_errors(place, InputError):
        file = open_foreign(place, "SOFA file")
        try:
            if text(file, "Conventions") != "SOFA":
                raise Malformed("is not a SOFA file: its attribute Conventions must be 'SOFA'")
            kind = text(file, "DataType")
            if kind not in KINDS:
                raise Malformed(
                    f"has the data type {kind[:40]!r}, FIR or TF was needed: export it as one of them"
                )
            return _stream(place, file, kind)
        finally:
            file.close()


def _stream(path: Path, file: Group, kind: str) -> SoundStream:
    sound = _sound(file, KINDS[kind], kind)
    refuse_unwritten(sound)
    measurements, receivers, columns = (int(n) for n in sound.shape[:3])
    setup = ScanSetup(_positions(file, measurements, receivers), device=text(file, "DatabaseName"))
    blocks = _blocks(path, kind)
    if kind.startswith("TF"):
        other = _sound(file, "Data.Imag", kind)
        refuse_unwritten(other)
        frequency = read_whole(file, "N", "real", ("N",))
        if other.shape != sound.shape or len(frequency) != columns:
            raise Malformed("has Data.Real, Data.Imag and N of different lengths: export it again")
        return SoundStream(setup, columns, blocks, frequency_hz=frequency, itemsize=16)
    rate = _common(file, "Data.SamplingRate", "one sampling rate")
    if not rate > 0:
        raise Malformed(f"Data.SamplingRate must be above zero, got {rate:g}: export it again")
    delay = _delays(file, measurements, receivers)
    longest = columns + int(np.ceil(np.ptp(delay)))
    return SoundStream(
        setup,
        longest,
        blocks if longest == columns else _later(blocks, delay.reshape(-1) - delay.min(), longest),
        sampling_rate_hz=rate,
        time_zero_s=float(delay.min()) / rate,
        itemsize=sound.dtype.itemsize,
    )


def _blocks(path: Path, kind: str) -> Iterator[NDArray[Any]]:
    with input_errors(path, InputError):
        file = open_foreign(path, "SOFA file")
        try:
            sound = _sound(file, KINDS[kind], kind)
            imaginary = _sound(file, "Data.Imag", kind) if kind.startswith("TF") else None
            for where in _parts(sound):
                block = read(sound, np.float64, where)
                if imaginary is not None:
                    block = block + 1j * read(imaginary, np.float64, where)
                yield block.reshape(-1, sound.shape[2])
        finally:
            file.close()


def _later(blocks: Iterator[NDArray[Any]], delay: Real, columns: int) -> Iterator[NDArray[Any]]:
    """Responses put off by their own ``delay`` (points,) in samples, each of ``columns`` samples.

    Whole samples are kept as they are; the rest is a turn of the phase, as of a band-limited sound.
    """
    start = 0
    for block in blocks:
        own = delay[start : start + len(block)]
        start += len(block)
        whole = np.floor(own).astype(np.int64)
        put = np.zeros((len(block), columns))
        for row, (at, sound) in enumerate(zip(whole, block, strict=True)):
            put[row, at : at + len(sound)] = sound
        parts = np.flatnonzero(own > whole)
        turn = np.exp(-2j * np.pi * np.fft.rfftfreq(columns) * (own - whole)[parts, None])
        put[parts] = np.fft.irfft(np.fft.rfft(put[parts]) * turn, columns)
        yield put


def _delays(file: Group, measurements: int, receivers: int) -> Real:
    """Samples by which each response is late, (measurements, receivers)."""
    if "Data.Delay" not in file:
        return np.zeros((measurements, receivers))
    axes = ("M", "R", "E")[: max(2, min(3, getattr(file.get("Data.Delay"), "ndim", 2)))]
    values = read_whole(file, "Data.Delay", "real", axes)
    if (
        values.shape[0] not in (1, measurements)
        or values.shape[1] not in (1, receivers)
        or values.shape[2:] > (1,)
    ):
        raise Malformed(
            f"Data.Delay must be 1 or {measurements} x {receivers}, got {values.shape}: export it again"
        )
    if not np.all(np.isfinite(values)) or np.ptp(values) > MOST_DELAY:
        raise Malformed(
            f"Data.Delay must hold delays that differ by less than {MOST_DELAY:,} samples: correct it"
        )
    return np.broadcast_to(values.reshape(values.shape[:2]), (measurements, receivers))


def _sound(file: Group, name: str, kind: str) -> Dataset:
    """Data by measurement, receiver and frequency or sample, and emitter where the type has them: one, that is."""
    if not kind.endswith("-E"):
        return dataset(file, name, "real", ("M", "R", "N"))
    found = dataset(file, name, "real", ("M", "R", "N", "E"))
    if found.shape[3] != 1:
        raise Malformed(
            f"holds responses of {found.shape[3]} emitters, one was needed: export each emitter as a file of its own"
        )
    return found


def _parts(sound: Dataset) -> Iterator[tuple[slice, ...]]:
    """Slices over measurements, or over receivers when there is one measurement."""
    measurements, receivers, columns = sound.shape[:3]
    axis = 0 if measurements > 1 else 1
    across = columns * (receivers if axis == 0 else 1)
    step = max(1, AT_ONCE_BYTES // (8 * max(1, across)))
    for start in range(0, sound.shape[axis], step):
        part = slice(start, min(start + step, sound.shape[axis]))
        whole = (slice(None),) * (sound.ndim - 2)
        yield (part, slice(None), *whole) if axis == 0 else (slice(None), part, *whole)


def _positions(file: Group, measurements: int, receivers: int) -> Real:
    """Points (measurements x receivers, 3) in the source's frame."""
    listener = vectors(file, "ListenerPosition", measurements)
    source = vectors(file, "SourcePosition", measurements)
    receiver = _receivers(file, measurements, receivers)
    turned = np.einsum("mij,mrj->mri", frames(file, "Listener", measurements), receiver)
    seen = listener[:, None] + turned - source[:, None]
    inverse = np.transpose(frames(file, "Source", measurements), (0, 2, 1))
    return np.einsum("mij,mrj->mri", inverse, seen).reshape(-1, 3)


def frames(file: Group, who: str, measurements: int) -> NDArray[Any]:
    """Rotations (measurements, 3, 3) whose columns are the front, the left and the top of ``who``."""
    if f"{who}View" not in file:
        return np.broadcast_to(np.eye(3), (measurements, 3, 3))
    front = vectors(file, f"{who}View", measurements)
    default = np.broadcast_to([0.0, 0.0, 1.0], front.shape)
    up = vectors(file, f"{who}Up", measurements) if f"{who}Up" in file else default
    with np.errstate(invalid="ignore", divide="ignore"):
        front = front / np.linalg.norm(front, axis=1, keepdims=True)
        up = up - np.sum(up * front, axis=1, keepdims=True) * front
        up = up / np.linalg.norm(up, axis=1, keepdims=True)
    if not (np.all(np.isfinite(front)) and np.all(np.isfinite(up))):
        raise Malformed(f"{who}View and {who}Up must not vanish nor be parallel: export it again")
    return np.stack([front, np.cross(up, front), up], axis=2)


def vectors(file: Group, name: str, measurements: int) -> Real:
    """Cartesian vectors (measurements, 3) of a variable with one row or one per measurement."""
    data = dataset(file, name, "real", ("M", "C"))
    if data.shape[0] not in (1, measurements) or data.shape[1] != 3:
        raise Malformed(f"{name} must be 1 or {measurements} x 3, got {data.shape}: export it again")
    kind = text(data, "Type") or (
        text(file[name.replace("Up", "View")], "Type") if name.endswith("Up") else ""
    )
    values = _cartesian(name, read_whole(file, name, "real", ("M", "C")), kind)
    return np.broadcast_to(values, (measurements, 3))


def _receivers(file: Group, measurements: int, receivers: int) -> Real:
    """Receivers (measurements, receivers, 3) in the listener's frame."""
    axes = ("R", "C", "M") if getattr(file.get("ReceiverPosition"), "ndim", 2) == 3 else ("R", "C")
    data = dataset(file, "ReceiverPosition", "real", axes)
    if (*data.shape, 1)[:3] not in {(receivers, 3, 1), (receivers, 3, measurements)}:
        raise Malformed(f"ReceiverPosition must be {receivers} x 3 x 1, got {data.shape}: export it again")
    place = read_whole(file, "ReceiverPosition", "real", axes).reshape(receivers, 3, -1)
    values = _cartesian("ReceiverPosition", np.moveaxis(place, 2, 0), text(data, "Type"))
    return np.broadcast_to(values, (measurements, receivers, 3))


def _cartesian(name: str, values: Real, kind: str) -> Real:
    if kind == "cartesian":
        return values
    if kind != "spherical":
        raise Malformed(f"{name} must be of Type cartesian or spherical, got {kind[:40]!r}: export it so")
    azimuth, elevation, radius = np.moveaxis(values, -1, 0)
    azimuth, elevation = np.radians(azimuth), np.radians(elevation)
    level = radius * np.cos(elevation)
    return np.stack([level * np.cos(azimuth), level * np.sin(azimuth), radius * np.sin(elevation)], axis=-1)


def _common(file: Group, name: str, need: str) -> float:
    """The value of a variable that must be the same everywhere."""
    axes = ("M", "R", "E")[: max(1, min(3, getattr(file.get(name), "ndim", 1)))]
    values = read_whole(file, name, "real", axes)
    if not values.size or not np.all(np.isfinite(values)) or np.ptp(values) > 1e-9 * np.abs(values).max():
        raise Malformed(f"{name} must hold {need}: export it so")
    return float(values.flat[0])
