"""Complex spectra from NumPy archives and from CSV tables.

An archive (``.npz``) holds ``position_m`` (points, 3), ``frequency_hz`` (F,) and ``pressure_pa`` complex (points,
F); nothing in it is ever unpickled. A table per point has the columns ``frequency_hz`` and ``real_pa``, ``imag_pa``,
or ``level_db`` (re 20 µPa) and ``phase_deg``.
"""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.lib import format as npy
from numpy.typing import NDArray

from scanproc.conventions import REFERENCE_PRESSURE_PA, Complex, Real
from scanproc.errors import InputError
from scanproc.files.incoming.reference_text import read_reference_table as read_columns
from scanproc.files.incoming.text_table import read_table

ARRAYS = ("position_m", "frequency_hz", "pressure_pa")
ROWS_AT_ONCE_BYTES = 32 * 2**20
SMALL_BYTES = 256 * 2**20
ZIP_ERRORS = (
    zipfile.BadZipFile,
    zlib.error,
    EOFError,
    ValueError,
    KeyError,
    NotImplementedError,
    RuntimeError,
)


def read_archive_tables(path: Path) -> tuple[Real, Real]:
    """Positions (points, 3) and frequencies (F,) of an archive. Raises InputError."""
    try:
        with zipfile.ZipFile(path) as archive:
            position, frequency = (_small(path, archive, name) for name in ARRAYS[:2])
            shape = _header(path, archive, "pressure_pa")[0]
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror or error}: check the path", path=path) from error
    except ZIP_ERRORS as error:
        raise _damaged(path, error) from error
    if position.ndim != 2 or position.shape[1] != 3 or frequency.ndim != 1:
        raise InputError(
            "must hold position_m (points, 3) and frequency_hz (frequencies,): save it so", path=path
        )
    if shape != (len(position), len(frequency)):
        raise InputError(
            f"pressure_pa must be {len(position)} x {len(frequency)} like position_m and frequency_hz, got "
            f"{' x '.join(map(str, shape)) or 'one value'}: save it so",
            path=path,
        )
    return position, frequency


def archive_blocks(path: Path) -> Iterator[Complex]:
    """The pressures of an archive as blocks (points, F). Raises InputError."""
    try:
        with zipfile.ZipFile(path) as archive, archive.open("pressure_pa.npy") as file:
            shape, dtype, by_column = _read_header(file)
            if by_column:
                yield np.asarray(_rest(file, shape[::-1], dtype).T, np.complex128)
                return
            rows = max(1, ROWS_AT_ONCE_BYTES // max(1, shape[1] * dtype.itemsize))
            for start in range(0, shape[0], rows):
                block = (min(rows, shape[0] - start), shape[1])
                yield _rest(file, block, dtype).astype(np.complex128)
    except OSError as error:
        raise InputError(f"cannot be read, {error.strerror or error}: check the path", path=path) from error
    except ZIP_ERRORS as error:
        raise _damaged(path, error) from error


def read_spectrum(path: Path) -> tuple[Real, Complex]:
    """Frequencies and pressures (F,) of a table, its header may be missing over Hz, dB, degrees. Raises InputError."""
    table = read_table(path)
    if _is_number(table.header[0].split("_")[0]):
        columns = read_columns(path, "pa")
        if columns.has_phase:
            return columns.frequency_hz, columns.pressure_pa
    for pair in (("real_pa", "imag_pa"), ("level_db", "phase_deg")):
        if set(table.header) == {"frequency_hz", *pair}:
            frequency, one, other = (table.numbers(name) for name in ("frequency_hz", *pair))
            if pair[0] == "real_pa":
                return frequency, one + 1j * other
            return frequency, REFERENCE_PRESSURE_PA * response(one, other)
    raise InputError(
        "must have the columns frequency_hz, real_pa, imag_pa, or frequency_hz, level_db, phase_deg, got "
        f"{', '.join(table.header)[:80]}: name them so",
        path=path,
    )


def _is_number(word: str) -> bool:
    try:
        float(word.replace(",", "."))
    except ValueError:
        return False
    return True


def spectrum_blocks(paths: Sequence[Path], frequency_hz: Real) -> Iterator[Complex]:
    """The spectra of the tables in order, one point each (1, F). Raises InputError when frequencies differ."""
    for path in paths:
        frequency, pressure = read_spectrum(path)
        if not np.array_equal(frequency, frequency_hz):
            raise InputError(f"has other frequencies than {paths[0].name}: make all files alike", path=path)
        yield pressure[None, :]


def response(level_db: Real, phase_deg: Real) -> Complex:
    """Complex values of levels in dB and phases in degrees."""
    with np.errstate(over="ignore"):
        return np.asarray(10 ** (level_db / 20) * np.exp(1j * np.radians(phase_deg)), np.complex128)


def _small(path: Path, archive: zipfile.ZipFile, name: str) -> Real:
    shape, dtype, by_column = _header(path, archive, name)
    if dtype.kind not in "fiu" or int(np.prod(shape, dtype=object)) * dtype.itemsize > SMALL_BYTES:
        raise InputError(f"{name} must hold real numbers, got {dtype} {shape}: save it so", path=path)
    with archive.open(f"{name}.npy") as file:
        _read_header(file)
        values = _rest(file, shape[::-1] if by_column else shape, dtype)
    return np.asarray(values.T if by_column else values, np.float64)


def _header(path: Path, archive: zipfile.ZipFile, name: str) -> tuple[tuple[int, ...], np.dtype[Any], bool]:
    """Shape, kind and order of an array, believed only if the archive can hold so much."""
    if f"{name}.npy" not in archive.namelist():
        raise InputError(f"has no array {name}: save {', '.join(ARRAYS)}", path=path)
    member = archive.getinfo(f"{name}.npy")
    with archive.open(member) as file:
        shape, dtype, by_column = _read_header(file)
    claimed = int(np.prod(shape, dtype=object)) * dtype.itemsize
    if claimed > member.file_size or member.file_size > 1100 * member.compress_size + 4096:
        raise InputError(
            f"{name} claims the shape {' x '.join(map(str, shape))}, the file holds less: copy it again",
            path=path,
        )
    if name == "pressure_pa" and (dtype.kind not in "cfiu" or len(shape) != 2):
        raise InputError(f"pressure_pa must be complex (points, frequencies), got {dtype} {shape}", path=path)
    return shape, dtype, by_column


def _read_header(file: IO[bytes]) -> tuple[tuple[int, ...], np.dtype[Any], bool]:
    version = npy.read_magic(file)
    read = npy.read_array_header_1_0 if version == (1, 0) else npy.read_array_header_2_0
    shape, by_column, dtype = read(file)
    if dtype.hasobject:
        raise ValueError("holds Python objects, which are never loaded")
    return shape, dtype, by_column


def _rest(file: IO[bytes], shape: tuple[int, ...], dtype: np.dtype[Any]) -> NDArray[Any]:
    """The next values of an open array."""
    wanted = int(np.prod(shape, dtype=object)) * dtype.itemsize
    held = file.read(wanted)
    if len(held) < wanted:
        raise EOFError("cut short")
    return np.frombuffer(held, dtype).reshape(shape)


def _damaged(path: Path, error: Exception) -> InputError:
    said = " ".join(str(error).split())[:160]
    return InputError(f"is not a NumPy archive that can be read ({said}): save it again", path=path)
