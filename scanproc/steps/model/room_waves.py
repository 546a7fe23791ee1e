"""Sound of a room at the points: waves from all sides, and what the cabinet scatters of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Complex, Integer, Real, mode_degrees
from scanproc.steps.model.box import Box
from scanproc.steps.model.degrees import Degrees
from scanproc.steps.model.dictionary import RigidAnswer, squared_distance
from scanproc.waves.algebra.dense import row_power
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import spherical_bessel, spherical_hankel

DEGREES_BEYOND = 5
"""Above k times the farthest point's distance: j_n is negligible there."""
SLOPE_STEP_M = 1e-5
ALONE = np.ones(1)
SHAPE = 0.05
"""A cabinet's surface lies where the stated box has it to within this share of a side (common practice, no source)."""


@dataclass(frozen=True)
class Scattering:
    """How much of what a rigid cabinet scatters of the room's sound is there: ``share`` of it, give or take ``error``.

    One frequency cannot tell a scattered wave from the device's own, so without other knowledge it is half of it, ±
    half; see :mod:`scanproc.steps.fit.scattering`. Without an ``error`` the cabinet is the box.
    """

    share: float = 0.5
    error: float = 0.5

    def unknown(self, box: Box, wavenumber: float) -> float:
        """Amplitude of what is not known of the scattered sound re a rigid box's: the share, and the cabinet's shape,
        which changes its volume, and the scattered sound's way by twice what it is off."""
        if not self.error:
            return 0.0
        side = float(np.prod(box.size_m)) ** (1 / 3)
        return float(np.hypot(self.error, self.share * min(1.0, SHAPE * np.hypot(3, 2 * wavenumber * side))))


@dataclass(frozen=True, eq=False)
class RoomSound:
    """A room's sound of mean square one: ``columns`` (points, waves) where a cabinet scatters, else none are needed.

    Waves with independent coefficients and the same mean square from all sides have the covariance j_0(k|x - x'|)
    = 4π Σ j_n(kr) j_n(kr') Y_nm Y_nm (DLMF 10.60.2, 14.30.9). ``scattered``: beside them waves that leave the cabinet,
    where no more is known of them.
    """

    position_m: Real
    wavenumber: float
    columns: Complex | None
    scattered: Degrees | None = None

    def covariance(
        self, rows: slice | Integer = slice(None), columns: slice | Integer = slice(None)
    ) -> Complex:
        """Between some of the points and some others."""
        if self.columns is not None:
            return self.columns[rows] @ self.columns[columns].conj().T
        here, there = self.position_m[rows], self.position_m[columns]
        waves = np.sinc(self.wavenumber * np.sqrt(squared_distance(here, there)) / np.pi).astype(
            np.complex128
        )
        return waves if self.scattered is None else waves + self.scattered.covariance(ALONE, here, there)

    def variance(self) -> Real:
        """At each point, (points,)."""
        if self.columns is not None:
            return row_power(self.columns)
        scattered = 0.0 if self.scattered is None else self.scattered.variance_at(ALONE, self.position_m)
        return np.ones(len(self.position_m)) + scattered

    def part_of(self, chosen: Integer) -> RoomSound:
        """At some of the points (indices)."""
        columns = None if self.columns is None else self.columns[chosen]
        return replace(self, position_m=self.position_m[chosen], columns=columns)


def room_sound(
    box: Box, wavenumber: float, position_m: Real, rigid: RigidAnswer | None, scattering: Scattering
) -> RoomSound:
    """The room at positions (points, 3).

    Where the wavelength allows a rigid cabinet each wave stands together with what that scatters of it; what is not
    known of that stands in columns of their own. Where waves are too short for that, only the level of what is
    scattered is known, as that of a rigid sphere of the box's volume.
    """
    if not (scattering.share or scattering.error):
        return RoomSound(position_m, wavenumber, None)
    if rigid is None:
        return RoomSound(position_m, wavenumber, None, _of_sphere(box, wavenumber, scattering))
    unknown = scattering.unknown(box, wavenumber)
    radius = np.linalg.norm(position_m - box.centre_m, axis=1)
    order = int(np.ceil(wavenumber * radius.max())) + DEGREES_BEYOND
    waves = _regular(order, box.centre_m, wavenumber, position_m)
    step = SLOPE_STEP_M * rigid.cells.normal
    outer, inner = (
        _regular(order, box.centre_m, wavenumber, rigid.cells.position_m + sign * step) for sign in (1, -1)
    )
    scattered = rigid.field(position_m, (inner - outer) / (2 * SLOPE_STEP_M))
    parts = [waves + scattering.share * scattered, unknown * scattered]
    return RoomSound(position_m, wavenumber, np.concatenate(parts[: 2 if unknown else 1], axis=1))


def _of_sphere(box: Box, wavenumber: float, scattering: Scattering) -> Degrees:
    """What a rigid sphere of the box's volume scatters of waves from all sides, none of it told apart.

    √(4π) j_n(kr) Y_nm is met by -√(4π) j_n'(ka)/h_n'(ka) h_n(kr) Y_nm, f' = n/x f_n - f_(n+1) (DLMF 10.51.2).
    """
    radius = float(3 * np.prod(box.size_m) / (4 * np.pi)) ** (1 / 3)
    ka = wavenumber * radius
    order = int(np.ceil(ka)) + DEGREES_BEYOND
    regular, outgoing = (
        np.ldexp(mantissa.real, exponent)[:, 0] + 1j * np.ldexp(mantissa.imag, exponent)[:, 0]
        for mantissa, exponent in (spherical_bessel(order + 1, ka), spherical_hankel(order + 1, ka))
    )
    n = np.arange(order + 1)
    slopes = [n / ka * one[:-1] - one[1:] for one in (regular, outgoing)]
    size, exponent = spherical_hankel(order, ka)
    power = 4 * np.pi * np.abs(slopes[0] / slopes[1] * np.ldexp(np.abs(size), exponent)[:, 0]) ** 2
    heard = float(np.hypot(scattering.share, scattering.error))
    group = np.zeros(order + 1, dtype=np.int64)
    return Degrees(box.centre_m, wavenumber, radius, group, heard**2 * power, ("scattered",), np.ones(1))


def _regular(order: int, middle_m: Real, wavenumber: float, position_m: Real) -> Real:
    """√(4π) j_n(kr) Y_nm about the middle, (points, modes)."""
    offset = position_m - middle_m
    radius = np.maximum(np.linalg.norm(offset, axis=1), 1e-9)
    mantissa, exponent = spherical_bessel(order, wavenumber * radius)
    radial = np.ldexp(mantissa, exponent)
    harmonics = real_harmonics(order, offset / radius[:, None])
    return np.sqrt(4 * np.pi) * harmonics * radial[mode_degrees(order)].T
