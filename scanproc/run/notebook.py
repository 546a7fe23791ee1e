"""What a notebook works with: results that answer by name and angle, and the commands as functions.

Arrays have frequency as their last axis. Angles are azimuth (from +x, the reference axis, towards +y, left seen from
behind) and elevation (upwards), in degrees; positions are metres in the scan's frame; levels are dB re 20 µPa for
2.83 V. A standard error belongs to every value.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cached_property
from html import escape
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import REFERENCE_VOLTAGE_V, Complex, Real, level_db
from scanproc.errors import ScanDataError, SettingsError
from scanproc.files.stored.result_file import read_result as read_result_file
from scanproc.records.answers.advice import Advice
from scanproc.records.answers.comparison import Comparison, Reference
from scanproc.records.answers.curves import Curves
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.result import Result
from scanproc.records.answers.scan_plan import ScanPlan
from scanproc.records.checked import short_repr
from scanproc.records.fitted.expansion import Expansion
from scanproc.report.drawing.kinds import Figure
from scanproc.report.words.sentences import frequency
from scanproc.run.advise import AdviseChoices
from scanproc.run.advise import advise as advise_expansion
from scanproc.run.conversion.datasheet import all_curves
from scanproc.run.conversion.page import figures, save_figure
from scanproc.run.conversion.reference import ReferenceChoices, compared, result_at
from scanproc.run.settings.conversion import CurveSettings
from scanproc.steps.compare.differences import CompareChoices
from scanproc.steps.compare.differences import compare as compare_records
from scanproc.steps.compare.reference import far_field_reference
from scanproc.steps.farfield.sets import Angles, direction_set, listed_angles, named_set, seat_angles
from scanproc.steps.planning.earlier import earlier_scan
from scanproc.steps.planning.scan_plan import PlanChoices, plan_scan


@short_repr
@dataclass(frozen=True, eq=False)
class FieldValues:
    """Sound at some places: ``pressure`` complex (places, F) in ``unit`` ("Pa·m" for the far field p·r·e^{+jkr}, "Pa"
    at positions), rms at ``drive_voltage_v``; ``standard_error_db`` (places, F) of its level; ``frequency_hz`` (F,)."""

    label: tuple[str, ...]
    frequency_hz: Real
    pressure: Complex
    standard_error_db: Real
    unit: str
    drive_voltage_v: float = REFERENCE_VOLTAGE_V

    @property
    def level_db(self) -> Real:
        """Levels (places, F), dB re 20 µPa (of the far field at 1 m) for 2.83 V."""
        return level_db(self.pressure, self.drive_voltage_v)

    def to_xarray(self) -> Any:
        """An xarray Dataset with the axes "place" and "frequency_hz". Needs xarray."""
        axes = ("place", "frequency_hz")
        data = {
            "pressure": (axes, self.pressure, {"units": self.unit}),
            "level_db": (axes, self.level_db, {"units": "dB re 20 µPa, 2.83 V"}),
            "standard_error_db": (axes, self.standard_error_db, {"units": "dB"}),
        }
        return _library("xarray").Dataset(
            data, {"place": list(self.label), "frequency_hz": self.frequency_hz}
        )


class Directions(dict[str, DirectionSet]):
    """Direction sets by name: those of the file, and any other like "orbits-30" or "sphere-5", made when asked for."""

    def __init__(self, stored: Mapping[str, DirectionSet], expansion: Expansion) -> None:
        super().__init__(stored)
        self._expansion = expansion

    def __missing__(self, name: str) -> DirectionSet:
        """Raises SettingsError, which names those that can be made."""
        self[name] = direction_set(self._expansion, named_set(name))
        return self[name]

    def __repr__(self) -> str:
        return f"Directions({', '.join(self) or 'none yet'}; others are made by name, like orbits-30 or sphere-10)"


@dataclass(frozen=True, eq=False, repr=False)
class Picture:
    """A figure of the page, drawn where a notebook shows it."""

    figure: Figure

    @property
    def name(self) -> str:
        return self.figure.text.key

    def save(self, path: Path | str, theme: str = "light", width_mm: float = 170.0) -> None:
        """Writes it as SVG, PDF or PNG, by the ending of ``path``. Raises OutputError and SettingsError."""
        save_figure(self.figure, path, theme, width_mm)

    def __repr__(self) -> str:
        return f"Picture({self.name}: {self.figure.text.finding})"

    def _repr_html_(self) -> str:
        from scanproc.report.drawing.static import drawn

        text = self.figure.text
        drawing = drawn(self.figure, "svg").decode()
        return f"<figure>{drawing[drawing.index('<svg') :]}<figcaption>{escape(text.finding)}</figcaption></figure>"


class Plots:
    """The page's figures by name: ``plots.response()``; ``plots.names`` lists them. Attributes stand for the figures,
    which differ from result to result."""

    def __init__(self, result: Result) -> None:
        self._figures = {one.text.key.replace("-", "_"): one for one in figures(result)}

    @property
    def names(self) -> tuple[str, ...]:
        return tuple(self._figures)

    def __dir__(self) -> list[str]:
        return ["names", *self._figures]

    def __getattr__(self, name: str) -> Any:
        known = self.__dict__.get("_figures", {})
        if name not in known:
            raise AttributeError(f"no figure {name!r}: there are {', '.join(known)}")
        return lambda: Picture(known[name])

    def __repr__(self) -> str:
        return f"Plots({', '.join(self.names)})"


class NotebookResult(Result):
    """A result that answers by name, angle and position.

    Example, with a result that :func:`read_result` has read:

    >>> result.far_field(azimuth_deg=[0, 30], elevation_deg=0).pressure.shape == (2, len(result.frequency_hz))
    True
    >>> result.curves["listening window"].unit
    'dB'
    >>> result.directions["orbits-30"].angles
    24
    >>> result.plot.response().name
    'response'
    """

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
        label = tuple(f"azimuth {a:g} elevation {e:g} deg" for a, e in pairs)
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
        return Plots(self)

    def to_xarray(self) -> Any:
        """The curves, with their errors as "NAME error", over "frequency_hz", as an xarray Dataset. Needs xarray."""
        data: dict[str, Any] = {}
        for curve in self.curves.curves:
            data[curve.name] = ("frequency_hz", curve.value, {"units": curve.unit})
            data[f"{curve.name} error"] = ("frequency_hz", curve.standard_error, {"units": curve.unit})
        return _library("xarray").Dataset(data, {"frequency_hz": self.frequency_hz})

    def to_pandas(self) -> Any:
        """The same as a pandas DataFrame, one row for each frequency. Needs pandas."""
        columns = {}
        for curve in self.curves.curves:
            columns[curve.name] = curve.value
            columns[f"{curve.name} error"] = curve.standard_error
        index = _library("pandas").Index(self.frequency_hz, name="frequency_hz")
        return _library("pandas").DataFrame(columns, index=index)

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
    """The result of a conversion: result.h5, or the directory that holds it. Raises ResultFileError."""
    found = read_result_file(result_at(Path(path)))
    return NotebookResult(
        found.expansion,
        Directions(found.directions, found.expansion),
        found.provenance,
        found.room,
        found.budget,
    )


def compare(
    result: Result | Expansion | Path | str,
    reference: Reference | Result | Path | str,
    choices: CompareChoices | None = None,
    **how: Any,
) -> Comparison:
    """A result against a reference, another result, or the file of one; ``how`` to read a file: ``distance_m``,
    ``unit`` ("pa" or "relative"), ``gate_s``, ``height_m``, ``channel``.

    Raises InputError, SettingsError or ScanDataError.
    """
    if isinstance(result, (str, Path)):
        result = read_result(result)
    expansion = result.expansion if isinstance(result, Result) else result
    if isinstance(reference, Result):
        name = str(reference.provenance.get("device") or "the other result")
        reference = far_field_reference(name, reference.expansion)
    if isinstance(reference, Reference):
        return compare_records(expansion, reference, choices)
    return compared(
        expansion, reference, replace(ReferenceChoices(**how), choices=choices or CompareChoices())
    )


def advise(result: Result | Expansion | Path | str, **choices: Any) -> Advice:
    """Resonances of a result, what filters can mend, and filters; ``choices`` as in
    :class:`~scanproc.run.advise.AdviseChoices`. Raises InputError, SettingsError or ScanDataError.
    """
    if isinstance(result, (str, Path)):
        result = read_result(result)
    _refuse_unknown("advise", AdviseChoices, choices)
    expansion = result.expansion if isinstance(result, Result) else result
    return advise_expansion(expansion, AdviseChoices(**choices))


def plan(like: Result | Path | str | None = None, **choices: Any) -> ScanPlan:
    """Where and how many points to measure; ``choices`` as in :class:`~scanproc.steps.planning.scan_plan.PlanChoices`.

    ``like``: the result of a like device. Raises InputError or SettingsError.
    """
    _refuse_unknown("plan", PlanChoices, choices)
    for name in ("up_to_hz",) if like else ("size_m", "up_to_hz"):
        if name not in choices:
            raise SettingsError(f"plan needs {name}: state the device's size in m and the highest frequency")
    earlier = None if like is None else earlier_scan(like if isinstance(like, Result) else read_result(like))
    return plan_scan(PlanChoices(**{"size_m": None, **choices}), earlier=earlier)


def _refuse_unknown(
    command: str, kind: type[AdviseChoices] | type[PlanChoices], given: Mapping[str, Any]
) -> None:
    known = [one.name for one in fields(kind)]
    for name in given:
        if name not in known:
            raise SettingsError(f"{command} has no setting {name!r}: known are {', '.join(known)}")


def _library(name: str) -> Any:
    from importlib import import_module

    try:
        return import_module(name)
    except ImportError:
        raise ImportError(f"{name} is not installed: install it with pip install {name}") from None
