"""The curves that ANSI/CTA-2034-A (2015, from memory) derives from 70 angles, and exact ones beside them.

Averages are of squared pressure. Beside the sound power from the weighted 70 angles stands the exact one from the
coefficients, with the difference: two orbits can miss the true power by several dB.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from scanproc.conventions import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, Complex, Real
from scanproc.records.answers.curves import Curve, Curves
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.farfield.error_bars import (
    DB_OF_POWER,
    ErrorModel,
    averages_known,
    error_model,
    standard_errors,
)
from scanproc.steps.farfield.sets import STRAIGHT, Turn, turned_back
from scanproc.steps.field.extrapolate import far_field
from scanproc.waves.orbit_sets import (
    CEILING_BOUNCE,
    FLOOR_BOUNCE,
    FRONT_WALL,
    LISTENING_WINDOW,
    PLACES,
    REAR_WALLS,
    SIDE_WALLS,
    RearWall,
    Weighting,
    directions,
    group_weights,
    power_weights,
)
from scanproc.waves.smoothing import band_means

REFLECTIONS = ("floor bounce", "ceiling bounce", "front wall", "side walls", "rear wall")
IN_ROOM_SHARES = {"listening window": 0.12, "early reflections": 0.44, "sound power": 0.44}


@dataclass(frozen=True)
class CurveChoices:
    """Where the document leaves a choice or its weights are odd.

    ``weighting``: the weights quoted for the document ("quadrangles"), or the areas of the zones; the average is
    divided by the sum of the weights unless ``divide_by_sum`` is off. ``rear_wall``: all 19 angles from 90 deg, or
    only 90 and 180 deg. ``early_reflections``: the mean of the five averages, or of their 42 single curves.
    """

    weighting: Weighting = "quadrangles"
    divide_by_sum: bool = True
    rear_wall: RearWall = "all"
    early_reflections: Literal["five averages", "single curves"] = "five averages"

    def notes(self) -> tuple[str, ...]:
        """The choices in words."""
        total = float(power_weights(self.weighting).sum())
        divided = "divided by" if self.divide_by_sum else "not divided by"
        return (
            f"sound power: weights of {self.weighting}, average {divided} their sum ({total:.5f})",
            f"rear wall: {len(REAR_WALLS[self.rear_wall])} angles ({self.rear_wall})",
            f"early reflections: mean of the {self.early_reflections}",
        )


STANDARD = CurveChoices()


def average_weights(choices: CurveChoices = STANDARD) -> Mapping[str, Real]:
    """For each averaged curve its weights on the squared pressures at the 70 angles."""
    groups = {
        "floor bounce": FLOOR_BOUNCE,
        "ceiling bounce": CEILING_BOUNCE,
        "front wall": FRONT_WALL,
        "side walls": SIDE_WALLS,
        "rear wall": REAR_WALLS[choices.rear_wall],
    }
    weights = {
        "on axis": group_weights((("horizontal", 0),)),
        "listening window": group_weights(LISTENING_WINDOW),
        **{name: group_weights(group) for name, group in groups.items()},
    }
    if choices.early_reflections == "five averages":
        weights["early reflections"] = np.mean([weights[name] for name in REFLECTIONS], axis=0)
    else:
        count = sum(len(group) for group in groups.values())
        weights["early reflections"] = (
            np.sum([weights[name] * len(group) for name, group in groups.items()], axis=0) / count
        )
    power = power_weights(choices.weighting)
    weights["sound power"] = power / power.sum() if choices.divide_by_sum else power
    weights["estimated in-room response"] = np.sum(
        [share * weights[name] for name, share in IN_ROOM_SHARES.items()], axis=0
    )
    return weights


INDICES = {
    "sound power directivity index": ("listening window", "sound power"),
    "early reflections directivity index": ("listening window", "early reflections"),
    "directivity index, exact": ("on axis", "sound power, exact"),
    "sound power error of 70 angles": ("sound power", "sound power, exact"),
}
"""Differences of two levels: name -> (minuend, subtrahend)."""
LEVELS = (*average_weights(), "sound power, exact")
"""Names of the curves that are levels."""


def derived_curves(expansion: Expansion, choices: CurveChoices = STANDARD, turn: Turn = STRAIGHT) -> Curves:
    """All averaged curves, the exact sound power, the directivity indices and the listening window's spread.

    With ``turn`` the device is turned about the scan's origin first. Errors include what the angles share.

    >>> sp.derived_curves(result.expansion)["listening window"].unit
    'dB'
    """
    direction = turned_back(directions(), turn)
    pressure = far_field(expansion, direction)
    model = error_model(expansion)
    weights = average_weights(choices)
    power, gradient = _powers(pressure, np.stack(list(weights.values())))
    exact, extra = _exact_power(model)
    names = [*weights, "sound power, exact"]
    power = np.concatenate([power, exact[None]])
    gradient = np.concatenate([gradient, np.zeros_like(gradient[:1])])
    own = np.zeros((len(names), *extra.shape), dtype=np.complex128)
    own[-1] = extra
    row = {name: index for index, name in enumerate(names)}
    plus = [row[a] for a, _ in INDICES.values()]
    minus = [row[b] for _, b in INDICES.values()]
    level = _level(power, expansion.drive_voltage_v)
    value = np.concatenate([level, level[plus] - level[minus]])
    error = standard_errors(
        model,
        direction,
        np.concatenate([gradient, gradient[plus] - gradient[minus]]),
        np.concatenate([own, own[plus] - own[minus]]),
        averages_known(expansion, model),
    )
    error[row["on axis"]] = standard_errors(model, direction, gradient[[row["on axis"]]])[
        0
    ]  # as of any direction
    curves = [Curve(name, "dB", value[i], error[i]) for i, name in enumerate([*names, *INDICES])]
    return Curves(expansion.frequency_hz, (*curves, _spread(pressure, model, direction)), choices.notes())


def band_levels(curves: Curves, per_octave: int) -> Curves:
    """The levels among derived curves averaged as powers over the bands of IEC 61260-1 that the scan covers.

    Errors are taken as fully dependent within a band.
    """
    levels = [curve for curve in curves.curves if curve.name in LEVELS]
    power = 10 ** (np.stack([curve.value for curve in levels]) / 10)
    error = np.stack([curve.standard_error for curve in levels])
    centre, mean = band_means(curves.frequency_hz, power, per_octave)
    _, weighted = band_means(curves.frequency_hz, power * error, per_octave)
    found = zip(levels, 10 * np.log10(mean), weighted / mean, strict=True)
    notes = (*curves.notes, f"means of power over base-ten 1/{per_octave}-octave bands (IEC 61260-1)")
    return Curves(centre, tuple(Curve(c.name, "dB", value, e) for c, value, e in found), notes)


def _powers(pressure: Complex, weights: Real) -> tuple[Real, Complex]:
    """Σ w|p|² (curves, F), and how its level in dB follows errors of the pressures, (curves, angles, F)."""
    power = weights @ np.abs(pressure) ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = 2 * DB_OF_POWER * weights[:, :, None] * pressure.conj() / power[:, None, :]
    return power, np.nan_to_num(slope, nan=0.0, posinf=0.0, neginf=0.0)


def _exact_power(model: ErrorModel) -> tuple[Real, Complex]:
    """Mean of |p|² over the sphere (F,), and how its level follows the errors R_n ε_nm, (modes, F).

    Here the errors count as equal in all directions, which they are on average.
    """
    modes = min(len(model.field), len(model.mode_power))
    power: Real = np.sum(np.abs(model.field) ** 2, axis=0) / (4 * np.pi)
    slope = np.zeros(model.mode_power.shape, dtype=np.complex128)
    slope[:modes] = 2 * DB_OF_POWER * model.field[:modes].conj() / (4 * np.pi * power)
    return power, slope


def _spread(pressure: Complex, model: ErrorModel, direction: Real) -> Curve:
    """Highest less lowest level within the listening window."""
    inside = np.flatnonzero([place in LISTENING_WINDOW for place in PLACES])
    level = _level(np.abs(pressure[inside]) ** 2, REFERENCE_VOLTAGE_V)
    highest, lowest = inside[level.argmax(axis=0)], inside[level.argmin(axis=0)]
    gradient = np.zeros((1, *pressure.shape), dtype=np.complex128)
    column = np.arange(pressure.shape[1])
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.nan_to_num(2 * DB_OF_POWER / pressure)
    gradient[0, highest, column] += slope[highest, column]
    gradient[0, lowest, column] -= slope[lowest, column]
    value = level.max(axis=0) - level.min(axis=0)
    return Curve("listening window spread", "dB", value, standard_errors(model, direction, gradient)[0])


def _level(power: Real, drive_voltage_v: float) -> Real:
    """Level in dB re 20 µPa at 1 m, at 2.83 V."""
    scale = (REFERENCE_VOLTAGE_V / drive_voltage_v / REFERENCE_PRESSURE_PA) ** 2
    with np.errstate(divide="ignore"):
        level: Real = 10 * np.log10(power * scale)
    return level
