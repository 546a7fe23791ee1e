"""Scans small enough for any test, with fields in closed form."""

from __future__ import annotations

import numpy as np

from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup

SPEED_M_S = 343.0
SOURCE_M = np.array([0.03, -0.02, 0.05])
FREQUENCY_HZ = np.array([100.0, 200.0, 315.0, 500.0, 800.0, 1000.0, 1250.0])


def even_points(count: int, radius_m: float) -> np.ndarray:
    """A spiral of points on a sphere, (count, 3)."""
    z = 1 - (2 * np.arange(count) + 1) / count
    azimuth = np.pi * (1 + 5**0.5) * np.arange(count)
    ring = np.sqrt(1 - z**2)
    return radius_m * np.stack([ring * np.cos(azimuth), ring * np.sin(azimuth), z], axis=1)


def monopole_scan(points: int = 100, noise: float = 1e-3, device: str = "buoy horn") -> Scan:
    """p = e^{-jkR}/R of a source off the origin on one shell; noise relative to the field's rms."""
    position = even_points(points, 0.4)
    distance = np.linalg.norm(position - SOURCE_M, axis=1)
    k = 2 * np.pi * FREQUENCY_HZ / SPEED_M_S
    pressure = np.exp(-1j * distance[:, None] * k) / distance[:, None]
    rng = np.random.default_rng(4)
    spoilt = rng.normal(size=pressure.shape) + 1j * rng.normal(size=pressure.shape)
    pressure = pressure + noise * np.sqrt(np.mean(np.abs(pressure) ** 2) / 2) * spoilt
    setup = ScanSetup(position, device=device, speed_of_sound_m_s=SPEED_M_S, environment="anechoic")
    return Scan(setup, FREQUENCY_HZ, pressure)


def delayed_impulses(points: int = 40, samples: int = 512, rate_hz: float = 48000.0) -> ImpulseScan:
    """A unit sample in each response, later for each point, the first sample 1 ms before the drive."""
    response = np.zeros((points, samples))
    response[np.arange(points), 60 + np.arange(points)] = 1.0
    setup = ScanSetup(even_points(points, 0.4), device="buoy horn", speed_of_sound_m_s=SPEED_M_S)
    return ImpulseScan(setup, response, rate_hz, time_zero_s=-1e-3)
