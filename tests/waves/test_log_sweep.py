"""Logarithmic sweeps: their law, and the spectrum of n times their phase against a transform of samples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import chirp
from swept import GROWTH_S, HIGH_HZ, LOW_HZ, RATE, SECONDS, drive

from scanproc.errors import ScanDataError
from scanproc.waves.log_sweep import find_log_sweep, harmonic_spectrum


@pytest.mark.parametrize("lead", [0, 3000])
def test_the_law_of_a_sweep_by_another_library(lead: int) -> None:
    """scipy.signal.chirp, and silence around it."""
    found = find_log_sweep(np.pad(drive(), lead), RATE)
    assert found.growth_s == pytest.approx(GROWTH_S, rel=1e-6)
    start = found.start_hz * np.exp(lead / RATE / found.growth_s)
    assert start == pytest.approx(LOW_HZ, rel=1e-5)
    assert LOW_HZ < found.lowest_hz < 1.05 * LOW_HZ
    assert 0.95 * HIGH_HZ < found.highest_hz < HIGH_HZ
    assert found.gap_s(2) == pytest.approx(GROWTH_S * np.log(2), rel=1e-6)


def test_other_signals_are_refused() -> None:
    time = np.arange(2 * RATE) / RATE
    noise = np.random.default_rng(0).standard_normal(len(time))
    for other in (
        noise,
        chirp(time, 100, 2, 4000),
        np.sin(500 * time),
        np.eye(1, len(time))[0],
        drive()[::-1],
    ):
        with pytest.raises(ScanDataError, match=r"no logarithmic sweep .* play one, or keep none"):
            find_log_sweep(other, RATE)


@pytest.mark.parametrize("order", [1, 2, 3])
def test_spectra_against_a_transform_of_samples(order: int) -> None:
    """cos(nφ(t)) written out, slowly faded so that its ends leave no ripples; what is left of them is below 0.5 %."""
    seconds, low, high = 20.0, 20.0, 1900.0
    time = np.arange(int(seconds * RATE)) / RATE
    growth = seconds / np.log(high / low)
    phase = 2 * np.pi * low * growth * (np.exp(time / growth) - 1) - np.pi / 2
    fade = np.sin(np.pi / 2 * np.clip(np.minimum(time, seconds - time) / 4, 0, 1)) ** 2
    sweep = find_log_sweep(fade * np.cos(phase), RATE)
    hz = order * np.geomspace(80, 500, 7)
    exact = (fade * np.cos(order * phase)) @ np.exp(-2j * np.pi * time[:, None] * hz)
    assert np.abs(harmonic_spectrum(sweep, order, hz) / exact - 1).max() < 0.005
    assert harmonic_spectrum(sweep, order, np.array([order * low / 2, order * high * 1.2])).tolist() == [0, 0]


def test_seconds_of_the_drive() -> None:
    assert find_log_sweep(drive(), RATE).samples == SECONDS * RATE
