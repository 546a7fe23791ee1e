"""All that a device can radiate: every outgoing degree about its middle, in groups that share a weight."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Integer, Real, mode_count, mode_degrees
from scanproc.steps.model.box import Box
from scanproc.waves.addition import grouped_kernels, legendre_kernel
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import far_radial, outgoing_radial

SHARES = (0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.15, 1.35, 1.6, 2.0)
"""Degrees up to these shares of k times the device's reach share one weight each. Beyond one the device would have to
be larger than stated: the weights expected there fall on, and the sound may raise them."""
BEYOND = 2
"""Degrees above k times the reach that belong to the share of one."""
USUAL = tuple(0.01 * 10 ** (-2.5 * (share - 0.4)) for share in SHARES)
INSIDE_SCAN = 0.97
"""No degree is higher than k times this share of the nearest points' distance, plus ``MARGIN``: a source of higher
ones would lie outside the points."""
MARGIN = 3


@dataclass(frozen=True, eq=False)
class Degrees:
    """Degrees about ``place_m`` (3,) at one wave number, scaled at ``scaling_m``.

    ``group`` (degrees,): which group each degree is in; ``variance`` (degrees,): of each coefficient where its group
    has weight one; then the group has a mean square of one at the scan's points.
    """

    place_m: Real
    wavenumber: float
    scaling_m: float
    group: Integer
    variance: Real
    names: tuple[str, ...]
    usual: Real

    @property
    def order(self) -> int:
        return len(self.group) - 1

    def by_degree(self, weight: Real) -> Real:
        """Variance of each coefficient by degree, (degrees,), for weights of the groups."""
        return self.variance * weight[self.group]

    def kernels(self, position_m: Real) -> list[Complex]:
        """Covariance between positions (points, 3) for each group alone."""
        unit, radial = self._seen(position_m)
        return list(grouped_kernels(unit, _weighted(radial, self.variance), unit, radial, self.group))

    def covariance(self, weight: Real, position_m: Real, other_m: Real) -> Complex:
        """Between positions (points, 3) and others (points, 3)."""
        unit, radial = self._seen(position_m)
        return legendre_kernel(unit, _weighted(radial, self.by_degree(weight)), *self._seen(other_m))

    def far_covariance(self, weight: Real, direction: Real, position_m: Real) -> Complex:
        """Between far-field values p·r·e^{jkr} about the place at unit vectors and the pressures at positions."""
        far = far_radial(self.order, self.wavenumber, self.wavenumber * self.scaling_m)
        radial = np.repeat((far * self.by_degree(weight))[:, None], len(direction), axis=1)
        return legendre_kernel(direction, _weighted(radial, np.ones(len(radial))), *self._seen(position_m))

    def far_prior(self, weight: Real, direction: Real) -> Complex:
        """Covariance of far-field values between unit vectors, (directions, directions)."""
        far = far_radial(self.order, self.wavenumber, self.wavenumber * self.scaling_m)
        radial = np.repeat(far[:, None], len(direction), axis=1)
        return legendre_kernel(direction, _weighted(radial, self.by_degree(weight)), direction, radial)

    def columns_at(self, position_m: Real) -> Complex:
        """Fields of all modes at positions, (points, modes)."""
        unit, radial = self._seen(position_m)
        return real_harmonics(self.order, unit) * radial[mode_degrees(self.order)].T

    def variance_at(self, weight: Real, position_m: Real) -> Real:
        """Variance of the pressure before any point is heard, (points,)."""
        _, radial = self._seen(position_m)
        return _modes(self.by_degree(weight)) @ np.abs(radial) ** 2

    def far_variance(self, weight: Real) -> float:
        """Variance of the far field before any point is heard, the same in all directions."""
        far = far_radial(self.order, self.wavenumber, self.wavenumber * self.scaling_m)
        return float(_modes(self.by_degree(weight)) @ np.abs(far) ** 2)

    def coefficients(self, weight: Real, position_m: Real, solved: Complex) -> Complex:
        """The coefficients' covariance with the points times ``solved`` (points,), (modes,)."""
        unit, radial = self._seen(position_m)
        harmonics = real_harmonics(self.order, unit).T
        found = np.empty(mode_count(self.order), dtype=np.complex128)
        for n, variance in enumerate(self.by_degree(weight)):
            block = slice(n * n, (n + 1) ** 2)
            right = variance * (radial[n].conj() * solved)
            found[block].real = harmonics[block] @ right.real
            found[block].imag = harmonics[block] @ right.imag
        return found

    def _seen(self, position_m: Real) -> tuple[Real, Complex]:
        offset = position_m - self.place_m
        radius = np.linalg.norm(offset, axis=1)
        kr = self.wavenumber * radius
        return offset / radius[:, None], outgoing_radial(self.order, kr, self.wavenumber * self.scaling_m)


def all_degrees(box: Box, wavenumber: float, scanned_m: Real) -> Degrees:
    """Every degree that a device of about that size can radiate, for points at ``scanned_m`` (points, 3)."""
    distance = np.linalg.norm(scanned_m - box.centre_m, axis=1)
    scaling = float(np.median(distance))
    reach = wavenumber * float(box.reach_m(box.centre_m))
    highest = int(np.ceil(INSIDE_SCAN * wavenumber * float(np.quantile(distance, 0.02)))) + MARGIN
    last: list[int] = []
    names: list[str] = []
    usual: list[float] = []
    for share, expected in zip(SHARES, USUAL, strict=True):
        degree = min(int(np.ceil(share * reach)) + (BEYOND if share >= 1 else 0), highest)
        if not last or degree > last[-1]:
            last.append(degree)
            names.append(f"degrees up to {share:g} of the reach")
            usual.append(expected)
    group = np.searchsorted(last, np.arange(last[-1] + 1))
    radial = outgoing_radial(last[-1], wavenumber * distance, wavenumber * scaling)
    level = np.bincount(group, _modes(np.ones(len(group))) * np.mean(np.abs(radial) ** 2, axis=1))
    return Degrees(
        np.asarray(box.centre_m), wavenumber, scaling, group, 1 / level[group], tuple(names), np.array(usual)
    )


def _modes(value: Real) -> Real:
    """Each degree's value times its share (2n+1)/(4π) in a sum over modes, (degrees,)."""
    return value * (2 * np.arange(len(value)) + 1) / (4 * np.pi)


def _weighted(radial: Complex, variance: Real) -> Complex:
    weighted: Complex = _modes(variance)[:, None] * radial
    return weighted
