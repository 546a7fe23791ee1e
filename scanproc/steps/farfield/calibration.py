"""What the laboratory's own calibration leaves uncertain, joined to the errors of the fit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scanproc.records.answers.curves import Curve, Curves
from scanproc.records.answers.directions import DirectionSet
from scanproc.steps.farfield.curves import LEVELS


def curves_with(curves: Curves, level_error_db: float) -> Curves:
    """The curves, those that are levels with a standard error that all of them share (dB) as well."""
    if not level_error_db:
        return curves
    joined = tuple(
        Curve(one.name, one.unit, one.value, np.hypot(one.standard_error, level_error_db))
        if one.name in LEVELS
        else one
        for one in curves.curves
    )
    return replace(curves, curves=joined)


def directions_with(directions: DirectionSet, level_error_db: float) -> DirectionSet:
    """The set with a standard error that all of its levels share (dB) as well."""
    if not level_error_db:
        return directions
    return replace(directions, standard_error_db=np.hypot(directions.standard_error_db, level_error_db))
