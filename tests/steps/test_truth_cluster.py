"""The demo's loudspeaker, a cluster of monopoles with an exact field anywhere: from a scan to both orbits."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field, radiated_power_w
from scanproc.steps.fit.expand import fit
from scanproc.waves.directions import fibonacci_sphere, gauss_legendre_grid, horizontal_orbit, vertical_orbit
from synthetic_scans.device import paging_loudspeaker

SPEED = 343.2
FREQUENCY = np.geomspace(60, 1500, 12)
ORBITS = np.concatenate([horizontal_orbit(np.arange(0, 360, 10)), vertical_orbit(np.arange(0, 360, 10))])
DEVICE = paging_loudspeaker(0.5)


def surface(kind: str) -> np.ndarray:
    """Even directions, on a shell of 0.55 m or pushed out onto a drum around it."""
    direction = fibonacci_sphere(1300)
    if kind == "shell":
        return 0.55 * direction
    flat = np.maximum(np.hypot(direction[:, 0], direction[:, 1]) / 0.45, np.abs(direction[:, 2]) / 0.45)
    return direction / flat[:, None]


def scan(kind: str, snr_db: float | None) -> Scan:
    position = surface(kind)
    pressure = DEVICE.pressure(position, FREQUENCY, SPEED)
    if snr_db is not None:
        rng = np.random.default_rng(round(snr_db))
        level = np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)) * 10 ** (-snr_db / 20)
        noise = rng.standard_normal((2, *pressure.shape)) * level / np.sqrt(2)
        pressure = pressure + noise[0] + 1j * noise[1]
    return Scan(ScanSetup(position, speed_of_sound_m_s=SPEED), FREQUENCY, pressure)


def error_db(found: np.ndarray) -> np.ndarray:
    """Squared error over both orbits, dB re the truth, (F,)."""
    truth = DEVICE.far_field(ORBITS, FREQUENCY, SPEED)
    return 10 * np.log10(np.sum(np.abs(found - truth) ** 2, axis=0) / np.sum(np.abs(truth) ** 2, axis=0))


@pytest.mark.parametrize("kind", ["shell", pytest.param("drum", marks=pytest.mark.slow)])
def test_without_noise_the_far_field_is_exact_to_80_db(kind: str) -> None:
    found = fit(scan(kind, None), centre_m=(0, 0, 0), estimator="truncated", max_order=30)
    assert error_db(far_field(found, ORBITS)).max() < -80


@pytest.mark.parametrize("kind", ["shell", "drum"])
@pytest.mark.parametrize("snr_db", [40.0, 60.0])
def test_the_far_field_lies_below_the_noise(kind: str, snr_db: float) -> None:
    found = fit(scan(kind, snr_db), centre_m=(0, 0, 0), estimator="truncated", max_order=24)
    assert error_db(far_field(found, ORBITS)).max() < -snr_db


def test_radiated_power_equals_its_integral() -> None:
    found = fit(scan("shell", None), order=24)
    direction, weight = gauss_legendre_grid(30)
    power = weight @ np.abs(DEVICE.far_field(direction, FREQUENCY, SPEED)) ** 2
    np.testing.assert_allclose(radiated_power_w(found), power / (found.air_density_kg_m3 * SPEED), rtol=1e-4)
