"""Scan files written block by block, larger than memory, whole or not at all."""

from __future__ import annotations

import resource
import shutil
from collections.abc import Mapping
from pathlib import Path

import h5py
import numpy as np

from scanproc.errors import OutputError
from scanproc.files.atomic import output_errors, system_words, whole_file
from scanproc.files.hdf5 import Group, blocks, put_column
from scanproc.files.stored.harmonics import BAND, harmonic_name
from scanproc.files.stored.scan_file import FORMAT, LAYOUT_VERSION, write_setup
from scanproc.records.measured.stream import SoundStream

SPECTRA_ROWS, RESPONSE_ROWS = 256, 16
SPARE = 1.02
"""Room on the disk, as a multiple of the sound's size; HDF5 does not survive a full disk."""


def write_stream(
    path: Path | str, stream: SoundStream, harmonics: Mapping[int, SoundStream] | None = None
) -> None:
    """Writes a scan file as its sound comes, then its harmonics by order.

    Raises OutputError, before it begins when the disk is too small.
    """
    target, others = Path(path), harmonics or {}
    with output_errors(target), whole_file(target) as draft:
        _refuse_full_disk(target, draft, stream.bytes + sum(other.bytes for other in others.values()))
        try:
            with h5py.File(draft, "w", libver=("v110", "v110")) as file:
                file.attrs["format"] = FORMAT
                file.attrs["layout_version"] = LAYOUT_VERSION
                write_setup(file, stream.setup)
                name = "impulse_response_pa" if stream.frequency_hz is None else "pressure_pa"
                _write_sound(file, stream, name)
                for order, other in others.items():
                    _write_sound(file, other, harmonic_name(order))
        except (RuntimeError, ValueError, TypeError) as error:
            raise OutputError(
                f"could not be put into HDF5, {system_words(error)}: check free space and permissions",
                path=target,
            ) from error


def _write_sound(file: Group, stream: SoundStream, name: str) -> None:
    spectra = stream.frequency_hz is not None
    kind = np.dtype(np.complex128 if spectra else f"f{stream.itemsize}")
    shape = (stream.setup.points, stream.columns)
    data = file.create_dataset(
        name,
        shape,
        kind,
        chunks=blocks(shape, kind.itemsize, SPECTRA_ROWS if spectra else RESPONSE_ROWS),
        maxshape=(None, stream.columns),
        fletcher32=True,
        track_times=False,
    )
    if stream.frequency_hz is not None:
        file.create_dataset("frequency_hz", data=stream.frequency_hz, track_times=False)
    else:
        data.attrs["sampling_rate_hz"], data.attrs["time_zero_s"] = (
            stream.sampling_rate_hz,
            stream.time_zero_s,
        )
    if stream.band_hz is not None:
        data.attrs.update(zip(BAND, stream.band_hz, strict=True))
    row = 0
    for block in stream.blocks:
        data[row : row + len(block)] = block
        row += len(block)
    if row != shape[0]:
        raise ValueError(f"{row} points came, {shape[0]} were announced")
    if stream.clipped is not None:
        put_column(file, "clipped", stream.clipped().astype(np.uint8))


def _refuse_full_disk(target: Path, draft: Path, size: int) -> None:
    """HDF5 takes the process down when a write fails, so what there is room for is looked at first."""
    free, needed = shutil.disk_usage(draft.parent).free, int(SPARE * size) + 2**20
    limit = resource.getrlimit(resource.RLIMIT_FSIZE)[0]
    if limit != resource.RLIM_INFINITY and needed > limit:
        raise OutputError(
            f"needs {needed / 2**20:.1f} MiB, files may have {limit / 2**20:.1f} MiB here (ulimit -f): raise the limit",
            path=target,
        )
    if needed > free:
        raise OutputError(
            f"needs {needed / 2**20:.1f} MiB, the disk has {free / 2**20:.1f} MiB free: make room or choose another",
            path=target,
        )
