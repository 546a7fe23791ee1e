"""The boundary to HDF5: opens, checks before it allocates, and says in one line what is wrong."""

from __future__ import annotations

import io
import math
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeAlias

import h5py
import numpy as np
from numpy.typing import NDArray

from scanproc.errors import (
    InputError,
    OutputError,
    ResultFileError,
    ScanDataError,
    ScanFileError,
    ScanprocError,
)
from scanproc.files.atomic import whole_file

Group: TypeAlias = Any
Dataset: TypeAlias = Any

HDF5_ERRORS = (OSError, LookupError, RuntimeError, ValueError, TypeError, ArithmeticError)
"""What h5py is known to raise on torn or foreign files."""

BEST_COMPRESSION = 1100
"""Deflate cannot do better than 1032:1 (zlib's technical notes); a file that claims more is not believed."""

BLOCK_BYTES = 512 * 1024
"""Size that blocks ("chunks") of stored arrays are kept to."""


REMEDIES: dict[type[InputError], str] = {ResultFileError: "convert the scan again"}
"""What to do about numbers that cannot be used, unless they are a scan's own."""


class Malformed(Exception):
    """Something in a file is missing or of the wrong kind; ``input_errors`` adds the file."""


@contextmanager
def input_errors(path: Path, kind: type[InputError]) -> Iterator[None]:
    """Turns everything that reading may raise into one line about ``path``."""
    try:
        yield
    except Malformed as error:
        raise kind(str(error), path=path) from None
    except ScanDataError as error:
        if kind is ScanFileError:
            raise error.at(path) from None
        what = error.message.rpartition(": ")[0] or error.message
        raise kind(f"{what}: {REMEDIES.get(kind, 'export it again')}", path=path) from None
    except ScanprocError:
        raise
    except MemoryError as error:
        raise kind(
            "needs more memory than there is: read fewer frequencies or points at once", path=path
        ) from error
    except HDF5_ERRORS as error:
        raise kind(
            f"is damaged or cut short, HDF5 says: {_words(error)}; copy it again or measure again", path=path
        ) from error


@contextmanager
def new_file(path: Path | str, layout: str, version: int) -> Iterator[Group]:
    """A new HDF5 file that appears whole or not at all; the same content gives the same bytes.

    It is built in memory: HDF5 crashes the process when a disk is full, writing ready bytes does not.
    """
    target = Path(path)
    image = io.BytesIO()
    try:
        with h5py.File(image, "w", libver=("v110", "v110")) as file:
            file.attrs["format"] = layout
            file.attrs["layout_version"] = version
            yield file
    except (OSError, RuntimeError, ValueError, TypeError) as error:
        raise OutputError(f"could not be put into HDF5: {_words(error)}", path=target) from error
    with whole_file(target) as draft:
        draft.write_bytes(image.getbuffer())


def hdf5_format(path: Path) -> str:
    """What an HDF5 file calls itself, empty if it is none."""
    try:
        with h5py.File(path, "r") as file:
            return str(file.attrs.get("format", ""))
    except HDF5_ERRORS:
        return ""


def open_foreign(path: Path, noun: str) -> Group:
    """Another kind of HDF5 file, open for reading, its content not yet looked at."""
    _refuse_unreadable(path, noun)
    if not h5py.is_hdf5(path):
        raise Malformed(f"is not an HDF5 file: a {noun} was needed")
    return _open(path)


def open_file(path: Path, layout: str, version: int) -> Group:
    """An HDF5 file of the given format, open for reading; also one that is being appended to (SWMR)."""
    _refuse_unreadable(path, layout)
    if not h5py.is_hdf5(path):
        raise Malformed(f"is not an HDF5 file: a {layout} (HDF5, layout {version}) was needed")
    file = _open(path)
    try:
        _check_layout(file, layout, version)
    except BaseException:
        file.close()
        raise
    return file


def dataset(group: Group, name: str, kinds: str, axes: tuple[str, ...]) -> Dataset:
    """A dataset stored in this very file, its number kind and number of axes checked, nothing read.

    ``kinds`` is "real" (floats or whole numbers), "whole", "complex" or "text".
    """
    label = f"{group.name.rstrip('/')}/{name}".lstrip("/")
    link = group.get(name, getlink=True)
    if link is None:
        raise Malformed(f"has no dataset {label}: add it ({_wanted(kinds, axes)})")
    if not isinstance(link, h5py.HardLink):
        raise Malformed(f"{label} is a link to elsewhere: store the data in the file itself")
    found = group[name]
    if not isinstance(found, h5py.Dataset):
        raise Malformed(f"{label} must be a dataset ({_wanted(kinds, axes)}), got a group")
    if found.is_virtual or found.external:
        raise Malformed(f"{label} keeps its data in another file: store the data in the file itself")
    if found.shape is None or found.dtype.kind not in _NUMPY_KINDS[kinds]:
        raise Malformed(f"{label} must be {_wanted(kinds, axes)}, got {_described(found)}")
    if len(found.shape) != len(axes):
        raise Malformed(f"{label} must have the axes ({', '.join(axes)}), got the shape {_by(found.shape)}")
    return found


