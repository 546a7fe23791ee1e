"""The angle within which the level stays near that of the axis, horizontally and vertically, against frequency.

About its centre the field along a great circle has |p|² = a trigonometric polynomial of twice the order, whatever
the centre; so samples on the expansion give it exactly everywhere, and no angle grid limits the result.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import Boolean, Complex, Integer, Real
from scanproc.records.curves import Curve, Curves
from scanproc.records.expansion import Expansion
from scanproc.steps.farfield.error_bars import (
    DB_OF_POWER,
    ErrorModel,
    error_model,
    far_field_along,
    standard_errors_along,
)
from scanproc.steps.farfield.sets import STRAIGHT, Turn, turned_back
from scanproc.steps.field.extrapolate import far_field
from scanproc.waves.directions import horizontal_orbit, vertical_orbit

DROPS_DB = (6.0, 10.0)
ORBITS = {"horizontal": horizontal_orbit, "vertical": vertical_orbit}
HALVINGS = 30
"""Bisections of one sampling step: to about 1e-9 of it."""


def beamwidths(expansion: Expansion, turn: Turn = STRAIGHT) -> Curves:
    """Included angles in deg, -6 and -10 dB, on both orbits; 360 where the level never falls that far.

    From the axis outwards to the first fall on either side. The axis is the room's +x after ``turn``.
    """
    model = error_model(expansion)
    curves = []
    for orbit in ORBITS:
        series = _power_series(expansion, orbit, turn)
        curves += [_beamwidth(model, series, drop, (orbit, turn)) for drop in DROPS_DB]
    notes = ("beamwidth: included angle between the first falls below the axis on either side",)
    return Curves(expansion.frequency_hz, tuple(curves), notes)


def _beamwidth(model: ErrorModel, series: Complex, drop_db: float, place: tuple[str, Turn]) -> Curve:
    left, found_left = first_fall(series, drop_db, 1)
    right, found_right = first_fall(series, drop_db, -1)
    found = found_left & found_right
    width = np.where(found, left + right, 2 * np.pi)
    error = np.zeros(len(width))
    here = np.flatnonzero(found)
    if len(here):
        sides = np.stack([left[here], -right[here]])
        error[here] = _error(_part(model, here), series[:, here], sides, place)
    return Curve(f"{place[0]} beamwidth, -{drop_db:g} dB", "deg", np.rad2deg(width), np.rad2deg(error))


def _power_series(expansion: Expansion, orbit: str, turn: Turn) -> Complex:
    """|p|² on a great circle as Σ_m c_m e^{jmα}, m = 0 .. (real part, m > 0 doubled), (terms, F)."""
    samples = max(360, 4 * expansion.max_order + 4)
    angle = np.arange(samples) * (360 / samples)
    pressure = far_field(expansion, turned_back(ORBITS[orbit](angle), turn))
    series: Complex = np.fft.rfft(np.abs(pressure) ** 2, axis=0)[: 2 * expansion.max_order + 1] / samples
    series[1:] *= 2
    return series


def first_fall(series: Complex, drop_db: float, side: int) -> tuple[Real, Boolean]:
    """Angle in rad from the axis, to ``side`` (1, -1), of the first fall by ``drop_db``, and whether there is one."""
    steps = max(720, 8 * len(series))
    angle: Real = np.linspace(0, np.pi, steps // 2 + 1)
    limit = power_at(series, np.zeros((1, 1)))[0] * 10 ** (-drop_db / 10)
    below = _on_grid(series, side * angle) < limit
    found: Boolean = below.any(axis=0)
    first: Integer = np.maximum(below.argmax(axis=0), 1)
    low: Real = angle[first - 1]
    high: Real = angle[first]
    for _ in range(HALVINGS):
        middle: Real = np.add(low, high) / 2
        over = power_at(series, side * middle[None, :])[0] >= limit
        low, high = np.where(over, middle, low), np.where(over, high, middle)
    return low, found


def power_at(series: Complex, angle: Real) -> Real:
    """|p|² at angles (angles, F) or (angles, 1), rad."""
    term = np.arange(len(series))
    value: Real = np.einsum("mf,amf->af", series, np.exp(1j * angle[:, None, :] * term[:, None])).real
    return value


def _on_grid(series: Complex, angle: Real) -> Real:
    turn: Complex = np.exp(1j * angle[:, None] * np.arange(len(series)))
    value: Real = (turn @ series).real
    return value


def _error(model: ErrorModel, series: Complex, sides: Real, place: tuple[str, Turn]) -> Real:
    """Standard error in rad of the included angle: δα = δ(L(α) - L(0)) / |dL/dα| on both sides."""
    orbit, turn = place
    term = np.arange(len(series))[:, None]
    turned = np.stack([power_at(1j * term * series, side[None, :])[0] for side in sides])
    angle = np.concatenate([np.zeros((1, sides.shape[1])), sides])
    direction = np.stack([turned_back(ORBITS[orbit](np.rad2deg(row)), turn) for row in angle])
    with np.errstate(divide="ignore", invalid="ignore"):
        shallow = power_at(series, sides) / (DB_OF_POWER * np.abs(turned))
        share = np.concatenate([-np.sum(shallow, axis=0)[None], shallow])
        pressure = np.stack([far_field_along(model, unit) for unit in direction])
        return standard_errors_along(model, direction, share * 2 * DB_OF_POWER / pressure)


def _part(model: ErrorModel, here: NDArray[np.intp]) -> ErrorModel:
    return ErrorModel(
        model.order,
        model.mode_power[:, here],
        model.field[:, here],
        model.pattern[:, here],
        model.centre_m[here],
        model.wavenumber_rad_m[here],
    )
