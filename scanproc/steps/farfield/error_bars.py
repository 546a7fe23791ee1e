"""Error bars of what is derived from several far-field values, their common errors included.

The error of the far field is taken as ε(u) = √g(u) · e^{jk u·x0} Σ R_n ε_nm Y_nm(u) with independent circular ε_nm
of variance s_n, which is the covariance that :class:`~scanproc.records.fitted.expansion.Expansion` documents. A real
quantity that moves by Re Σ_i G_i ε(u_i) then has the variance
½ Σ_nm s_n |R_n|² |Σ_i G_i √g_i e^{jk u_i·x0} Y_nm(u_i)|².
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Real, mode_degrees
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.field.uncertainty import pattern_at
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import far_radial

DB_OF_POWER = 10 / np.log(10)
"""Decibels per relative change of a power."""


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


def error_model(expansion: Expansion) -> ErrorModel:
    """The error model of an expansion."""
    variance = expansion.coefficient_variance_pa2
    order = len(variance) - 1
    places = zip(expansion.wavenumber_rad_m, expansion.scaling_radius_m, strict=True)
    far = np.stack([far_radial(max(order, expansion.max_order), k, k * r) for k, r in places], axis=1)
    return ErrorModel(
        order,
        (variance * np.abs(far[: order + 1]) ** 2)[mode_degrees(order)],
        far[mode_degrees(expansion.max_order)] * expansion.coefficients_pa,
        expansion.variance_pattern,
        expansion.centre_m,
        expansion.wavenumber_rad_m,
    )


def far_field_along(model: ErrorModel, direction: Real) -> Complex:
    """Far-field pressure in Pa·m of each frequency in its own direction (F, 3), (F,)."""
    order = int(np.sqrt(len(model.field))) - 1
    pressure: Complex = np.einsum("fm,mf->f", real_harmonics(order, direction), model.field)
    offset = np.sum(direction * model.centre_m, axis=1)
    return pressure * np.exp(1j * offset * model.wavenumber_rad_m)


def standard_errors(
    model: ErrorModel, direction: Real, gradient: Complex, extra: Complex | None = None
) -> Real:
    """Standard errors (quantities, F) of quantities that move by Re Σ_i G_i ε(u_i).

    ``direction`` (angles, 3), the same for all frequencies; ``gradient`` complex (quantities, angles, F).
    ``extra`` complex (quantities, modes, F): what a quantity owes directly to the errors R_n ε_nm.
    """
    harmonics = real_harmonics(model.order, direction)
    factor = _factor(model, direction)
    error = np.empty((gradient.shape[0], gradient.shape[2]))
    for index in range(gradient.shape[2]):
        weight = gradient[:, :, index] * factor[:, index]
        row = weight.real @ harmonics + 1j * (weight.imag @ harmonics)
        if extra is not None:
            row = row + extra[:, :, index]
        error[:, index] = np.sqrt(np.abs(row) ** 2 @ model.mode_power[:, index] / 2)
    return error


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
