"""A few numbers that spoil a whole scan (drift, an arm out of adjustment), found together with the field.

The pressures are p = A(x(θ)) c + D θ. The field's coefficients c are eliminated (variable projection, Golub and
Pereyra 1973, in Kaufman's form): with Q an orthonormal basis of A's columns, θ follows from the residual
(I - QQᴴ) p against (I - QQᴴ) D, at all frequencies at once, weighted by their residual. What the field can
imitate, no data can show: such a number keeps a standard error near its prior deviation.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr

from scanproc.conventions import Boolean, Complex, Integer, Real, mode_count
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.basis import outgoing_basis
from scanproc.steps.field.view import View, view_from, wavenumbers
from scanproc.waves.harmonics import real_harmonics

DIFFERENCE_M = 1e-5
"""Step of the differences that give the field's gradient, in metres."""


@dataclass(frozen=True, eq=False)
class Place:
    """Where a scan's fit stands: its points, the field there and the field's gradient, at one frequency.

    ``position_m`` (points, 3), ``time`` (points,) from -1/2 to 1/2, ``field`` (points,), ``gradient`` (points, 3).
    """

    position_m: Real
    time: Real
    field: Complex
    gradient: Complex


@dataclass(frozen=True)
class Unknown:
    """A number to find: its change of the pressures per unit, and how large it may plausibly be."""

    name: str
    prior: float
    change: Callable[[Place], Complex]


@dataclass(frozen=True, eq=False)
class NewtonStep:
    """A Gauss-Newton step: ``change`` and ``standard_error`` (unknowns,)."""

    change: Real
    standard_error: Real


def solve(
    scan: Scan, used: Boolean, order: Integer, position_m: Real, unknowns: Sequence[Unknown], so_far: Real
) -> NewtonStep:
    """One step from ``so_far`` (unknowns,), at the given order per frequency, for points at ``position_m``.

    The scan's pressures have the effect of ``so_far`` taken out already, or its positions have it applied.
    """
    prior = np.array([unknown.prior for unknown in unknowns])
    normal, target = [np.diag(1 / prior**2)], [-so_far / prior**2]
    k = wavenumbers(scan.setup, scan.frequency_hz)
    time = share_about_middle(scan.setup)[used]
    for index, n in enumerate(order):
        data = scan.pressure_pa[used, index]
        place, orthogonal, missed = _linearised(position_m[used], time, k[index], int(n), data)
        columns = np.stack([unknown.change(place) for unknown in unknowns], axis=1)
        columns = columns - orthogonal @ (orthogonal.conj().T @ columns)
        variance = max(float(np.sum(np.abs(missed) ** 2)), 1e-20 * float(np.sum(np.abs(data) ** 2)))
        variance /= max(1, len(data) - mode_count(int(n)))
        normal.append(2 * np.real(columns.conj().T @ columns) / variance)
        target.append(2 * np.real(columns.conj().T @ missed) / variance)
    covariance = np.linalg.inv(np.sum(normal, axis=0))
    change = covariance @ np.sum(target, axis=0)
    error = np.sqrt(np.diag(covariance)) * _disagreement(normal, target, change)
    return NewtonStep(change, error)


def _disagreement(normal: Sequence[Real], target: Sequence[Real], change: Real) -> Real:
    """How much more the frequencies disagree than their own errors allow, (unknowns,), at least one.

    What is wrong with the field (a room, too low an order) is no noise; it pulls each frequency elsewhere.
    """
    square = np.zeros(len(change))
    for one, aim in zip(normal[1:], target[1:], strict=True):
        covariance = np.linalg.inv(one + normal[0])
        alone = covariance @ (aim + target[0])
        square += (alone - change) ** 2 / np.diag(covariance)
    many = max(1, len(normal) - 2)
    excess: Real = np.sqrt(np.maximum(1.0, square / many))
    return excess


def has_time(setup: ScanSetup) -> bool:
    """Whether the points were measured at times that are known and differ."""
    return setup.time_s is not None and bool(np.ptp(setup.time_s) > 0)


def share_about_middle(setup: ScanSetup) -> Real:
    """Time as a share of the scan from -1/2 to 1/2, (points,); the order of points where no time is known."""
    time = setup.time_s
    if time is None or np.ptp(time) == 0:
        time = np.arange(setup.points, dtype=np.float64)
    share: Real = (time - time.min()) / max(float(np.ptp(time)), 1e-300) - 0.5
    return share


def _linearised(
    position_m: Real, time: Real, wavenumber: float, order: int, data: Complex
) -> tuple[Place, Complex, Complex]:
    """The fit at one frequency: place, Q, residual."""
    view = view_from(position_m, (0.0, 0.0, 0.0))
    orthogonal, triangle = qr(_terms(view, view.scaling_radius_m, order, wavenumber), mode="economic")
    projection = orthogonal.conj().T @ data
    field = orthogonal @ projection
    coefficients = np.linalg.solve(triangle, projection)
    gradient = np.empty((len(data), 3), dtype=np.complex128)
    for axis in range(3):
        moved = view_from(position_m + DIFFERENCE_M * np.eye(3)[axis], view.centre_m)
        beside = _terms(moved, view.scaling_radius_m, order, wavenumber) @ coefficients
        gradient[:, axis] = (beside - field) / DIFFERENCE_M
    return Place(position_m, time, field, gradient), orthogonal, data - field


def _terms(view: View, scaling_radius_m: float, order: int, wavenumber: float) -> Complex:
    scaled = View(view.centre_m, view.radius_m, view.direction, scaling_radius_m)
    return outgoing_basis(scaled, real_harmonics(order, view.direction), order, wavenumber)
