"""Sound at places and direction sets, as a notebook gets them.

Arrays have frequency as their last axis. Angles are azimuth (from +x, the reference axis, towards +y, left seen from
behind) and elevation (upwards), in degrees; positions are metres in the scan's frame; levels are dB re 20 µPa for
2.83 V. A standard error belongs to every value.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import Any

from scanproc.conventions import REFERENCE_VOLTAGE_V, Complex, Real, level_db
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.checked import short_repr
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.farfield.sets import direction_set, named_set


@short_repr
@dataclass(frozen=True, eq=False)
class FieldValues:
    """Sound at some places: ``pressure`` complex (places, F) in ``unit`` ("Pa·m" for the far field p·r·e^{+jkr}, "Pa"
    at positions), rms at ``drive_voltage_v``; ``standard_error_db`` (places, F) of its level; ``frequency_hz`` (F,).

    >>> result.far_field(azimuth_deg=30).level_db.shape == (1, len(result.frequency_hz))
    True
    """

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
        return library("xarray").Dataset(data, {"place": list(self.label), "frequency_hz": self.frequency_hz})


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


def library(name: str) -> Any:
    """A module that is no dependency. Raises ImportError, which says how to get it."""
    try:
        return import_module(name)
    except ImportError:
        raise ImportError(f"{name} is not installed: install it with pip install {name}") from None
