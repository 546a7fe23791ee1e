"""A rectangular room by image sources, around any device whose free field is known.

Reflection factors after Allen & Berkley, J. Acoust. Soc. Am. 65 (1979) 943, with e^{+jωt} here. A mirrored
device heard at a point is the device itself heard at the mirrored point, so images need only views.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Complex, Integer, Real
from scanproc.errors import SettingsError
from synthetic_scans.sources import Cluster, Device


@dataclass(frozen=True)
class Room:
    """A room 0..L per axis. ``origin_m`` is where the scan's origin lies in it; its axes are the scan's.

    ``reflection`` holds the factors of the walls at x = 0, x = L, y = 0, y = L, z = 0 (floor), z = L;
    images with up to ``reflections`` bounces count. Raises SettingsError.
    """

    size_m: tuple[float, float, float]
    origin_m: tuple[float, float, float]
    reflection: tuple[float, float, float, float, float, float]
    reflections: int

    def __post_init__(self) -> None:
        if min(self.size_m) <= 0:
            raise SettingsError(f"room size must be above zero, got {self.size_m}")
        if not all(0 < at < length for at, length in zip(self.origin_m, self.size_m, strict=True)):
            raise SettingsError(f"the scan's origin {self.origin_m} must lie inside the room {self.size_m}")
        if any(abs(factor) > 1 for factor in self.reflection):
            raise SettingsError(f"reflection factors must lie within -1 and 1, got {self.reflection}")
        if self.reflections < 0:
            raise SettingsError(f"reflections must be 0 or more, got {self.reflections}")

    def holds(self, position_m: Real) -> bool:
        """Whether all points (points, 3), in the scan's frame, lie inside."""
        inside = position_m + np.asarray(self.origin_m)
        return bool(np.all((inside > 0) & (inside < np.asarray(self.size_m))))


@dataclass(frozen=True, eq=False)
class Images:
    """Mirror images in the scan's frame: a source at x appears at flip·x + shift, times factor.

    ``flip`` (images, 3) of ±1, ``shift_m`` (images, 3), ``factor`` and ``bounces`` (images,); the first is
    the source itself.
    """

    flip: Real
    shift_m: Real
    factor: Real
    bounces: Integer

    def views(self, position_m: Real) -> Real:
        """The points (points, 3) as each image sees them, (points, images, 3)."""
        return self.flip * (np.asarray(position_m, float)[:, None, :] - self.shift_m)


@dataclass(frozen=True, eq=False)
class InRoom:
    """A device whose sound the walls send back; the device itself is taken as transparent to it.

    ``far_field`` is the device's own, without the room.
    """

    device: Device
    room: Room

    def pressure(self, position_m: Real, frequency_hz: Real, speed_of_sound_m_s: ArrayLike) -> Complex:
        """Complex pressure (points, F) in Pa: the device and all its images."""
        position = np.asarray(position_m, float)
        if not self.room.holds(position):
            raise SettingsError(
                f"some points lie outside the room {self.room.size_m}: move the origin or shrink the surface"
            )
        found = images(self.room)
        views = found.views(position)
        if isinstance(self.device, Cluster):
            return self.device.summed(views, found.factor, frequency_hz, speed_of_sound_m_s)
        total = np.zeros((len(position), len(frequency_hz)), complex)
        for index, factor in enumerate(found.factor):
            total += factor * self.device.pressure(views[:, index], frequency_hz, speed_of_sound_m_s)
        return total

    def far_field(self, direction: Real, frequency_hz: Real, speed_of_sound_m_s: float) -> Complex:
        return self.device.far_field(direction, frequency_hz, speed_of_sound_m_s)


def images(room: Room) -> Images:
    """All images with up to ``room.reflections`` bounces and a factor other than zero, by bounces."""
    axes = [
        _along_axis(length, origin, room.reflection[2 * axis : 2 * axis + 2], room.reflections)
        for axis, (length, origin) in enumerate(zip(room.size_m, room.origin_m, strict=True))
    ]
    kept = [
        triple
        for triple in product(*axes)
        if sum(one.bounces for one in triple) <= room.reflections and all(one.factor != 0 for one in triple)
    ]
    kept.sort(key=lambda triple: sum(one.bounces for one in triple))
    return Images(
        flip=np.array([[one.flip for one in triple] for triple in kept]),
        shift_m=np.array([[one.shift for one in triple] for triple in kept]),
        factor=np.array([np.prod([one.factor for one in triple]) for triple in kept]),
        bounces=np.array([sum(one.bounces for one in triple) for triple in kept]),
    )


@dataclass(frozen=True)
class _Mirror:
    flip: float
    shift: float
    factor: float
    bounces: int


def _along_axis(length: float, origin: float, reflection: tuple[float, ...], limit: int) -> list[_Mirror]:
    """Images along one axis: at (1 - 2q) x + 2nL in the room, factor β1^|n-q| β2^|n|."""
    found = []
    for q, n in product((0, 1), range(-limit - 1, limit + 2)):
        near, far = abs(n - q), abs(n)
        if near + far <= limit:
            flip = 1.0 - 2 * q
            factor = reflection[0] ** near * reflection[1] ** far
            found.append(_Mirror(flip, (flip - 1) * origin + 2 * n * length, factor, near + far))
    return found


def first_reflection_s(room: Room, position_m: Real, speed_of_sound_m_s: float) -> float | None:
    """Earliest arrival, at any point, of a reflection of a source at the scan's origin."""
    bounced = images(Room(room.size_m, room.origin_m, room.reflection, 1))
    views = bounced.views(position_m)[:, bounced.bounces == 1]
    return float(np.linalg.norm(views, axis=-1).min() / speed_of_sound_m_s) if views.size else None
