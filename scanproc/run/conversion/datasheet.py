"""Derived curves and datasheet numbers of a conversion, as the settings want them."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

import numpy as np

from scanproc.records.answers.curves import Curves
from scanproc.records.fitted.expansion import Expansion
from scanproc.run.settings.conversion import CurveSettings
from scanproc.steps.farfield.beamwidth import beamwidths
from scanproc.steps.farfield.curves import CurveChoices, derived_curves
from scanproc.steps.farfield.headline import headline
from scanproc.steps.farfield.sets import STRAIGHT, Turn


def all_curves(expansion: Expansion, settings: CurveSettings, turn: Turn = STRAIGHT) -> Curves:
    """The averaged curves, the directivity indices and the beamwidths, in one table."""
    levels, angles = derived_curves(expansion, curve_choices(settings), turn), beamwidths(expansion, turn)
    return Curves(levels.frequency_hz, levels.curves + angles.curves, levels.notes + angles.notes)


def curve_choices(settings: CurveSettings) -> CurveChoices:
    """The choices of the settings."""
    return CurveChoices(
        settings.weighting, settings.divide_by_sum, settings.rear_wall, settings.early_reflections
    )


def datasheet(curves: Curves, settings: CurveSettings, level_error_db: float = 0.0) -> dict[str, Any]:
    """Datasheet numbers as JSON can hold them, to four digits after the point, and the choices in words.

    ``level_error_db`` is the standard error that all levels share.
    """
    low, high = settings.sensitivity_band_hz
    found = headline(curves, (low, high))
    if found.sensitivity is not None:
        error = float(np.hypot(found.sensitivity.standard_error, level_error_db))
        found = replace(found, sensitivity=replace(found.sensitivity, standard_error=error))
    numbers: dict[str, Any] = _rounded(asdict(found))
    return {**numbers, "choices": list(curves.notes)}


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _rounded(entry) for key, entry in value.items()}
    return round(value, 4) if isinstance(value, float) else value
