"""Two expansions of one device joined by what each predicts of its own error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import Real, mode_count, mode_degrees, order_of
from scanproc.records.checked import Number
from scanproc.records.fitted import point_errors
from scanproc.records.fitted.budget import CAUSES, Budget
from scanproc.records.fitted.expansion import Expansion, join
from scanproc.records.fitted.near_field import Multipole, NearField
from scanproc.steps.field.uncertainty import far_field_error_db
from scanproc.waves.radial import far_radial


def joined(low: Expansion, high: Expansion) -> Expansion:
    """``low`` where it is alone, ``high`` where it is alone; where both are, each by the other's predicted error.

    Both stand about the same centres and scaling radii. Their errors are taken as if they were one, since both come
    from the same points.
    """
    both_low = np.isin(low.frequency_hz, high.frequency_hz)
    both_high = np.isin(high.frequency_hz, low.frequency_hz)
    parts = [low.take_frequencies(np.flatnonzero(~both_low))]
    if both_low.any():
        parts.append(
            _mixed(
                low.take_frequencies(np.flatnonzero(both_low)),
                high.take_frequencies(np.flatnonzero(both_high)),
            )
        )
    parts.append(high.take_frequencies(np.flatnonzero(~both_high)))
    return join([part for part in parts if len(part.frequency_hz)])


def with_cut_off(budget: Budget, expansion: Expansion, shared_hz: tuple[float, float]) -> Budget:
    """The budget of two fits that were joined at frequencies within ``shared_hz``: what the join's error exceeds theirs
    by is what the gate cuts off of the device, which no fit predicts. Without the room there would be no gate."""
    hz = budget.frequency_hz
    here = (hz >= shared_hz[0]) & (hz < shared_hz[1])
    told = 10 ** (budget.error_db / 10)
    at = np.abs(np.log(expansion.frequency_hz[:, None] / hz)).argmin(axis=0)
    more = np.where(here, np.maximum(10 ** (expansion.far_field_error_db[at] / 10) - told, 0.0), 0.0)
    room = (np.array(CAUSES) == "room")[:, None]
    with np.errstate(divide="ignore"):  # nothing left is minus infinity
        cured = 10 * np.log10(10 ** (budget.cured_db / 10) + np.where(room, 0.0, more))
    return replace(
        budget,
        error_db=10 * np.log10(told + more),
        share=(budget.share * told + room * more) / (told + more),
        cured_db=cured,
    )


def _mixed(low: Expansion, high: Expansion) -> Expansion:
    """Shares by the inverse of the predicted variance.

    What a gate cuts off of the device's own sound is in no prediction. Where the two differ by more than both predict,
    the excess counts as the gated side's error.
    """
    rows = max(len(low.coefficients_pa), len(high.coefficients_pa))
    predicted = [10 ** (side.far_field_error_db / 10) for side in (low, high)]
    apart = np.array([_difference(low, high, index, rows) for index in range(len(low.frequency_hz))])
    error = [predicted[0], np.maximum(predicted[1], apart - predicted[0])]
    share = error[0] / (error[0] + error[1])
    values = (1 - share) * _rows(low.coefficients_pa, rows) + share * _rows(high.coefficients_pa, rows)
    degrees = max(len(low.coefficient_variance_pa2), len(high.coefficient_variance_pa2))
    spread = [
        np.sqrt(_rows(side.coefficient_variance_pa2, degrees) * counted / told)
        for side, counted, told in zip((low, high), error, predicted, strict=True)
    ]
    variance = ((1 - share) * spread[0] + share * spread[1]) ** 2
    order = np.maximum(low.order, high.order)
    at = np.arange(len(share))
    held_out = np.full((int(order.max()) + 1, len(share)), np.nan)
    power = (1 - share) * _held_out_power(low) + share * _held_out_power(high)
    held_out[order, at] = 10 * np.log10(power)
    return replace(
        high,
        order=order,
        coefficients_pa=values[: max(rows, mode_count(int(order.max())))],
        held_out_db=held_out,
        far_field_error_db=np.concatenate(
            [
                far_field_error_db(
                    values[:, [i]], variance[:, [i]], high.wavenumber_rad_m[[i]], float(radius)
                )
                for i, radius in enumerate(high.scaling_radius_m)
            ]
        ),
        coefficient_variance_pa2=variance,
        variance_pattern=(1 - share) * low.variance_pattern + share * high.variance_pattern,
        valid_radius_m=np.maximum(low.valid_radius_m, high.valid_radius_m),
        near_field=_mixed_near(low, high, share),
        average_covariance=_mixed_averages(
            ((low, (1 - share) * error[0] / predicted[0]), (high, share * error[1] / predicted[1]))
        ),
        residual=point_errors.join([s.residual for s in (high, low) if s.residual is not None]),
    )


def _mixed_averages(sides: Sequence[tuple[Expansion, Real]]) -> Real | None:
    """The covariances of both, each by a factor (F,): no less than if their errors were one."""
    parts = [one.average_covariance * by for one, by in sides if one.average_covariance is not None]
    return np.sum(parts, axis=0) if len(parts) == len(sides) else None


def _mixed_near(low: Expansion, high: Expansion, share: Real) -> list[NearField] | None:
    """The sources of both, each with its share; errors as those of the coefficients."""
    if low.near_field is None or high.near_field is None:
        return None
    return [_sum(*both) for both in zip(low.near_field, high.near_field, 1 - share, share, strict=True)]


def _sum(low: NearField, high: NearField, low_share: float, high_share: float) -> NearField:
    sides = ((low, low_share), (high, high_share))
    rms = low_share * low.rms_pa + high_share * high.rms_pa
    error = sum(share * one.rms_pa * 10 ** (one.error_db / 20) for one, share in sides)
    return replace(
        high,
        source_m=np.concatenate([low.source_m, high.source_m]),
        source_pa_m=np.concatenate([share * one.source_pa_m for one, share in sides]),
        multipoles=[Multipole(m.place_m, share * m.terms_pa) for one, share in sides for m in one.multipoles],
        rms_pa=rms,
        error_db=20 * np.log10(error / rms),
    )


def _difference(low: Expansion, high: Expansion, index: int, rows: int) -> float:
    """Squared difference of two far fields over the sphere, re the second's, at one frequency."""
    top = order_of(rows)
    k = float(high.wavenumber_rad_m[index])
    power = np.abs(far_radial(top, k, k * float(high.scaling_radius_m[index]))) ** 2
    one, other = (_rows(side.coefficients_pa[:, [index]], rows)[:, 0] for side in (low, high))
    weight = power[mode_degrees(top)]
    return float(weight @ np.abs(one - other) ** 2 / (weight @ np.abs(other) ** 2))


def _held_out_power(side: Expansion) -> Real:
    """Held-out error of the order used as a ratio of powers, (F,)."""
    at: Real = np.take_along_axis(side.held_out_db, side.order[None, :], axis=0)[0]
    return np.asarray(10 ** (at / 10), np.float64)


def _rows(values: NDArray[Number], rows: int) -> NDArray[Number]:
    """Padded with zeros to so many rows."""
    return np.pad(values, ((0, rows - len(values)), (0, 0)))
