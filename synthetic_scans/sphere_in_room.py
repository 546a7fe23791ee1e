"""A rigid sphere with caps in a room: what it sends, what the walls return, what it scatters, without end.

Everything outgoing is a series c_nm h_n Y_nm about the sphere's middle. The images of that series are
expanded again in regular terms b = T c (by projection on two spheres), the rigid surface answers
-b j_n'(ka)/h_n'(ka) (Morse & Ingard, Theoretical Acoustics, ch. 8, from memory), and c = c_own + S T c is
solved. Only the degree of the series is cut off.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import sph_harm_y_all, spherical_jn, spherical_yn

from scanproc.conventions import Complex, Real, mode_degrees
from scanproc.errors import SettingsError
from synthetic_scans.caps import AIR_DENSITY_KG_M3, CappedSphere, cap_coefficients
from synthetic_scans.room import Images, Room, images

INNER_SHARE = 0.8
"""Radius of the second sphere of the projection over that of the first: no j_n is zero on both."""


@dataclass(frozen=True)
class SphereInRoom:
    """The capped sphere in the room. ``far_field`` is the sphere's own, without the room.

    ``margin`` degrees beyond ka are kept of what is scattered; the images of the sphere's own sound are
    exact whatever the degree.
    """

    sphere: CappedSphere
    room: Room
    margin: int = 8

    def pressure(self, position_m: Real, frequency_hz: Real, speed_of_sound_m_s: ArrayLike) -> Complex:
        """Complex pressure (points, F) in Pa: own sound, images, and all that is scattered.

        Raises SettingsError for points outside the room or inside the sphere, or for more than one speed.
        """
        free = self.sphere.pressure(position_m, frequency_hz, speed_of_sound_m_s)
        return free + self.returned(position_m, frequency_hz, speed_of_sound_m_s)

    def returned(self, position_m: Real, frequency_hz: Real, speed_of_sound_m_s: ArrayLike) -> Complex:
        """What the room adds to the free field (points, F): images, and all that the sphere scatters."""
        position, frequency = np.asarray(position_m, float), np.asarray(frequency_hz, float)
        speeds = np.unique(np.asarray(speed_of_sound_m_s, float))
        if len(speeds) != 1:
            raise SettingsError(f"a sphere in a room needs one speed of sound, got {len(speeds)}")
        if not self.room.holds(position):
            raise SettingsError(f"some points lie outside the room {self.room.size_m}")
        found, wavenumber = images(self.room), 2 * np.pi * frequency / speeds[0]
        scattered = self._scattered(found, self._own(frequency, wavenumber, speeds[0]), wavenumber)
        views = found.views(position)
        total = outgoing(position - self.sphere.centre_m, scattered, wavenumber)
        for index, factor in enumerate(found.factor[1:], start=1):
            total += factor * self.sphere.pressure(views[:, index], frequency, speeds[0])
            total += factor * outgoing(views[:, index] - self.sphere.centre_m, scattered, wavenumber)
        return total

    def far_field(self, direction: Real, frequency_hz: Real, speed_of_sound_m_s: float) -> Complex:
        return self.sphere.far_field(direction, frequency_hz, speed_of_sound_m_s)

    def _own(self, frequency: Real, wavenumber: Real, speed: float) -> Complex:
        """Coefficients (modes, F) of the caps: P_n(cos γ) = 4π/(2n+1) Σ Y_nm(axis) Y_nm."""
        surface = wavenumber * self.sphere.radius_m
        degree = int(np.ceil(surface.max())) + self.margin
        n = mode_degrees(degree)
        slope = np.array([hankel(m, surface, derivative=True) for m in range(degree + 1)])
        total = np.zeros((len(n), len(frequency)), complex)
        for cap in self.sphere.caps:
            weight = cap_coefficients(cap.half_angle_deg, cap.motion, degree) * 4 * np.pi
            weight = weight / (2 * np.arange(degree + 1) + 1)
            axis = harmonics(np.array([cap.axis], float), degree)[0]
            scale = -1j * AIR_DENSITY_KG_M3 * speed * cap.velocity(frequency, self.sphere.radius_m)
            total += (weight[n] * axis)[:, None] / slope[n] * scale
        return total

    def _scattered(self, found: Images, own: Complex, wavenumber: Real) -> Complex:
        """What the rigid surface adds to the sphere's own coefficients (modes, F)."""
        degree = int(np.sqrt(len(own))) - 1
        n, total = mode_degrees(degree), np.empty_like(own)
        coupling = self._coupling(found, degree, wavenumber)
        for column, k in enumerate(wavenumber):
            x = k * self.sphere.radius_m
            answer = np.array(
                [-spherical_jn(m, x, True) / hankel(m, np.array([x]), True)[0] for m in range(degree + 1)]
            )
            returned = answer[n][:, None] * coupling[column]
            complete = np.linalg.solve(np.eye(len(n)) - returned, own[:, column])
            total[:, column] = returned @ complete
        return total

    def _coupling(self, found: Images, degree: int, wavenumber: Real) -> Complex:
        """T (F, modes, modes): outgoing terms of the sphere -> regular terms of all their images."""
        direction, weight = projection_points(degree)
        projector = harmonics(direction, degree).T * weight
        n = mode_degrees(degree)
        shares = np.array([1.0, INNER_SHARE])
        radii = shares * self.sphere.radius_m
        regular = np.array(
            [[spherical_jn(m, wavenumber * radius) for m in range(degree + 1)] for radius in radii]
        )
        size = np.abs(regular).max(axis=0)
        relative = (regular / size)[:, n].swapaxes(1, 2)
        importance = relative * shares[:, None, None] ** (-2.0 * n)
        top = np.zeros((len(wavenumber), len(n), len(n)), complex)
        for radius, share in zip(radii, importance, strict=True):
            at = radius * direction + np.asarray(self.sphere.centre_m)
            top += share[:, :, None] * (projector @ self._image_terms(found, at, degree, wavenumber))
        norm = (importance * relative).sum(axis=0) * size[n].T
        return np.asarray(top / norm[:, :, None], np.complex128)

    def _image_terms(self, found: Images, position: Real, degree: int, wavenumber: Real) -> Complex:
        """Sum over the mirror images of every outgoing term at the points, (F, points, modes)."""
        n = mode_degrees(degree)
        total = np.zeros((len(wavenumber), len(position), len(n)), complex)
        for index in range(1, len(found.factor)):
            view = found.flip[index] * (position - found.shift_m[index]) - self.sphere.centre_m
            angular = found.factor[index] * harmonics(view, degree)
            x = np.multiply.outer(wavenumber, np.linalg.norm(view, axis=1))
            for m, radial in enumerate(hankels(degree, x)):
                block = slice(m * m, (m + 1) ** 2)
                total[:, :, block] += radial[:, :, None] * angular[:, block]
        return total


