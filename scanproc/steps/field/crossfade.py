"""Two expansions of one device, the lower band of one and the upper band of the other, crossfaded."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees
from scanproc.errors import ScanDataError
from scanproc.records.checked import Number
from scanproc.records.expansion import Expansion, join
from scanproc.steps.field.extrapolate import far_field, pressure_at
from scanproc.steps.field.uncertainty import far_field_error_db
from scanproc.waves.directions import gauss_legendre_grid, lebedev_grid
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import outgoing_radial

WIDTH_OCTAVES = 1.0
"""The crossfade is this wide where both sides allow it."""
DEGREES_TO_SPARE = 6
"""Degrees beyond order + k·shift that are kept when the centre moves."""
DIRECTION, WEIGHT = lebedev_grid(35)


def blend(low: Expansion, high: Expansion, from_hz: float, to_hz: float) -> Expansion:
    """``low`` up to ``from_hz``, ``high`` from ``to_hz`` on, between them the two crossfaded.

    Coefficients are complex and added about the centre and scaling radius of ``high``, with weights that follow a
    squared cosine over log frequency, so that what both agree on passes unchanged. The two must share their
    frequencies within the crossfade. The standard error is taken as if both errors were one.
    """
    middle = columns(high, (high.frequency_hz > from_hz) & (high.frequency_hz < to_hz))
    below = columns(low, low.frequency_hz <= from_hz)
    above = columns(high, high.frequency_hz >= to_hz)
    same = np.isin(low.frequency_hz, middle.frequency_hz)
    if np.count_nonzero(same) != len(middle.frequency_hz):
        raise ScanDataError("frequency_hz: two expansions to be blended need the same frequencies in between")
    share = upper_share(middle.frequency_hz, from_hz, to_hz)
    mixed = _mixed(about(columns(low, same), middle), middle, share) if len(share) else middle
    return join([part for part in (below, mixed, above) if len(part.frequency_hz)])


def upper_share(frequency_hz: Real, from_hz: float, to_hz: float) -> Real:
    """Weight of the upper side, (F,): 0 up to ``from_hz``, 1 from ``to_hz``, a squared sine between."""
    past = np.log(frequency_hz / from_hz) / np.log(to_hz / from_hz)
    share: Real = np.sin(np.pi / 2 * np.clip(past, 0, 1)) ** 2
    return share


def mismatch_db(one: Expansion, other: Expansion) -> Real:
    """Squared difference of two far fields over the sphere, dB re the second's, (F,)."""
    want = far_field(other, DIRECTION)
    missed = WEIGHT @ np.abs(far_field(one, DIRECTION) - want) ** 2
    level: Real = 10 * np.log10(np.maximum(missed, 1e-30) / (WEIGHT @ np.abs(want) ** 2))
    return level


def best_octave(frequency_hz: Real, difference_db: Real) -> tuple[float, float]:
    """Where to crossfade: the octave (or all, if they span less) in which the two sides differ least.

    ``frequency_hz`` (F,) rising, where both are valid, and how far they differ there (F,).
    """
    first, last = float(frequency_hz[0]), float(frequency_hz[-1])
    width = 2**WIDTH_OCTAVES
    if last <= width * first:
        return first, last
    starts = frequency_hz[frequency_hz * width <= last * (1 + 1e-9)]
    worst = [np.max(difference_db[(frequency_hz >= f) & (frequency_hz <= f * width)]) for f in starts]
    best = float(starts[int(np.argmin(worst))])
    return best, best * width


def about(expansion: Expansion, like: Expansion) -> Expansion:
    """The same field about the centres and scaling radii of another expansion of the same frequencies.

    Where the centre moves, the field on a sphere about the new one, as far out as the old centre and radius reach, is
    projected on the harmonics.
    """
    parts = []
    for index in range(len(expansion.frequency_hz)):
        one, other = columns(expansion, np.array([index])), columns(like, np.array([index]))
        shift = float(np.linalg.norm(one.centre_m[0] - other.centre_m[0]))
        parts.append(_rescaled(one, other) if shift < 1e-9 else _moved(one, other, shift))
    return join(parts)


