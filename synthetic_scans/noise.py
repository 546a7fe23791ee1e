"""What spoils a measurement: background noise and slow drift of the gain."""

from __future__ import annotations

from typing import Literal

import numpy as np

from scanproc.conventions import Complex, Real


def noise_level(pressure_pa: Complex, snr_db: float, reference: Literal["frequency", "overall"]) -> Real:
    """Rms noise (F,) that lies ``snr_db`` below the rms pressure over the points.

    ``frequency``: the same ratio at each frequency; ``overall``: one level for all frequencies.
    """
    power = np.mean(np.abs(pressure_pa) ** 2, axis=0)
    if reference == "overall":
        power = np.full_like(power, power.mean())
    level: Real = np.sqrt(power) * 10 ** (-snr_db / 20)
    return level


def complex_noise(level_pa: Real, points: int, rng: np.random.Generator) -> Complex:
    """Circular complex noise (points, F) of rms ``level_pa`` (F,)."""
    shape = (points, len(level_pa))
    normal = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    return np.asarray(level_pa * normal / np.sqrt(2), np.complex128)


def share_of_time(time_s: Real) -> Real:
    """Time as a share of the scan, 0 at the first point to 1 at the last (points,)."""
    span = time_s[-1] - time_s[0]
    return (time_s - time_s[0]) / span if span > 0 else np.zeros_like(time_s)


def gain_drift(time_s: Real, total_db: float) -> Real:
    """Gain (points,) that falls evenly by ``total_db`` from the first point to the last."""
    gain: Real = 10 ** (-total_db * share_of_time(time_s) / 20)
    return gain
