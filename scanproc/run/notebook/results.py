"""A result that answers by name, angle and position."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from functools import cached_property
from html import escape
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.files.stored.not_known import not_known
from scanproc.files.stored.result_file import read_result as read_result_file
from scanproc.records.answers.curves import Curves
from scanproc.records.answers.result import Result
from scanproc.report.words.sentences import frequency
from scanproc.run.conversion.datasheet import all_curves
from scanproc.run.conversion.page import figures
from scanproc.run.conversion.reference import result_at
from scanproc.run.notebook.distortion import NotebookDistortion
from scanproc.run.notebook.pictures import Plots
from scanproc.run.notebook.values import Directions, FieldValues, library
from scanproc.run.settings.conversion import CurveSettings
from scanproc.steps.farfield.sets import Angles, direction_set, listed_angles, seat_angles


class NotebookResult(Result):
    """A result that answers by name, angle and position.

    ``not_known`` names the arrays that hold NaN or infinite values, by their paths in the file, and says why.
    ``budget`` tells where the predicted error comes from, ``distortion`` the harmonics where the scan holds them
    (:class:`NotebookDistortion`); both are None where they were not asked for.

    Example, with a result that :func:`read_result` has read:

    >>> result.far_field(azimuth_deg=[0, 30], elevation_deg=0).pressure.shape == (2, len(result.frequency_hz))
    True
    >>> result.curves["listening window"].unit
    'dB'
    >>> result.directions["orbits-30"].angles
    24
    >>> result.plot.response().name
    'response'
    >>> "not tried" in result.not_known["error/held_out_db"]
    True
    """

    not_known: Mapping[str, str] = MappingProxyType({})

    @property
    def frequency_hz(self) -> Real:
        """(F,) in Hz."""
        return self.expansion.frequency_hz

    def far_field(self, azimuth_deg: ArrayLike = 0.0, elevation_deg: ArrayLike = 0.0) -> FieldValues:
        """The far field p·r·e^{+jkr} in Pa·m, with standard errors, at angles that broadcast to one axis (places,).

        >>> result.far_field(azimuth_deg=30).standard_error_db.shape == (1, len(result.frequency_hz))
        True
        """
        azimuth, elevation = np.broadcast_arrays(
            np.atleast_1d(np.asarray(azimuth_deg, np.float64)), np.asarray(elevation_deg, np.float64)
        )
        if azimuth.ndim != 1 or not np.all(np.isfinite(azimuth) & np.isfinite(elevation)):
            raise ScanDataError("azimuth_deg and elevation_deg must be finite numbers along one axis")
        pairs = np.stack([azimuth, elevation], axis=1)
        label = tuple(f"azimuth {a:zg} elevation {e:zg} deg" for a, e in pairs)
        return self._values(listed_angles("asked for", pairs), label)

    def pressure(self, position_m: ArrayLike) -> FieldValues:
        """The pressure in Pa, with standard errors, at positions (places, 3) or (3,), near field included.

        Inside the scanned surface, where the sources may be, it warns. Raises ScanDataError for the origin.

        >>> result.pressure([2.0, 0.0, 0.0]).unit
        'Pa'
        """
        position = np.atleast_2d(np.asarray(position_m, dtype=np.float64))
        if position.ndim != 2 or position.shape[1] != 3 or not np.all(np.isfinite(position)):
            raise ScanDataError("position_m must hold finite x, y, z for each place")
        expansion = self.expansion
        reach = np.linalg.norm(position[:, None] - expansion.centre_m, axis=2) / expansion.scaling_radius_m
        if np.any(reach < 1):
            warnings.warn(
                f"position {int(reach.min(axis=1).argmin())} lies inside the scanned surface: the field is known "
                "outside the device only",
                stacklevel=2,
            )
        label = tuple(f"x {x:g} y {y:g} z {z:g} m" for x, y, z in position)
        return self._values(seat_angles("position_m", position), label)

    def _values(self, angles: Angles, label: tuple[str, ...]) -> FieldValues:
        found = direction_set(self.expansion, angles)
        pressure, unit = found.pressure_pa_m, "Pa·m"
        if angles.distance_m is not None:
            distance = angles.distance_m[:, None]
            pressure, unit = (
                pressure / distance * np.exp(-1j * distance * self.expansion.wavenumber_rad_m),
                "Pa",
            )
        return FieldValues(
            label, found.frequency_hz, pressure, found.standard_error_db, unit, found.drive_voltage_v
        )

    @cached_property
    def curves(self) -> Curves:
        """The averaged curves, indices and beamwidths by name, each with ``value`` and ``standard_error`` (F,)."""
        return all_curves(self.expansion, CurveSettings())

    @cached_property
    def plot(self) -> Plots:
        """The page's figures: ``result.plot.response()``."""
        return Plots(figures(self))

    def to_xarray(self) -> Any:
        """The curves, with their errors as "NAME error", over "frequency_hz", as an xarray Dataset. Needs xarray."""
        data: dict[str, Any] = {}
        for curve in self.curves.curves:
            data[curve.name] = ("frequency_hz", curve.value, {"units": curve.unit})
            data[f"{curve.name} error"] = ("frequency_hz", curve.standard_error, {"units": curve.unit})
        return library("xarray").Dataset(data, {"frequency_hz": self.frequency_hz})

    def to_pandas(self) -> Any:
        """The same as a pandas DataFrame, one row for each frequency. Needs pandas."""
        columns = {}
        for curve in self.curves.curves:
            columns[curve.name] = curve.value
            columns[f"{curve.name} error"] = curve.standard_error
        index = library("pandas").Index(self.frequency_hz, name="frequency_hz")
        return library("pandas").DataFrame(columns, index=index)

    def _facts(self) -> dict[str, str]:
        one = self.expansion
        band = f"{frequency(float(one.frequency_hz[0]))} to {frequency(float(one.frequency_hz[-1]))}"
        error = one.far_field_error_db[np.isfinite(one.far_field_error_db)]
        told = f"{np.median(error):.1f} dB (median over frequency)" if error.size else "not known"
        return {
            "device": str(self.provenance.get("device") or "not stated"),
            "points": f"{one.points:,}",
            "band": f"{band}, {len(one.frequency_hz)} frequencies",
            "predicted far-field error": told,
            "direction sets": ", ".join(self.directions) or "none yet",
        }

    def __repr__(self) -> str:
        return f"Result({'; '.join(f'{name} {value}' for name, value in self._facts().items())})"

    def _repr_html_(self) -> str:
        rows = "".join(f"<tr><th>{escape(k)}</th><td>{escape(v)}</td></tr>" for k, v in self._facts().items())
        return f"<table>{rows}</table>{self.plot.response()._repr_html_()}"


def read_result(path: Path | str) -> NotebookResult:
    """The result of a conversion: result.h5, or the directory that holds it. Raises ResultFileError.

    >>> sp.read_result(folder / "result").frequency_hz.shape == result.frequency_hz.shape
    True
    """
    place = result_at(Path(path))
    found = read_result_file(place)
    made = NotebookResult(
        found.expansion,
        Directions(found.directions, found.expansion),
        found.provenance,
        found.room,
        found.budget,
        None if found.distortion is None else NotebookDistortion.of(found.distortion),
        found.learnt,
        found.study,
    )
    object.__setattr__(made, "not_known", not_known(place))
    return made