def _rescaled(one: Expansion, other: Expansion) -> Expansion:
    """One frequency with another scaling radius."""
    k, old, new = one.wavenumber_rad_m[0], one.scaling_radius_m[0], other.scaling_radius_m[0]
    degrees = max(one.max_order, len(one.coefficient_variance_pa2) - 1)
    size = np.abs(outgoing_radial(degrees, [k * new], k * old)[:, 0])
    return replace(
        one,
        scaling_radius_m=other.scaling_radius_m,
        coefficients_pa=one.coefficients_pa * size[mode_degrees(one.max_order)][:, None],
        coefficient_variance_pa2=one.coefficient_variance_pa2
        * size[: len(one.coefficient_variance_pa2), None] ** 2,
    )


def _moved(one: Expansion, other: Expansion, shift_m: float) -> Expansion:
    """One frequency about another centre."""
    k, scaling = float(one.wavenumber_rad_m[0]), float(other.scaling_radius_m[0])
    order = int(one.order[0]) + int(np.ceil(k * shift_m)) + DEGREES_TO_SPARE
    direction, weight = gauss_legendre_grid(order)
    radius = float(one.scaling_radius_m[0]) + shift_m
    field = pressure_at(one, other.centre_m[0] + radius * direction)[:, 0]
    projected = real_harmonics(order, direction).T @ (weight * field)
    radial = outgoing_radial(order, [k * radius], k * scaling)[mode_degrees(order), 0]
    held_out = np.full((order + 1, 1), np.nan)
    held_out[-1] = one.held_out_db[one.order[0]]
    kept = _rescaled(one, other)
    return replace(
        kept,
        order=np.array([order]),
        centre_m=other.centre_m,
        coefficients_pa=(projected / radial)[:, None],
        held_out_db=held_out,
    )


def _mixed(low: Expansion, high: Expansion, share: Real) -> Expansion:
    """(1 - share) of one and ``share`` of the other, same centres and scaling radii."""
    order = np.maximum(low.order, high.order)
    rows = mode_count(int(order.max()))
    values: Complex = (1 - share) * _rows(low.coefficients_pa, rows) + share * _rows(
        high.coefficients_pa, rows
    )
    degrees = max(len(low.coefficient_variance_pa2), len(high.coefficient_variance_pa2))
    spread = [np.sqrt(_rows(side.coefficient_variance_pa2, degrees)) for side in (low, high)]
    variance = ((1 - share) * spread[0] + share * spread[1]) ** 2
    pattern = (1 - share) * low.variance_pattern + share * high.variance_pattern
    held_out = np.full((int(order.max()) + 1, len(share)), np.nan)
    power = (1 - share) * _held_out_power(low) + share * _held_out_power(high)
    held_out[order, np.arange(len(share))] = 10 * np.log10(power)
    places = [np.array([index]) for index in range(len(share))]
    error = [
        far_field_error_db(
            values[:, at], variance[:, at], high.wavenumber_rad_m[at], float(high.scaling_radius_m[at][0])
        )
        for at in places
    ]
    return replace(
        high,
        order=order,
        coefficients_pa=values,
        held_out_db=held_out,
        far_field_error_db=np.concatenate(error),
        coefficient_variance_pa2=variance,
        variance_pattern=pattern,
    )


def _held_out_power(side: Expansion) -> Real:
    """Held-out error of the order used as a ratio of powers, (F,)."""
    at: Real = np.take_along_axis(side.held_out_db, side.order[None, :], axis=0)[0]
    return np.asarray(10 ** (at / 10), np.float64)


def _rows(values: NDArray[Number], rows: int) -> NDArray[Number]:
    """Padded with zeros, or cut, to so many rows."""
    return np.pad(values[:rows], ((0, max(0, rows - len(values))), (0, 0)))


def columns(expansion: Expansion, which: NDArray[np.bool_] | Integer | slice) -> Expansion:
    """Only some of the frequencies."""
    return replace(
        expansion,
        frequency_hz=expansion.frequency_hz[which],
        order=expansion.order[which],
        centre_m=expansion.centre_m[which],
        scaling_radius_m=expansion.scaling_radius_m[which],
        wavenumber_rad_m=expansion.wavenumber_rad_m[which],
        coefficients_pa=expansion.coefficients_pa[:, which],
        held_out_db=expansion.held_out_db[:, which],
        far_field_error_db=expansion.far_field_error_db[which],
        coefficient_variance_pa2=expansion.coefficient_variance_pa2[:, which],
        variance_pattern=expansion.variance_pattern[:, which],
        estimator=expansion.estimator[which],
    )
