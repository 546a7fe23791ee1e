"""Phase, delay and responses on the axis against closed forms: analogue filters of scipy, a monopole off the origin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal
from small_scans import even_points

from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.farfield.on_axis import axis_phase, axis_responses, minimum_phase
from scanproc.steps.fit.expand import fit

HZ = np.geomspace(50, 16000, 96)


def bell() -> tuple[np.ndarray, np.ndarray]:
    """A resonance of 6 dB at 900 Hz, quality 2: level beyond the band stays as it is."""
    w0, q, gain = 2 * np.pi * 900, 2.0, 10 ** (6 / 40)
    return np.array([1, gain * w0 / q, w0**2]), np.array([1, w0 / (gain * q), w0**2])


def test_the_minimum_phase_is_that_of_an_analogue_filter() -> None:
    top, bottom = bell()
    _, value = signal.freqs(top, bottom, 2 * np.pi * HZ)
    found = minimum_phase(HZ, np.log(np.abs(value)), 0.0, 0.0)
    assert found == pytest.approx(np.angle(value), abs=0.01)


@pytest.mark.parametrize("goes_on", [True, False])
def test_a_high_pass_below_the_band_is_told_where_its_slope_goes_on(goes_on: bool) -> None:
    top, bottom = signal.butter(2, 2 * np.pi * 300, "high", analog=True)
    _, value = signal.freqs(top, bottom, 2 * np.pi * HZ)
    beyond = () if goes_on else (0.0, 0.0)
    off = np.abs(minimum_phase(HZ, np.log(np.abs(value)), *beyond) - np.angle(value))
    assert (off[HZ < 200].max() < 0.1) == goes_on
    assert off[HZ > 3000].max() < 0.15


@pytest.fixture(scope="module")
def expansion():
    """A monopole 0.1 m before the origin, driven through the resonance: delay -0.1 m / c, minimum phase."""
    position = even_points(150, 0.4)
    top, bottom = bell()
    hz = np.geomspace(100, 5000, 60)
    _, value = signal.freqs(top, bottom, 2 * np.pi * hz)
    distance = np.linalg.norm(position - [0.1, 0.0, 0.0], axis=1)[:, None]
    pressure = value * np.exp(-2j * np.pi * hz * distance / 343.0) / distance
    setup = ScanSetup(position, speed_of_sound_m_s=343.0)
    return fit(Scan(setup, hz, pressure), centre_m=(0.1, 0.0, 0.0), order=2)


def test_phase_and_group_delay_of_a_resonance(expansion) -> None:
    found = axis_phase(expansion)
    top, bottom = bell()
    hz = expansion.frequency_hz
    _, value = signal.freqs(top, bottom, 2 * np.pi * hz)
    fine = np.stack([signal.freqs(top, bottom, 2 * np.pi * hz * (1 + step))[1] for step in (-1e-4, 1e-4)])
    slope = np.diff(np.angle(fine), axis=0)[0] / (2e-4 * 2 * np.pi * hz)
    assert found.group_delay_s == pytest.approx(-slope - 0.1 / 343.0, abs=1e-5)
    assert found.phase_rad == pytest.approx(
        np.angle(value) + 2 * np.pi * hz * (found.delay_s + 0.1 / 343.0), abs=0.02
    )
    assert np.all(found.lowest_rad <= found.highest_rad)


def test_the_impulse_comes_when_the_sound_does(expansion) -> None:
    time, impulse, step = axis_responses(expansion)
    assert time[np.abs(impulse).argmax()] == pytest.approx(-0.1 / 343.0, abs=3e-5)
    assert impulse.max() == 1.0
    turned = replace(expansion, coefficients_pa=-expansion.coefficients_pa)
    assert axis_responses(turned)[1].min() == -1.0
    assert np.abs(step).max() == 1.0
