"""Sound of a room at the points: waves from all sides, and what the cabinet scatters of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Complex, Integer, Real, mode_degrees
from scanproc.steps.model.box import Box
from scanproc.steps.model.dictionary import RigidAnswer, squared_distance
from scanproc.waves.algebra.dense import row_power
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import spherical_bessel

DEGREES_BEYOND = 5
"""Above k times the farthest point's distance: j_n is negligible there."""
SLOPE_STEP_M = 1e-5


@dataclass(frozen=True)
class Scattering:
    """How much of what a rigid cabinet scatters of the room's sound is there: ``share`` of it, give or take ``error``.

    One frequency cannot tell a scattered wave from the device's own, so without other knowledge it is half of it, ±
    half; see :mod:`scanproc.steps.fit.scattering`.
    """

    share: float = 0.5
    error: float = 0.5


@dataclass(frozen=True, eq=False)
class RoomSound:
    """A room's sound of mean square one: ``columns`` (points, waves) where a cabinet scatters, else none are needed.

    Waves with independent coefficients and the same mean square from all sides have the covariance j_0(k|x - x'|)
    = 4π Σ j_n(kr) j_n(kr') Y_nm Y_nm (DLMF 10.60.2, 14.30.9).
    """

    position_m: Real
    wavenumber: float
    columns: Complex | None

    def covariance(
        self, rows: slice | Integer = slice(None), columns: slice | Integer = slice(None)
    ) -> Complex:
        """Between some of the points and some others."""
        if self.columns is not None:
            return self.columns[rows] @ self.columns[columns].conj().T
        distance = np.sqrt(squared_distance(self.position_m[rows], self.position_m[columns]))
        return np.sinc(self.wavenumber * distance / np.pi).astype(np.complex128)

    def variance(self) -> Real:
        """At each point, (points,)."""
        return np.ones(len(self.position_m)) if self.columns is None else row_power(self.columns)

    def part_of(self, chosen: Integer) -> RoomSound:
        """At some of the points (indices)."""
        columns = None if self.columns is None else self.columns[chosen]
        return replace(self, position_m=self.position_m[chosen], columns=columns)


def room_sound(
    box: Box, wavenumber: float, position_m: Real, rigid: RigidAnswer | None, scattering: Scattering
) -> RoomSound:
    """The room at positions (points, 3).

    Where the wavelength allows a rigid cabinet each wave stands together with what that scatters of it; how far the
    cabinet is from rigid stands in columns of their own.
    """
    if rigid is None or not (scattering.share or scattering.error):
        return RoomSound(position_m, wavenumber, None)
    radius = np.linalg.norm(position_m - box.centre_m, axis=1)
    order = int(np.ceil(wavenumber * radius.max())) + DEGREES_BEYOND
    waves = _regular(order, box.centre_m, wavenumber, position_m)
    step = SLOPE_STEP_M * rigid.cells.normal
    outer, inner = (
        _regular(order, box.centre_m, wavenumber, rigid.cells.position_m + sign * step) for sign in (1, -1)
    )
    scattered = rigid.field(position_m, (inner - outer) / (2 * SLOPE_STEP_M))
    parts = [waves + scattering.share * scattered, scattering.error * scattered]
    return RoomSound(position_m, wavenumber, np.concatenate(parts[: 2 if scattering.error else 1], axis=1))


def _regular(order: int, middle_m: Real, wavenumber: float, position_m: Real) -> Real:
    """√(4π) j_n(kr) Y_nm about the middle, (points, modes)."""
    offset = position_m - middle_m
    radius = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    mantissa, exponent = spherical_bessel(order, wavenumber * radius)
    radial = np.ldexp(mantissa, exponent)
    harmonics = real_harmonics(order, offset / radius[:, None])
    return np.sqrt(4 * np.pi) * harmonics * radial[mode_degrees(order)].T
