"""The angle within which the level stays near that of the axis, horizontally and vertically, against frequency.

About its centre the field along a great circle has |p|² = a trigonometric polynomial of twice the order, whatever
the centre; so samples on the expansion give it exactly everywhere, and no angle grid limits the result.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import Boolean, Complex, Integer, Real
from scanproc.records.answers.curves import Curve, Curves
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.farfield.error_bars import (
    DB_OF_POWER,
    ErrorModel,
    error_model,
    far_field_along,
    standard_errors_along,
)
from scanproc.steps.farfield.sets import STRAIGHT, Turn, turned_back
from scanproc.steps.field.extrapolate import DB_PER_RELATIVE_ERROR, far_field, far_field_variance
from scanproc.waves.directions import horizontal_orbit, vertical_orbit

DROPS_DB = (6.0, 10.0)
SIDES = ("if all is higher", "if all is lower")
DOUBT = 1.96
"""Standard errors that levels off the axis may be higher or lower by."""
JUMP, LEAST_JUMP_DEG = 2.0, 5.0
"""A change of the angle so many times larger than its own standard error says is a jump."""
MOST_DOUBT_DB = 3.0
ORBITS = {"horizontal": horizontal_orbit, "vertical": vertical_orbit}
HALVINGS = 30
"""Bisections of one sampling step: to about 1e-9 of it."""


def beamwidths(expansion: Expansion, turn: Turn = STRAIGHT) -> Curves:
    """Included angles in deg, -6 and -10 dB, on both orbits; NaN where the level never falls that far.

    From the axis outwards to the first fall on either side. The axis is the room's +x after ``turn``. Where a lobe
    just reaches the limit the angle is undecided: a level higher or lower by ``DOUBT`` standard errors would jump to
    another; then the standard error is half the jump, and curves "..., if all is higher" and "..., lower" hold both
    values (elsewhere they equal the angle).

    >>> sp.beamwidths(result.expansion)["horizontal beamwidth, -6 dB"].unit
    'deg'
    """
    model = error_model(expansion)
    curves: list[Curve] = []
    for orbit in ORBITS:
        place = (orbit, turn)
        series, relative = _power_series(expansion, *place), _relative_error(expansion, place)
        curves += [one for drop in DROPS_DB for one in _beamwidth(model, series, relative, drop, place)]
    notes = (
        "beamwidth: included angle between the first falls below the axis on either side; none where there is no fall",
    )
    return Curves(expansion.frequency_hz, tuple(curves), notes)


def _beamwidth(
    model: ErrorModel, series: Complex, relative: Real, drop_db: float, place: tuple[str, Turn]
) -> list[Curve]:
    """The beamwidth, and its values if all levels off the axis were higher or lower by their doubt."""
    width, sides = _width(series, drop_db)
    error = np.full(len(width), np.nan)
    here = np.flatnonzero(np.isfinite(width))
    if len(here):
        error[here] = _error(_part(model, here), series[:, here], sides[:, here], place)
    at_limit = relative * np.hypot(10 ** (drop_db / 20), 1)  # and the axis itself
    doubt_db = np.minimum(DOUBT * DB_PER_RELATIVE_ERROR * at_limit, MOST_DOUBT_DB)
    others = [_width(series, drop_db + sign * doubt_db)[0] for sign in (1.0, -1.0)]
    jumps = [_jumps(width, other, error) for other in others]
    jump = np.ptp([_whole(one) for one in (width, *others)], axis=0)
    either = jumps[0] | jumps[1]
    error = np.where(either, np.fmax(error, jump / 2), error)
    name = f"{place[0]} beamwidth, -{drop_db:g} dB"
    named = [
        (name, width),
        *(
            (f"{name}, {side}", np.where(hops, other, width))
            for side, other, hops in zip(SIDES, others, jumps, strict=True)
        ),
    ]
    reason = f"the level never falls by {drop_db:g} dB on one side or both"
    return [Curve(one, "deg", np.rad2deg(value), np.rad2deg(error), reason) for one, value in named]


def _width(series: Complex, drop_db: float | Real) -> tuple[Real, Real]:
    """Included angle in rad (F,), NaN without a fall on both sides, and the angles of both sides (2, F)."""
    left, found_left = first_fall(series, drop_db, 1)
    right, found_right = first_fall(series, drop_db, -1)
    return np.where(found_left & found_right, left + right, np.nan), np.stack([left, -right])


def _whole(width: Real) -> Real:
    return np.where(np.isnan(width), 2 * np.pi, width)


def _jumps(width: Real, other: Real, error: Real) -> Boolean:
    """Whether ``other`` lies farther off than a smooth fall would bring it within the doubt."""
    smooth = JUMP * DOUBT * np.nan_to_num(error) + np.deg2rad(LEAST_JUMP_DEG)
    found: Boolean = np.abs(_whole(width) - _whole(other)) > smooth
    return found


def _relative_error(expansion: Expansion, place: tuple[str, Turn]) -> Real:
    """Rms error on the orbit over the pressure on the axis (F,)."""
    orbit, turn = place
    direction = turned_back(ORBITS[orbit](np.arange(0, 360, 10.0)), turn)
    pressure = far_field(expansion, direction[:1])
    error: Real = np.sqrt(np.mean(far_field_variance(expansion, direction), axis=0))
    return error / np.maximum(np.abs(pressure[0]), 1e-300)


def _power_series(expansion: Expansion, orbit: str, turn: Turn) -> Complex:
    """|p|² on a great circle as Σ_m c_m e^{jmα}, m = 0 .. (real part, m > 0 doubled), (terms, F)."""
    samples = max(360, 4 * expansion.max_order + 4)
    angle = np.arange(samples) * (360 / samples)
    pressure = far_field(expansion, turned_back(ORBITS[orbit](angle), turn))
    series: Complex = np.fft.rfft(np.abs(pressure) ** 2, axis=0)[: 2 * expansion.max_order + 1] / samples
    series[1:] *= 2
    return series


def first_fall(series: Complex, drop_db: float | Real, side: int) -> tuple[Real, Boolean]:
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
