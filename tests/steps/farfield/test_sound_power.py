"""Sound power levels against the monopole in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from small_scans import even_points

from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.farfield.sound_power import power_levels, third_octave_means
from scanproc.steps.fit.expand import fit


def test_a_monopole_of_90_db_at_1_m_radiates_4_pi_square_metres_of_it() -> None:
    """W = 4π r² p²/(ρc): L_W = L_p + 10 lg 4π - 10 lg(ρc/400 Pa s/m) (ISO 3745, from memory), ρ = 1.2."""
    position, hz = even_points(80, 0.4), np.geomspace(200, 1000, 12)
    distance = np.linalg.norm(position, axis=1)[:, None]
    pascal = 20e-6 * 10 ** (90 / 20)
    pressure = pascal * np.exp(-2j * np.pi * hz * distance / 343.0) / distance
    setup = ScanSetup(position, speed_of_sound_m_s=343.0, drive_voltage_v=2.83)
    found = fit(Scan(setup, hz, pressure), order=1, centre_m=(0.0, 0.0, 0.0))
    density = found.air_density_kg_m3
    wanted = 90 + 10 * np.log10(4 * np.pi) - 10 * np.log10(density * 343.0 / 400)
    assert power_levels(found) == pytest.approx(np.full(12, wanted), abs=0.01)


def test_a_band_is_the_mean_of_its_powers() -> None:
    hz, level = np.array([950.0, 1000.0, 1050.0, 2000.0]), np.array([80.0, 80.0, 90.0, 70.0])
    band, mean = third_octave_means(hz, level)
    assert list(band) == [1000.0, 2000.0]
    assert mean == pytest.approx([10 * np.log10((1e8 + 1e8 + 1e9) / 3), 70.0])
