"""Expansions of far fields that are known as a function of direction."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from scanproc.conventions import Complex, Real, mode_degrees
from scanproc.records.fitted.expansion import Expansion
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import far_radial

SPEED_M_S = 343.2
SCALING_RADIUS_M = 0.4


def pattern_expansion(
    pattern: Callable[[Real], Complex],
    frequency_hz: Real,
    order: int,
    *,
    relative_variance: float = 0.0,
    drive_voltage_v: float = 2.83,
) -> Expansion:
    """The expansion whose far field p·r·e^{jkr} is ``pattern(direction)``, (angles, F) in Pa·m, by quadrature.

    ``relative_variance``: variance of each far-field coefficient over the mean of their |.|², all alike.
    """
    cosine, ring = np.polynomial.legendre.leggauss(order + 8)
    azimuth = np.arange(2 * order + 16) * (np.pi / (order + 8))
    sine = np.sqrt(1 - cosine**2)[:, None]
    parts = [
        sine * np.cos(azimuth),
        sine * np.sin(azimuth),
        np.broadcast_to(cosine[:, None], sine.shape[:1] + azimuth.shape),
    ]
    direction = np.stack(parts, axis=-1).reshape(-1, 3)
    weight = np.repeat(ring * (np.pi / (order + 8)), len(azimuth))
    series = real_harmonics(order, direction).T @ (weight[:, None] * pattern(direction))
    k = 2 * np.pi * np.asarray(frequency_hz, float) / SPEED_M_S
    far = far_radial(order, k, k * SCALING_RADIUS_M)
    variance = relative_variance * np.mean(np.abs(series) ** 2, axis=0) / np.abs(far) ** 2
    count = len(k)
    return Expansion(
        frequency_hz=frequency_hz,
        order=np.full(count, order),
        centre_m=np.zeros((count, 3)),
        scaling_radius_m=np.full(count, SCALING_RADIUS_M),
        wavenumber_rad_m=k,
        coefficients_pa=series / far[mode_degrees(order)],
        held_out_db=np.full((order + 1, count), np.nan),
        far_field_error_db=np.full(count, np.nan),
        coefficient_variance_pa2=variance,
        variance_pattern=np.full((1, count), np.sqrt(4 * np.pi)),
        estimator=np.zeros(count, dtype=np.int64),
        points=2000,
        drive_voltage_v=drive_voltage_v,
    )
