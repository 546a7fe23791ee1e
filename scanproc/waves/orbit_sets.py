"""The angles, groups and weights of ANSI/CTA-2034-A (2015), from memory; the two-orbit set and what is averaged.

Angles are on the horizontal orbit (positive towards +y) and the vertical orbit (positive upwards).
"""

from __future__ import annotations

from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Real
from scanproc.waves.directions import horizontal_orbit, vertical_orbit

Weighting: TypeAlias = Literal["quadrangles", "zones"]
RearWall: TypeAlias = Literal["all", "sides and back"]

_HORIZONTAL = tuple(range(-170, 181, 10))
_VERTICAL = tuple(angle for angle in _HORIZONTAL if angle not in (0, 180))
PLACES: tuple[tuple[str, int], ...] = (
    *(("horizontal", angle) for angle in _HORIZONTAL),
    *(("vertical", angle) for angle in _VERTICAL),
)
"""The 70 different angles of two orbits in 10-degree steps; 0 and 180 deg stand once, as horizontal."""

LISTENING_WINDOW = (
    *(("horizontal", angle) for angle in (-30, -20, -10, 0, 10, 20, 30)),
    ("vertical", -10),
    ("vertical", 10),
)
FLOOR_BOUNCE = tuple(("vertical", angle) for angle in (-40, -30, -20))
CEILING_BOUNCE = tuple(("vertical", angle) for angle in (40, 50, 60))
FRONT_WALL = tuple(("horizontal", angle) for angle in range(-30, 31, 10))
SIDE_WALLS = tuple(("horizontal", angle) for angle in _HORIZONTAL if 40 <= abs(angle) <= 80)
REAR_WALLS: dict[RearWall, tuple[tuple[str, int], ...]] = {
    "all": tuple(("horizontal", angle) for angle in _HORIZONTAL if abs(angle) >= 90),
    "sides and back": (("horizontal", -90), ("horizontal", 90), ("horizontal", 180)),
}
"""The document's wording can be read in two ways: all angles from 90 to 180 deg, or only 90 and 180."""


def directions() -> Real:
    """Unit vectors (70, 3) of ``PLACES``."""
    return np.concatenate([horizontal_orbit(_HORIZONTAL), vertical_orbit(_VERTICAL)])


def group_weights(group: tuple[tuple[str, int], ...]) -> Real:
    """Weights (70,) that average the power over a group."""
    chosen = np.array([place in group for place in PLACES], dtype=np.float64)
    return chosen / chosen.sum()


def averaged() -> Real:
    """Weights (8, 70) of the averages from which all others follow: on the axis, over the listening window and each of
    the five reflections, and over all angles as for the sound power."""
    groups = ((("horizontal", 0),), LISTENING_WINDOW, FLOOR_BOUNCE, CEILING_BOUNCE, FRONT_WALL, SIDE_WALLS)
    rows = [group_weights(group) for group in (*groups, REAR_WALLS["all"])]
    return np.stack([*rows, power_weights("quadrangles")])


def power_weights(weighting: Weighting) -> Real:
    """Weights (70,) of the sound power average as they are quoted; those of quadrangles sum to 0.99637."""
    from_axis = np.array([min(abs(angle), 180 - abs(angle)) for _, angle in PLACES], dtype=np.float64)
    weight: Real = {"quadrangles": quadrangle_weight, "zones": zone_weight}[weighting](from_axis)
    return weight


def zone_weight(from_axis_deg: ArrayLike) -> Real:
    """Share of a sphere's zone, 10 deg wide, that each point of its ring (four, one at a pole) stands for."""
    angle = np.asarray(from_axis_deg, dtype=np.float64)
    ring = (np.cos(np.deg2rad(angle - 5)) - np.cos(np.deg2rad(angle + 5))) / 8
    return np.where(angle == 0, (1 - np.cos(np.deg2rad(5))) / 2, ring)


def quadrangle_weight(from_axis_deg: ArrayLike) -> Real:
    """[Ω(θ+5°) - Ω(θ-5°)]/16π with Ω(a) = 4 arcsin(sin² a), the solid angle of a pyramid of half-angle a.

    It gives to nine digits the ten numbers that are quoted for ANSI/CTA-2034-A (from memory).
    """
    angle = np.asarray(from_axis_deg, dtype=np.float64)
    ring = np.where(
        angle == 90,
        2 * (2 * np.pi - _pyramid(np.full_like(angle, 85))),
        _pyramid(np.minimum(angle + 5, 90)) - _pyramid(np.abs(angle - 5)),
    )
    return np.where(angle == 0, _pyramid(np.full_like(angle, 5)), ring) / (16 * np.pi)


def _pyramid(half_angle_deg: Real) -> Real:
    angle: Real = 4 * np.arcsin(np.sin(np.deg2rad(half_angle_deg)) ** 2)
    return angle
