"""A rigid sphere with vibrating polar caps: exact field by Legendre series, at any point outside.

Surface velocity Σ U_n P_n(cos γ) about a cap's axis gives p = -jρc Σ U_n h_n(kr)/h_n'(ka) P_n(cos γ)
(Morse, Vibration and Sound, sec. 28; Williams, Fourier Acoustics, ch. 6; chapters from memory). Hankel
functions appear only as ratios, so that nothing overflows at high degree.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import legendre_p_all

from scanproc.conventions import Complex, Real
from scanproc.errors import SettingsError
from synthetic_scans.sources import Response

AIR_DENSITY_KG_M3 = 1.204
POINT_BLOCK = 256
MAX_DEGREE = 3000


@dataclass(frozen=True)
class Cap:
    """One cap: its axis (any length), half-angle, motion, and response.

    ``radial``: the same outward velocity all over; ``axial``: the cap moves along its axis as a whole. The
    response is the pressure times distance (Pa·m) that the cap gives at low frequencies, where the sphere
    is small: volume acceleration times ρ/4π.
    """

    axis: tuple[float, float, float]
    half_angle_deg: float
    motion: Literal["radial", "axial"] = "radial"
    response: Response = field(default_factory=Response)

    def velocity(self, frequency_hz: Real, radius_m: float) -> Complex:
        """Velocity (F,) in m/s of the cap's middle."""
        sine = np.sin(np.deg2rad(self.half_angle_deg))
        share = 2 * (1 - np.cos(np.deg2rad(self.half_angle_deg))) if self.motion == "radial" else sine**2
        area = np.pi * radius_m**2 * share
        omega = 2 * np.pi * frequency_hz
        velocity: Complex = (
            4 * np.pi * self.response.at(frequency_hz) / (1j * omega * AIR_DENSITY_KG_M3 * area)
        )
        return velocity


@dataclass(frozen=True)
class CappedSphere:
    """A rigid sphere about ``centre_m`` with caps that move each on its own."""

    radius_m: float
    caps: tuple[Cap, ...]
    centre_m: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def pressure(self, position_m: Real, frequency_hz: Real, speed_of_sound_m_s: ArrayLike) -> Complex:
        """Complex pressure (points, F) in Pa outside the sphere; one speed of sound, or one per point."""
        position = np.asarray(position_m, float) - self.centre_m
        frequency = np.asarray(frequency_hz, float)
        speed = np.broadcast_to(np.asarray(speed_of_sound_m_s, float), (len(position),))
        radius = np.linalg.norm(position, axis=1)
        if radius.min() < self.radius_m * (1 + 1e-9):
            raise SettingsError(
                f"points must lie outside the sphere of {self.radius_m:g} m, one lies at {radius.min():g} m"
            )
        blocks = range(0, len(position), POINT_BLOCK)
        return np.concatenate(
            [
                self._block(position[at : at + POINT_BLOCK], frequency, speed[at : at + POINT_BLOCK])
                for at in blocks
            ]
        )

    def _block(self, position: Real, frequency: Real, speed: Real) -> Complex:
        radius = np.linalg.norm(position, axis=1)
        wavenumber = 2 * np.pi * frequency / speed[:, None]
        surface = wavenumber * self.radius_m
        degree = series_length(float(surface.max()), float(radius.min() / self.radius_m))
        angular = [self._angular(cap, position / radius[:, None], degree) for cap in self.caps]
        scale = [
            -1j * AIR_DENSITY_KG_M3 * speed[:, None] * cap.velocity(frequency, self.radius_m)
            for cap in self.caps
        ]
        total = np.zeros(wavenumber.shape, complex)
        for n, (outside, slope) in enumerate(_radial_ratios(wavenumber * radius[:, None], surface, degree)):
            radial = outside / slope
            for weight, row in zip(scale, angular, strict=True):
                total += weight * (row[n][:, None] * radial)
        return total

    def far_field(self, direction: Real, frequency_hz: Real, speed_of_sound_m_s: float) -> Complex:
        """Limit of p·r·e^{+jkr} (directions, F) in Pa·m along unit vectors (directions, 3)."""
        direction = np.asarray(direction, float)
        wavenumber = 2 * np.pi * np.asarray(frequency_hz, float) / speed_of_sound_m_s
        surface = wavenumber * self.radius_m
        degree = series_length(float(surface.max()), np.inf)
        strength = _far_strengths(surface, degree)
        total = np.zeros((len(direction), len(wavenumber)), complex)
        for cap in self.caps:
            velocity = cap.velocity(np.asarray(frequency_hz, float), self.radius_m)
            total += (self._angular(cap, direction, degree).T @ strength) * velocity
        offset = np.multiply.outer(direction @ np.asarray(self.centre_m), wavenumber)
        result: Complex = AIR_DENSITY_KG_M3 * speed_of_sound_m_s / wavenumber * total * np.exp(1j * offset)
        return result

    def _angular(self, cap: Cap, direction: Real, degree: int) -> Real:
        """U_n P_n(cos γ) for unit velocity, (degree + 1, directions)."""
        axis = np.asarray(cap.axis, float)
        cosine = np.clip(direction @ (axis / np.linalg.norm(axis)), -1, 1)
        table: Real = legendre_p_all(degree, cosine)[0]
        return cap_coefficients(cap.half_angle_deg, cap.motion, degree)[:, None] * table


