"""Sets of directions, most with quadrature weights that sum to 4π."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.integrate import lebedev_rule

from scanproc.conventions import Real

LEBEDEV_DEGREES = (*range(3, 33, 2), *range(35, 132, 6))
"""Degrees to which the rules of Lebedev and Laikov (1999) integrate exactly."""


def unit_vectors(polar: ArrayLike, azimuth: ArrayLike) -> Real:
    """(points, 3) unit vectors from angles in rad: polar from +z, azimuth from +x towards +y."""
    theta, phi = np.broadcast_arrays(np.asarray(polar, float), np.asarray(azimuth, float))
    return np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], axis=-1)


def horizontal_orbit(angle_deg: ArrayLike) -> Real:
    """(angles, 3): 0 deg = +x, towards +y."""
    angle = np.deg2rad(np.atleast_1d(angle_deg))
    return np.stack([np.cos(angle), np.sin(angle), np.zeros_like(angle)], axis=-1)


def vertical_orbit(angle_deg: ArrayLike) -> Real:
    """(angles, 3): 0 deg = +x, towards +z."""
    angle = np.deg2rad(np.atleast_1d(angle_deg))
    return np.stack([np.cos(angle), np.zeros_like(angle), np.sin(angle)], axis=-1)


def gauss_legendre_grid(order: int) -> tuple[Real, Real]:
    """(order + 1) rings of 2 order + 2 points: exact for products of two harmonics up to ``order``."""
    cosine, ring_weight = np.polynomial.legendre.leggauss(order + 1)
    azimuth = np.arange(2 * order + 2) * (np.pi / (order + 1))
    direction = unit_vectors(np.arccos(cosine)[:, None], azimuth[None, :]).reshape(-1, 3)
    return direction, np.repeat(ring_weight * (np.pi / (order + 1)), len(azimuth))


def lebedev_grid(degree: int) -> tuple[Real, Real]:
    """The smallest Lebedev rule exact to at least ``degree`` (at most 131). Raises ValueError above."""
    if degree > LEBEDEV_DEGREES[-1]:
        raise ValueError(f"Lebedev rules reach degree {LEBEDEV_DEGREES[-1]}, asked for {degree}")
    position, weight = lebedev_rule(next(d for d in LEBEDEV_DEGREES if d >= degree))
    return position.T, weight


def equal_angle_grid(step_deg: float) -> tuple[Real, Real]:
    """Polar and azimuth in equal steps, one point at each pole, weights = areas of the zones' cells.

    Raises ValueError unless the step divides 180.
    """
    rings = round(180 / step_deg)
    if not np.isclose(rings * step_deg, 180):
        raise ValueError(f"the step must divide 180 deg, got {step_deg:g}")
    polar = np.deg2rad(np.arange(1, rings) * step_deg)
    azimuth = np.arange(2 * rings) * (np.pi / rings)
    half = np.deg2rad(step_deg) / 2
    ring = unit_vectors(polar[:, None], azimuth[None, :]).reshape(-1, 3)
    cell = (np.cos(polar - half) - np.cos(polar + half)) * (np.pi / rings)
    cap = 2 * np.pi * (1 - np.cos(half))
    direction = np.concatenate([[[0.0, 0.0, 1.0]], ring, [[0.0, 0.0, -1.0]]])
    return direction, np.concatenate([[cap], np.repeat(cell, len(azimuth)), [cap]])


def fibonacci_sphere(count: int) -> Real:
    """(count, 3) nearly even directions on a golden spiral (González 2010)."""
    index = np.arange(count) + 0.5
    return unit_vectors(np.arccos(1 - 2 * index / count), np.pi * (1 + np.sqrt(5)) * index)
