"""Error bars of what is derived from several far-field values, their common errors included.

The error of the far field is taken as ε(u) = √g(u) · e^{jk u·x0} Σ R_n ε_nm Y_nm(u) with independent circular ε_nm
of variance s_n, which is the covariance that :class:`~scanproc.records.fitted.expansion.Expansion` documents. A real
quantity that moves by Re Σ_i G_i ε(u_i) then has the variance
½ Σ_nm s_n |R_n|² |Σ_i G_i √g_i e^{jk u_i·x0} Y_nm(u_i)|².

Averages of squared pressure follow the errors that look like the field itself, and a fit has more of those than of
others. What it says of the averages is held against this covariance C: with A the averages' slopes, M = A C Aᴴ and S
what is known of them, C becomes C + C Aᴴ M⁻¹ (S - M) M⁻¹ A C, the Gaussian whose averages have the covariance S and
that is otherwise as before, given these.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import pinvh

from scanproc.conventions import Complex, Real, mode_degrees, order_of
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.field.uncertainty import pattern_at
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.orbit_sets import averaged, directions
from scanproc.waves.radial import far_radial

DB_OF_POWER = 10 / np.log(10)
"""Decibels per relative change of a power."""
SILENCE = 1e-300
TOLD_APART = 1e-9
"""Combinations of averages whose variance is a smaller share of theirs tell nothing that rounding would not."""


@dataclass(frozen=True, eq=False)
class ErrorModel:
    """What the errors of an expansion share: ``mode_power`` (modes, F) = s_n |R_n|² in Pa²·m².

    ``field`` (modes, F) = R_n a_nm are the coefficients of the far field itself, Pa·m; they may reach less far.
    """

    order: int
    mode_power: Real
    field: Complex
    pattern: Real
    centre_m: Real
    wavenumber_rad_m: Real


@dataclass(frozen=True, eq=False)
class Averages:
    """``covariance`` (averages, averages, F) of the relative errors of averages, that over the sphere last; ``slope``
    (averages - 1, angles, F) of the others by the modes' far fields at the angles of ``directions``, ``harmonics``
    (angles, modes) those."""

    covariance: Real
    slope: Complex
    harmonics: Real


def error_model(expansion: Expansion) -> ErrorModel:
    """The error model of an expansion."""
    variance = expansion.coefficient_variance_pa2
    order = len(variance) - 1
    k = expansion.wavenumber_rad_m
    far = far_radial(max(order, expansion.max_order), k, k * expansion.scaling_radius_m)
    return ErrorModel(
        order,
        (variance * np.abs(far[: order + 1]) ** 2)[mode_degrees(order)],
        far[mode_degrees(expansion.max_order)] * expansion.coefficients_pa,
        expansion.variance_pattern,
        expansion.centre_m,
        expansion.wavenumber_rad_m,
    )


def averages_known(expansion: Expansion, model: ErrorModel) -> Averages | None:
    """What the fit says of averages, where it does."""
    if expansion.average_covariance is None:
        return None
    pressure, weights = far_field(expansion, directions()), averaged()
    power = np.maximum(weights @ np.abs(pressure) ** 2, SILENCE)
    slope = weights[:, :, None] * pressure.conj() / power[:, None] * _factor(model, directions())
    return Averages(expansion.average_covariance, slope, real_harmonics(model.order, directions()))


def far_field_along(model: ErrorModel, direction: Real) -> Complex:
    """Far-field pressure in Pa·m of each frequency in its own direction (F, 3), (F,)."""
    order = order_of(len(model.field))
    pressure: Complex = np.einsum("fm,mf->f", real_harmonics(order, direction), model.field)
    offset = np.sum(direction * model.centre_m, axis=1)
    return pressure * np.exp(1j * offset * model.wavenumber_rad_m)


def standard_errors(
    model: ErrorModel,
    direction: Real,
    gradient: Complex,
    extra: Complex | None = None,
    known: Averages | None = None,
) -> Real:
    """Standard errors (quantities, F) of quantities that move by Re Σ_i G_i ε(u_i).

    ``direction`` (angles, 3), the same for all frequencies; ``gradient`` complex (quantities, angles, F).
    ``extra`` complex (quantities, modes, F): what a quantity owes directly to the errors R_n ε_nm; ``known``: what the
    fit says of averages.
    """
    harmonics = real_harmonics(model.order, direction)
    factor = _factor(model, direction)
    error = np.empty((gradient.shape[0], gradient.shape[2]))
    for index in range(gradient.shape[2]):
        weight = gradient[:, :, index] * factor[:, index]
        row = weight.real @ harmonics + 1j * (weight.imag @ harmonics)
        if extra is not None:
            row = row + extra[:, :, index]
        variance = np.abs(row) ** 2 @ model.mode_power[:, index]
        if known is not None:
            variance = np.maximum(variance + _known_more(model, known, row, index), 0.0)
        error[:, index] = np.sqrt(variance / 2)
    return error


def _known_more(model: ErrorModel, known: Averages, row: Complex, index: int) -> Real:
    """By how much E|row · R_n ε_nm|² (quantities,) at one frequency exceeds that of the kernel."""
    power = model.mode_power[:, index]
    modes = min(len(model.field), len(power))
    slope = np.zeros((len(known.covariance), len(power)), dtype=np.complex128)
    slope[:-1] = known.slope[:, :, index] @ known.harmonics
    field = np.sum(np.abs(model.field[:, index]) ** 2)
    slope[-1, :modes] = model.field[:modes, index].conj() / max(field, SILENCE)
    told = (slope * power) @ slope.conj().T
    size = np.maximum(np.sqrt(np.diag(told).real), SILENCE)
    share = (
        ((row * power) @ slope.conj().T / size) @ pinvh(told / np.outer(size, size), rtol=TOLD_APART) / size
    )
    more: Real = np.einsum("qa,ab,qb->q", share, known.covariance[:, :, index] - told, share.conj()).real
    return more


def standard_errors_along(model: ErrorModel, direction: Real, gradient: Complex) -> Real:
    """Standard errors (F,) of a quantity whose directions (angles, F, 3) change with frequency.

    ``gradient`` complex (angles, F).
    """
    row = np.zeros((gradient.shape[1], len(model.mode_power)), dtype=np.complex128)
    for unit, slope in zip(direction, gradient, strict=True):
        harmonics = real_harmonics(model.order, unit)
        factor = np.diagonal(_factor(model, unit))
        row += (slope * factor)[:, None] * harmonics
    error: Real = np.sqrt(np.sum(np.abs(row) ** 2 * model.mode_power.T, axis=1) / 2)
    return error


def _factor(model: ErrorModel, direction: Real) -> Complex:
    """√g e^{jk u·x0}, (angles, F)."""
    phase = (direction @ model.centre_m.T) * model.wavenumber_rad_m
    return np.sqrt(pattern_at(model.pattern, direction)) * np.exp(1j * phase)