def cap_coefficients(half_angle_deg: float, motion: str, degree: int) -> Real:
    """Legendre coefficients U_n (degree + 1,) of the radial surface velocity of a cap of unit velocity.

    Radial: (P_{n-1} - P_{n+1})/2 at cos α; axial: ((n+1) I_{n+1} + n I_{n-1})/2 with
    I_m = (P_{m-1} - P_{m+1})/(2m+1), P_{-1} = 1 (Beranek & Mellow, Acoustics; section from memory).
    """
    table = legendre_p_all(degree + 2, np.cos(np.deg2rad(half_angle_deg)))[0]
    drop = np.append(1.0, table[:-2]) - table[1:]
    if motion == "radial":
        radial: Real = drop[: degree + 1] / 2
        return radial
    n = np.arange(degree + 2)
    integral = drop / (2 * n + 1)
    below = np.append(0.0, integral[:degree])
    axial: Real = (n[1:] * integral[1:] + n[:-1] * below) / 2
    return axial


def series_length(surface: float, ratio: float) -> int:
    """Highest degree needed at ka = ``surface`` and r/a = ``ratio`` for terms below about 1e-16.

    Beyond kr the terms fall at least as (a/r)^√(n² - (kr)²); far out, where the tail of 1/h_n'(ka) ends
    before n reaches kr, that tail is enough.
    """
    outside = surface * ratio
    tail = surface + 8 * np.cbrt(surface) + 40
    degree = int(np.ceil(tail if tail < outside else np.hypot(outside, 37 / np.log(ratio))))
    if degree > MAX_DEGREE:
        raise SettingsError(f"points too close to the sphere: {degree} terms needed, at most {MAX_DEGREE}")
    return degree


def _radial_ratios(outside: Real, surface: Real, degree: int) -> Iterator[tuple[Complex, Complex]]:
    """Yields h_n(kr)/h_n(ka) and h_n'(ka)/h_n(ka) for n = 0, 1, ..., degree.

    From q_n = h_{n+1}/h_n, q_n = (2n+1)/x - 1/q_{n-1}, stable upwards because h_n grows (DLMF 10.51.1).
    """
    ratio = surface / outside * np.exp(-1j * (outside - surface))
    far, near = 1 / outside + 1j, 1 / surface + 1j
    for n in range(degree + 1):
        yield ratio, n / surface - near
        ratio = ratio * (far / near)
        far, near = (2 * n + 3) / outside - 1 / far, (2 * n + 3) / surface - 1 / near


def _far_strengths(surface: Real, degree: int) -> Complex:
    """j^n / h_n'(ka), (degree + 1, F); underflows to zero where it no longer counts."""
    rows = np.empty((degree + 1, len(surface)), complex)
    inverse = surface * np.exp(1j * surface) / 1j
    near = 1 / surface + 1j
    for n in range(degree + 1):
        rows[n] = 1j**n * inverse / (n / surface - near)
        inverse = inverse / near
        near = (2 * n + 3) / surface - 1 / near
    return rows