def outgoing(position: Real, coefficients: Complex, wavenumber: Real) -> Complex:
    """Σ c_nm h_n(kr) Y_nm at points about the centre, (points, F)."""
    degree = int(np.sqrt(len(coefficients))) - 1
    angular = harmonics(position, degree)
    x = np.multiply.outer(np.linalg.norm(position, axis=1), wavenumber)
    total = np.zeros(x.shape, complex)
    for n, radial in enumerate(hankels(degree, x)):
        block = slice(n * n, (n + 1) ** 2)
        total += radial * (angular[:, block] @ coefficients[block])
    return total


def hankels(degree: int, x: Real) -> Iterator[Complex]:
    """h_0, h_1, ... h_degree by upward recurrence, which is stable for h_n (DLMF 10.51.1)."""
    below, value = np.exp(-1j * x) / x, 1j * np.exp(-1j * x) / x
    for n in range(degree + 1):
        yield value
        below, value = value, (2 * n + 1) / x * value - below


def hankel(n: int, x: Real, derivative: bool = False) -> Complex:
    """h_n = j_n - j y_n, or its derivative."""
    return np.asarray(spherical_jn(n, x, derivative) - 1j * spherical_yn(n, x, derivative), np.complex128)


def harmonics(direction: Real, degree: int) -> Real:
    """Real orthonormal harmonics (points, modes) towards vectors of any length, from scipy's complex ones."""
    polar = np.arctan2(np.hypot(direction[:, 0], direction[:, 1]), direction[:, 2])
    table = sph_harm_y_all(degree, degree, polar, np.arctan2(direction[:, 1], direction[:, 0]))
    columns = []
    for n in range(degree + 1):
        for m in range(-n, n + 1):
            value = table[n, abs(m)] * ((-1) ** m * np.sqrt(2) if m else 1)
            columns.append(value.imag if m < 0 else value.real)
    return np.stack(columns, axis=-1)


def projection_points(degree: int) -> tuple[Real, Real]:
    """Unit vectors and weights that integrate products of harmonics, with room for the next degrees."""
    rings = degree + 12
    z, weight = np.polynomial.legendre.leggauss(rings)
    turn = np.pi * np.arange(2 * rings) / rings
    radius = np.sqrt(1 - z * z)
    stacked = [
        np.outer(radius, np.cos(turn)),
        np.outer(radius, np.sin(turn)),
        np.outer(z, np.ones(2 * rings)),
    ]
    return np.stack(stacked, axis=-1).reshape(-1, 3), np.repeat(weight, 2 * rings) * np.pi / rings