def refuse_unwritten(data: Dataset, rows: int | None = None) -> None:
    """Raises when the header claims more than the file holds (of the leading ``rows``, absent: of all)."""
    shape = data.shape if rows is None or not data.shape else (min(rows, data.shape[0]), *data.shape[1:])
    blocks, claimed = 1, math.prod(shape) * data.dtype.itemsize
    if data.chunks is not None:
        blocks = math.prod(-(-length // size) for length, size in zip(shape, data.chunks, strict=True))
        claimed = blocks * math.prod(data.chunks) * data.dtype.itemsize
    held = data.id.get_storage_size()
    packed = data.id.get_create_plist().get_nfilters() > 0
    present = data.chunks is None or data.id.get_num_chunks() >= blocks
    possible = min(held, os.path.getsize(data.file.filename)) * (BEST_COMPRESSION if packed else 1)
    if claimed and not (present and claimed <= possible):
        raise Malformed(
            f"{data.name.lstrip('/')} claims the shape {_by(data.shape)} but the file holds less: "
            "it was cut short or never finished; copy it again or measure again"
        )


def written_rows(data: Dataset) -> int:
    """Leading rows for which every block is in the file, for a dataset that is being appended to."""
    length = int(data.shape[0])
    if data.chunks is None:
        return length if data.id.get_storage_size() >= math.prod(data.shape) * data.dtype.itemsize else 0
    across = math.prod(-(-n // size) for n, size in zip(data.shape[1:], data.chunks[1:], strict=True))
    count: dict[int, int] = {}

    def note(block: Any) -> None:
        row = block.chunk_offset[0] // data.chunks[0]
        count[row] = count.get(row, 0) + 1

    data.id.chunk_iter(note)
    full = 0
    while count.get(full, 0) >= across:
        full += 1
    return min(length, full * int(data.chunks[0]))


def read(data: Dataset, kind: type, where: tuple[slice, ...] | None = None) -> NDArray[Any]:
    """The selected part as a read-only array of ``kind``; HDF5 converts block by block."""
    where = where or tuple(slice(None) for _ in data.shape)
    lengths = [len(range(*part.indices(n))) for part, n in zip(where, data.shape, strict=True)]
    out: NDArray[Any] = np.empty(lengths, kind)
    if out.size:
        data.read_direct(out, where)
    out.flags.writeable = False
    return out


def read_whole(group: Group, name: str, kinds: str, axes: tuple[str, ...]) -> NDArray[Any]:
    """A whole dataset: float64, int64, complex128 or an array of str."""
    found = dataset(group, name, kinds, axes)
    refuse_unwritten(found)
    if kinds == "text":
        return np.asarray(np.char.decode(found[...], "utf-8"))
    return read(found, {"real": np.float64, "whole": np.int64, "complex": np.complex128}[kinds])


def number(group: Group, name: str, absent: float | None = None) -> float:
    """A number among the attributes."""
    value = _attribute(group, name, "fiu", 1, "a number", needed=absent is None)
    return float(value.reshape(-1)[0]) if value is not None else float(absent or 0)


def optional_number(group: Group, name: str) -> float | None:
    """A number among the attributes, or None."""
    return number(group, name) if name in group.attrs else None


def optional_vector(group: Group, name: str, length: int) -> NDArray[Any] | None:
    """A few numbers among the attributes, or None."""
    value = _attribute(group, name, "fiu", length, f"{length} numbers", needed=False)
    return None if value is None else value.reshape(-1).astype(np.float64)


def text(group: Group, name: str) -> str:
    """A text among the attributes, empty if absent."""
    value = _attribute(group, name, "SO", 1, "a text", needed=False)
    if value is None:
        return ""
    first = value.reshape(-1)[0]
    if isinstance(first, bytes):
        return first.decode("utf-8", "replace")
    if not isinstance(first, str):
        raise Malformed(f"the attribute {name} must be a text, got {type(first).__name__}")
    return str(first)


def blocks(shape: tuple[int, ...], itemsize: int, first: int) -> tuple[int, ...]:
    """Block lengths near BLOCK_BYTES, ``first`` rows high if there are as many: good in both directions."""
    rows = max(1, min(shape[0], first))
    if len(shape) == 1:
        return (max(1, min(shape[0], BLOCK_BYTES // itemsize)),)
    return (rows, max(1, min(shape[1], BLOCK_BYTES // (itemsize * rows))), *shape[2:])


_NUMPY_KINDS = {"real": "fiu", "whole": "iu", "complex": "c", "text": "S"}
_NOUNS = {"real": "real numbers", "whole": "whole numbers", "complex": "complex numbers", "text": "text"}


def _words(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def _open(path: Path) -> Group:
    try:
        return h5py.File(path, "r")
    except OSError as error:
        if "unable to lock" not in str(error) and "already open for" not in str(error):
            raise
    try:
        return h5py.File(path, "r", swmr=True)
    except OSError as error:
        raise Malformed(
            "is being written by another program that lets nobody read meanwhile: "
            "wait until it has finished, or let it write in HDF5's SWMR mode"
        ) from error


def _refuse_unreadable(path: Path, layout: str) -> None:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            hint = (
                ", or make one of the recordings with 'scanproc import'" if layout == "scanproc scan" else ""
            )
            raise Malformed(f"is a directory, a {layout} was needed: name the file{hint}")
        if not stat.S_ISREG(status.st_mode):
            raise Malformed(f"is no ordinary file, a {layout} was needed: name the file")
        if status.st_size == 0:
            raise Malformed(f"is empty, a {layout} was needed: copy it again or measure again")
        with path.open("rb"):
            pass
    except FileNotFoundError:
        raise Malformed("there is no such file: check the path") from None
    except OSError as error:
        raise Malformed(f"cannot be opened, {error.strerror}: check path and permissions") from error


def _check_layout(file: Group, layout: str, version: int) -> None:
    found = text(file, "format")
    if found != layout:
        got = f"its format is {found!r}" if found else "it has no attribute format"
        raise Malformed(f"is not a {layout}, {got}: a {layout} (HDF5, layout {version}) was needed")
    got_version = number(file, "layout_version")
    if got_version != version:
        raise Malformed(
            f"has layout_version {got_version:g}, this version of scanproc reads {version}: "
            "update scanproc or write the file in that layout"
        )


def _attribute(
    group: Group, name: str, kinds: str, size: int, noun: str, *, needed: bool
) -> NDArray[Any] | None:
    if name not in group.attrs:
        if needed:
            raise Malformed(f"has no attribute {name}: add it ({noun})")
        return None
    header = group.attrs.get_id(name)
    if header.shape is None or math.prod(header.shape) != size or header.dtype.kind not in kinds:
        shape = "nothing" if header.shape is None else _by(header.shape)
        raise Malformed(f"the attribute {name} must be {noun}, got {_noun_of(header.dtype)}, {shape}")
    return np.asarray(group.attrs[name])


def _wanted(kinds: str, axes: tuple[str, ...]) -> str:
    return f"{_NOUNS[kinds]} by ({', '.join(axes)})" if axes else _NOUNS[kinds]


def _described(data: Dataset) -> str:
    return "nothing" if data.shape is None else f"{_noun_of(data.dtype)}, {_by(data.shape)}"


def _noun_of(dtype: Any) -> str:
    nouns = {"f": "real numbers", "i": "whole numbers", "u": "whole numbers", "c": "complex numbers"}
    return nouns.get(dtype.kind, {"S": "text", "O": "text or objects"}.get(dtype.kind, f"type {dtype}"))


def _by(shape: tuple[int, ...]) -> str:
    return " x ".join(str(length) for length in shape) or "a single value"


def put_array(group: Group, name: str, value: Any) -> None:
    """Blocks get their place in the file at once, not when whoever looks at this frame lets go of the dataset."""
    packing: dict[str, Any] = {}
    if value.nbytes > 4096:
        rows = blocks(value.shape, value.dtype.itemsize, 128)
        packing = {"chunks": rows, "compression": "gzip", "compression_opts": 4, "shuffle": True}
    group.create_dataset(name, data=value, track_times=False, **packing).flush()


def put_text(group: Group, name: str, value: str | list[str]) -> None:
    encoded = np.char.encode(np.asarray(value, dtype=np.str_), "utf-8")
    kind = h5py.string_dtype("utf-8", max(1, encoded.dtype.itemsize))
    group.create_dataset(name, data=encoded.astype(kind), track_times=False)


def put_column(file: Group, name: str, value: Any, rows: int = 4096) -> Any:
    """A dataset with a row per point, that more may be appended to."""
    if value.size == 0:
        raise ValueError(f"{name} is empty, at least one point and one frequency or sample is needed")
    return file.create_dataset(
        name,
        data=value,
        chunks=blocks(value.shape, value.dtype.itemsize, rows),
        maxshape=(None, *value.shape[1:]),
        fletcher32=True,
        track_times=False,
    )
