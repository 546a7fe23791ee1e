"""Scan files, layout 1: HDF5 with the positions of a scan and the sound at each.

Root attributes ``format`` = "scanproc scan", ``layout_version`` = 1. Datasets ``position_m`` (points, 3) and
either ``frequency_hz`` (F,) with ``pressure_pa`` complex (points, F), or ``impulse_response_pa`` (points,
samples) with its attributes ``sampling_rate_hz`` and ``time_zero_s``. Optional: ``time_s``,
``temperature_c``, ``layer``, ``point_name`` (text of fixed length in UTF-8), ``clipped`` (0 or 1) (points,),
``noise_pa`` (F,) or (points, F), harmonics beside impulse responses (see ``stored.harmonics``), and the root
attributes ``drive_voltage_v``, ``NUMBERS``, ``VECTORS`` and ``TEXTS`` below.

Whoever appends points while others read writes in HDF5's SWMR mode, the sound first and ``position_m`` last,
with a flush between; a reader takes the points that are complete in every dataset.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from copy import copy
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Literal

import numpy as np

from scanproc.conventions import REFERENCE_VOLTAGE_V, Integer, Real, Words
from scanproc.errors import ScanFileError
from scanproc.files.hdf5 import (
    Group,
    Malformed,
    dataset,
    hdf5_format,
    input_errors,
    new_file,
    number,
    open_file,
    optional_number,
    optional_vector,
    put_column,
    read,
    read_whole,
    refuse_unwritten,
    text,
    written_rows,
)
from scanproc.files.stored.harmonics import BAND, harmonic_band, harmonic_name, open_harmonics
from scanproc.records.measured.scan import LARGEST_PA, ImpulseScan, Scan, ScanSetup

FORMAT = "scanproc scan"
LAYOUT_VERSION = 1
NUMBERS = (
    "temperature_c",
    "humidity_percent",
    "air_pressure_kpa",
    "speed_of_sound_m_s",
    "first_reflection_s",
    "lowest_hz",
    "highest_hz",
)
VECTORS = ("device_size_m", "device_centre_m")
TEXTS = ("device", "environment", "date", "microphone", "notes")

COLUMNS = {
    "time_s": "real",
    "temperature_c": "real",
    "layer": "whole",
    "point_name": "text",
    "clipped": "whole",
}
"""Optional datasets by point, and what they hold."""
LONGEST_NAME = 1024

ROWS_AT_ONCE = 256

Kind = Literal["spectra", "impulse responses"]


def read_scan(path: Path | str) -> Scan | ImpulseScan:
    """A whole scan. Raises ScanFileError or ScanDataError, in one line with the path.

    >>> sp.read_scan(folder / "scan.h5").points
    40
    """
    with open_scan(path) as scan:
        return scan.read()


def is_scan(path: Path) -> bool:
    """Whether a file calls itself a scan."""
    return hdf5_format(path) == FORMAT


def open_scan(path: Path | str) -> ScanFile:
    """A scan file to read part by part, for use in a ``with`` statement."""
    return ScanFile(Path(path))


def write_scan(
    path: Path | str,
    scan: Scan | ImpulseScan,
    harmonics: Mapping[int, tuple[ImpulseScan, tuple[float, float]]] | None = None,
) -> None:
    """Writes a scan file, whole or not at all; ``harmonics`` by order with their bands in Hz. Raises OutputError.

    >>> sp.write_scan(folder / "copy.h5", scan)
    """
    with new_file(path, FORMAT, LAYOUT_VERSION) as file:
        write_setup(file, scan.setup)
        if isinstance(scan, Scan):
            put_column(file, "frequency_hz", scan.frequency_hz)
            put_column(file, "pressure_pa", scan.pressure_pa, rows=256)
            if scan.noise_pa is not None:
                put_column(file, "noise_pa", scan.noise_pa, rows=256)
        else:
            _put_responses(file, "impulse_response_pa", scan)
        for order, (responses, band_hz) in (harmonics or {}).items():
            _put_responses(file, harmonic_name(order), responses).attrs.update(
                zip(BAND, band_hz, strict=True)
            )


class ScanFile:
    """An open scan file: small things read and checked, the sound read on demand.

    - ``setup``: the scan without its sound; ``points``: complete points
    - ``kind``: "spectra" or "impulse responses"
    - ``frequency_hz`` (F,), empty for impulse responses
    - ``sampling_rate_hz``, ``time_zero_s``, ``samples``: zero for spectra
    - ``harmonics``: lowest and highest frequency of each that was kept, Hz, by order
    - ``appending``: the file is still being written
    - ``warnings``: a sentence for each thing that was ignored
    """

    setup: ScanSetup
    _rows: Integer
    _gain: Real
    kind: Kind
    frequency_hz: Real
    sampling_rate_hz: float = 0.0
    time_zero_s: float = 0.0
    samples: int = 0

    def __init__(self, path: Path) -> None:
        self.path = path
        with input_errors(path, ScanFileError):
            self._file = open_file(path, FORMAT, LAYOUT_VERSION)
            try:
                self._read_headers()
            except BaseException:
                self._file.close()
                raise

    def __enter__(self) -> ScanFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        with input_errors(self.path, ScanFileError):
            self._file.close()

    @property
    def points(self) -> int:
        return self.setup.points

    def read(self) -> Scan | ImpulseScan:
        """The whole scan."""
        self._refuse_beyond_memory()
        return self.read_points(slice(None))

    def harmonic(self, order: int) -> ScanFile:
        """The same file, its points as in use now, with a harmonic for its sound."""
        other = copy(self)
        other._take_responses(self._harmonics[order])
        return other

    def use(self, points: Integer, gain: Real | None = None, position_m: Real | None = None) -> None:
        """From now on the file shows only these points (rising indices into what it shows so far).

        ``gain`` (points,) multiplies their sound, ``position_m`` (points, 3) replaces their positions.
        """
        setup = self.setup.take(points)
        self.setup = setup if position_m is None else replace(setup, position_m=position_m)
        self._rows, self._gain = self._rows[points], self._gain[points] * (1.0 if gain is None else gain)

    def not_finite_points(self) -> Integer:
        """Indices of points whose sound holds NaN or infinity; reading them raises ScanDataError."""
        bad: list[int] = []
        with input_errors(self.path, ScanFileError):
            for start in range(0, self.points, ROWS_AT_ONCE):
                rows = self._rows[start : start + ROWS_AT_ONCE]
                kind = np.complex128 if self.kind == "spectra" else np.float64
                finite = np.isfinite(self._read_rows(self._sound, kind, rows, slice(None))).all(axis=1)
                bad += (start + np.flatnonzero(~finite)).tolist()
        return np.array(bad, dtype=np.int64)

    def read_frequencies(self, which: slice) -> Scan:
        """All points at some frequencies; no other column is read. Only for spectra."""
        with input_errors(self.path, ScanFileError):
            return self._spectra(slice(0, self.points), which)

    def read_points(self, which: slice) -> Scan | ImpulseScan:
        """Some points at all frequencies or samples; no other row is read."""
        part = slice(*which.indices(self.points))
        with input_errors(self.path, ScanFileError):
            if self.kind == "spectra":
                return self._spectra(part, slice(None))
            responses = self._read_rows(self._sound, np.float64, self._rows[part], slice(None))
            responses = responses * self._gain[part][:, None] if np.any(self._gain[part] != 1) else responses
            setup = self.setup.take(np.arange(self.points)[part])
            return ImpulseScan(setup, responses, self.sampling_rate_hz, self.time_zero_s)

    def _spectra(self, part: slice, columns: slice) -> Scan:
        if self.kind != "spectra":
            raise Malformed("holds impulse responses, spectra were needed: gate or transform them first")
        rows, gain = self._rows[part], self._gain[part][:, None]
        pressure = self._read_rows(self._sound, np.complex128, rows, columns)
        noise = self._noise
        if noise is not None:
            if noise.ndim == 2:
                noise = self._read_rows(noise, np.float64, rows, columns) * gain
            else:
                noise = read(noise, np.float64, (columns,))
        setup = self.setup.take(np.arange(self.points)[part])
        changed = pressure * gain if np.any(gain != 1) else pressure
        return Scan(setup, self.frequency_hz[columns], changed, noise)

    def _read_rows(self, data: Any, kind: type, rows: Integer, columns: slice) -> Any:
        """Rows of the file (rising indices), read as one run."""
        if not len(rows):
            return read(data, kind, (slice(0, 0), columns))
        first = int(rows[0])
        run = read(data, kind, (slice(first, int(rows[-1]) + 1), columns))
        size = np.abs(run)
        if np.any((size > LARGEST_PA) & (size < np.inf)):
            raise Malformed(f"{data.name.lstrip('/')} holds values above {LARGEST_PA:g} Pa: correct its unit")
        return run if len(rows) == len(run) else run[rows - first]

    def _read_headers(self) -> None:
        file = self._file
        self.appending = bool(file.swmr_mode)
        self.kind = _kind(file)
        per_point = {"position_m": dataset(file, "position_m", "real", ("points", "x y z"))}
        if self.kind == "spectra":
            self.frequency_hz = read_whole(file, "frequency_hz", "real", ("frequencies",))
            self._sound = dataset(file, "pressure_pa", "complex", ("points", "frequencies"))
            self._same_columns("pressure_pa", self._sound)
        else:
            self.frequency_hz = np.empty(0)
            self._take_responses(dataset(file, "impulse_response_pa", "real", ("points", "samples")))
        self._harmonics = open_harmonics(file) if self.kind == "impulse responses" else {}
        self.harmonics = {order: harmonic_band(data) for order, data in self._harmonics.items()}
        per_point |= {harmonic_name(order): data for order, data in self._harmonics.items()}
        per_point[self._sound.name.lstrip("/")] = self._sound
        self._noise = self._open_noise(per_point)
        for name, kinds in COLUMNS.items():
            if name in file:
                per_point[name] = dataset(file, name, kinds, ("points",))
        self.setup = _read_setup(file, per_point, _complete_points(per_point, self.appending))
        self._rows, self._gain = np.arange(self.setup.points), np.ones(self.setup.points)
        self.warnings = _warnings(file, set(per_point), self.kind)

    def _take_responses(self, data: Any) -> None:
        self._sound, self.samples = data, int(data.shape[1])
        self.sampling_rate_hz = number(data, "sampling_rate_hz")
        self.time_zero_s = number(data, "time_zero_s", absent=0.0)

    def _open_noise(self, per_point: dict[str, Any]) -> Any:
        if self.kind != "spectra" or "noise_pa" not in self._file:
            return None
        by_point = getattr(self._file.get("noise_pa"), "ndim", 1) == 2
        axes = ("points", "frequencies") if by_point else ("frequencies",)
        noise = dataset(self._file, "noise_pa", "real", axes)
        self._same_columns("noise_pa", noise)
        if by_point:
            per_point["noise_pa"] = noise
        else:
            refuse_unwritten(noise)
        return noise

    def _same_columns(self, name: str, data: Any) -> None:
        if data.shape[-1] != len(self.frequency_hz):
            raise Malformed(
                f"{name} has {data.shape[-1]} frequencies, frequency_hz has {len(self.frequency_hz)}: "
                "write one column per frequency"
            )

    def _refuse_beyond_memory(self) -> None:
        columns = self.samples or len(self.frequency_hz)
        needed = self.points * columns * (16 if self.kind == "spectra" else 8)
        if needed > os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"):
            raise ScanFileError(
                f"holds {needed / 2**30:.0f} GiB, more than this machine's memory: read it part by part "
                "with open_scan",
                path=self.path,
            )


def _kind(file: Group) -> Kind:
    spectra, responses = "pressure_pa" in file, "impulse_response_pa" in file
    if spectra and responses:
        raise Malformed("holds both pressure_pa and impulse_response_pa: keep one of them")
    if not spectra and not responses:
        raise Malformed(
            "has neither the dataset pressure_pa (with frequency_hz) nor impulse_response_pa: add one of them"
        )
    return "spectra" if spectra else "impulse responses"


def _complete_points(per_point: dict[str, Any], appending: bool) -> int:
    lengths = {name: int(data.shape[0]) for name, data in per_point.items()}
    if appending:
        return _without_blank_end(per_point["position_m"], min(written_rows(d) for d in per_point.values()))
    points = lengths["position_m"]
    for name, length in lengths.items():
        if length != points:
            raise Malformed(
                f"{name} has {length} points, position_m has {points}: write one row per point in both"
            )
    for data in per_point.values():
        refuse_unwritten(data)
    return points


def _without_blank_end(positions: Any, points: int) -> int:
    """Rows are made before they are filled; a writer may be caught in between."""
    if positions.shape[1] != 3:
        return points
    blank = np.asarray(positions.fillvalue, np.float64)
    while points and np.array_equal(positions[points - 1], np.full(3, blank), equal_nan=True):
        points -= 1
    return points


def _read_setup(file: Group, per_point: dict[str, Any], points: int) -> ScanSetup:
    if per_point["position_m"].shape[1] != 3:
        raise Malformed(f"position_m must have 3 columns (x, y, z), got {per_point['position_m'].shape[1]}")
    rows = slice(0, points)

    def column(name: str, kind: type) -> Any:
        return read(per_point[name], kind, (rows,)) if name in per_point else None

    attributes: dict[str, Any] = {name: text(file, name) for name in TEXTS}
    attributes |= {name: optional_number(file, name) for name in NUMBERS}
    attributes |= {name: optional_vector(file, name, 3) for name in VECTORS}
    return ScanSetup(
        position_m=read(per_point["position_m"], np.float64, (rows, slice(None))),
        time_s=column("time_s", np.float64),
        point_temperature_c=column("temperature_c", np.float64),
        layer=column("layer", np.int64),
        point_name=_names(per_point["point_name"], rows) if "point_name" in per_point else None,
        clipped=column("clipped", np.int64),
        drive_voltage_v=number(file, "drive_voltage_v", absent=REFERENCE_VOLTAGE_V),
        **attributes,
    )


def _names(data: Any, rows: slice) -> Words:
    if data.dtype.itemsize > LONGEST_NAME:
        raise Malformed(f"point_name must be text of at most {LONGEST_NAME} bytes, got {data.dtype.itemsize}")
    return np.char.decode(data[rows], "utf-8")


def _warnings(file: Group, used: set[str], kind: Kind) -> tuple[str, ...]:
    known = used | ({"frequency_hz", "noise_pa"} if kind == "spectra" else set())
    attributes = {"format", "layout_version", "drive_voltage_v", *NUMBERS, *VECTORS, *TEXTS}
    unknown = {
        "datasets": sorted(set(file) - known),
        "attributes": sorted(set(file.attrs) - attributes),
    }
    return tuple(
        f"ignored {noun} that layout {LAYOUT_VERSION} does not know: {', '.join(map(repr, names))}"
        for noun, names in unknown.items()
        if names
    )


def write_setup(file: Group, setup: ScanSetup) -> None:
    """Writes everything but the sound into an open file."""
    put_column(file, "position_m", setup.position_m, rows=4096)
    names = None if setup.point_name is None else np.char.encode(setup.point_name, "utf-8")
    clipped = None if setup.clipped is None else setup.clipped.astype(np.uint8)
    columns = (setup.time_s, setup.point_temperature_c, setup.layer, names, clipped)
    for name, column in zip(COLUMNS, columns, strict=True):
        if column is not None:
            put_column(file, name, column)
    for name in ("drive_voltage_v", *NUMBERS, *VECTORS, *TEXTS):
        value = getattr(setup, name)
        if value is not None and not (isinstance(value, str) and value == ""):
            file.attrs[name] = value


def _put_responses(file: Group, name: str, scan: ImpulseScan) -> Any:
    responses = put_column(file, name, scan.impulse_response_pa, rows=16)
    responses.attrs["sampling_rate_hz"] = scan.sampling_rate_hz
    responses.attrs["time_zero_s"] = scan.time_zero_s
    return responses
