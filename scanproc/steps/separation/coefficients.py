"""Outgoing and regular coefficients as the two ways of separating yield them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from scanproc.conventions import Complex, Integer, Real, mode_degrees
from scanproc.records.checked import Number
from scanproc.steps.field.uncertainty import Uncertainty
from scanproc.steps.field.view import View
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.least_squares import decibels
from scanproc.waves.radial import far_radial, regular_radial


@dataclass(frozen=True, eq=False)
class Split:
    """``order`` (F,); ``outgoing`` and ``regular`` coefficients (modes, F), zero beyond the order; ``held_out_db``
    (orders, F); ``uncertainty`` of the outgoing ones; ``noise_gain_db`` (F,)."""

    order: Integer
    outgoing: Complex
    regular: Complex
    held_out_db: Real
    uncertainty: Uncertainty
    noise_gain_db: Real


def joined(parts: Sequence[Split]) -> Split:
    """Frequencies next to each other."""
    return Split(
        np.concatenate([part.order for part in parts]),
        _beside([part.outgoing for part in parts], 0.0),
        _beside([part.regular for part in parts], 0.0),
        _beside([part.held_out_db for part in parts], np.nan),
        Uncertainty(
            _beside([part.uncertainty.variance_pa2 for part in parts], 0.0),
            _beside([part.uncertainty.pattern for part in parts], 0.0),
        ),
        np.concatenate([part.noise_gain_db for part in parts]),
    )


def reordered(split: Split, place: Integer) -> Split:
    """The frequencies in another order."""
    return Split(
        split.order[place],
        split.outgoing[:, place],
        split.regular[:, place],
        split.held_out_db[:, place],
        Uncertainty(split.uncertainty.variance_pa2[:, place], split.uncertainty.pattern[:, place]),
        split.noise_gain_db[place],
    )


def noise_gain_db(variance: Real, single: Real, wavenumber: float, radius_m: float) -> float:
    """Noise of the far field over that of outgoing terms alone, dB.

    ``variance`` and ``single`` (degrees,): variances of the outgoing coefficients of each degree, with regular
    terms and without.
    """
    degree = np.arange(len(variance))
    weight = (2 * degree + 1) * np.abs(far_radial(len(variance) - 1, wavenumber, wavenumber * radius_m)) ** 2
    return float(decibels(np.sum(weight * variance) / np.sum(weight * single)))


def incoming_db(split: Split, wavenumber: Real, radius_m: float) -> Real:
    """Incoming over outgoing sound, mean squares over the sphere of ``radius_m``, dB (F,)."""
    order = int(np.sqrt(len(split.outgoing))) - 1
    radial = np.stack([regular_radial(order, k * radius_m, k * radius_m)[:, 0] for k in wavenumber], axis=1)
    incoming = np.sum(np.abs(split.regular * radial[mode_degrees(order)]) ** 2, axis=0)
    return decibels(incoming / np.sum(np.abs(split.outgoing) ** 2, axis=0))


def incoming_at(split: Split, view: View, wavenumber: Real, relative: Real) -> Complex:
    """Pressure of the incoming sound at the points, (points, F).

    ``relative`` (points,): each point's own wave number over ``wavenumber`` (F,).
    """
    order = int(split.order.max())
    harmonics, degree = real_harmonics(order, view.direction), mode_degrees(order)
    pressure = np.empty((len(harmonics), len(wavenumber)), dtype=np.complex128)
    for index, k in enumerate(wavenumber):
        radial = regular_radial(order, k * relative * view.radius_m, k * view.scaling_radius_m)
        pressure[:, index] = (harmonics * radial[degree].T) @ split.regular[: len(degree), index]
    return pressure


def _beside(blocks: Sequence[NDArray[Number]], fill: float) -> NDArray[Number]:
    rows = max(len(block) for block in blocks)
    padded = [np.pad(b, ((0, rows - len(b)), (0, 0)), constant_values=fill) for b in blocks]
    return np.concatenate(padded, axis=1)
