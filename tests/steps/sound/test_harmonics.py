"""Harmonics told apart: against closed forms and against a deconvolution by scipy.signal alone."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, fftconvolve, freqz, lfilter
from swept import drive

from scanproc.errors import ScanDataError
from scanproc.steps.sound.harmonics import (
    harmonic_inverse,
    harmonic_responses,
    harmonic_window,
    noise_density,
    window_of,
)
from scanproc.waves.log_sweep import find_log_sweep

RATE, LOW, HIGH = 24000, 40.0, 3000.0
SECONDS = 200 / LOW * np.log(HIGH / LOW) / 5  # f1·L is whole: the sweep is synchronised (Novak et al. 2015)
GROWTH = SECONDS / np.log(HIGH / LOW)
SHARES = {2: 0.03, 3: -0.02}
FILTERS = {
    1: butter(2, 2000, fs=RATE),
    2: butter(1, [100, 1500], "bandpass", fs=RATE),
    3: butter(1, 900, fs=RATE),
}
BAND = (LOW, 2800.0)


def recording() -> np.ndarray:
    """A Hammerstein model: powers of the drive, each through a filter of its own, 5 ms late."""
    wave = np.pad(drive(RATE, SECONDS, LOW, HIGH), (0, RATE // 2))
    powers = {1: wave, 2: SHARES[2] * wave**2, 3: SHARES[3] * wave**3}
    return np.roll(sum(lfilter(*FILTERS[n], powers[n]) for n in powers), 120)


def exact(order: int, hz: np.ndarray) -> np.ndarray:
    """cos² = ½ + ½ cos 2φ and cos³ = ¾ cos φ + ¼ cos 3φ, through the filter of that power."""
    share = {2: SHARES[2] / 2, 3: SHARES[3] / 4}[order]
    return share * freqz(*FILTERS[order], hz, fs=RATE)[1] * np.exp(-2j * np.pi * hz * 120 / RATE)


def separated(order: int, hz: np.ndarray, sound: np.ndarray) -> np.ndarray:
    sweep = find_log_sweep(drive(RATE, SECONDS, LOW, HIGH), RATE)
    window = harmonic_window(sweep, order, BAND, 0.05, 0.3)
    response = harmonic_responses(sound[None], harmonic_inverse(sweep, window, len(sound)), window)[0]
    time = np.arange(len(response)) / RATE - round(window.before_s * RATE) / RATE
    return response @ np.exp(-2j * np.pi * time[:, None] * hz)


def by_library(order: int, hz: np.ndarray, sound: np.ndarray) -> np.ndarray:
    """Farina (2000): convolved with the drive reversed and falling by 6 dB per octave, harmonic n at -L ln n.

    The drive is a sine, so that nφ - nπ/2 counts as no phase here and nφ - π/2 there.
    """
    wave = drive(RATE, SECONDS, LOW, HIGH)
    time = np.arange(len(wave)) / RATE
    reverse = (wave * np.exp(time / GROWTH))[::-1]
    whole = fftconvolve(sound, reverse)
    middle = len(wave) - 1
    itself = fftconvolve(wave, reverse)
    taken = np.exp(-2j * np.pi * (np.arange(len(itself)) - middle)[:, None] / RATE * hz)
    one = itself @ taken
    first = middle - GROWTH * np.log(order) * RATE
    index = np.arange(int(first - 0.05 * RATE), int(first + 0.25 * RATE))
    edge = np.clip(np.minimum(np.arange(len(index)), np.arange(len(index))[::-1]) / (0.04 * RATE), 0, 1)
    part = whole[index] * np.sin(np.pi / 2 * edge) ** 2
    spectrum = part @ np.exp(-2j * np.pi * (index - first)[:, None] / RATE * hz)
    return spectrum / one * np.exp(0.5j * np.pi * (order - 1))


@pytest.mark.parametrize("order", [2, 3])
def test_levels_and_phases(order: int) -> None:
    """Within 0.05 dB and half a degree of the closed form, 0.3 dB and 5 degrees of the other deconvolution."""
    sound, hz = recording(), np.geomspace(260, 2600, 12)
    found = separated(order, hz, sound)
    for other, decibels, degrees in ((exact(order, hz), 0.05, 0.5), (by_library(order, hz, sound), 0.3, 5)):
        ratio = found / other
        assert np.abs(20 * np.log10(np.abs(ratio))).max() < decibels
        assert np.abs(np.degrees(np.angle(ratio))).max() < degrees


def test_a_linear_recording_leaves_nothing() -> None:
    """Less than -90 dB of the fundamental from half an octave above the band's edge."""
    sound = np.roll(lfilter(*FILTERS[1], np.pad(drive(RATE, SECONDS, LOW, HIGH), (0, RATE // 2))), 120)
    for order in (2, 3):
        assert np.abs(separated(order, np.geomspace(300, 2000, 9), sound)).max() < 10 ** (-90 / 20)


def test_noise_comes_out_as_it_is() -> None:
    """White noise through the same inverse: what comes ahead tells the rms of the spectra within 1 dB."""
    rng, hz = np.random.default_rng(3), np.array([400.0, 800.0, 1600.0])
    sweep = find_log_sweep(drive(RATE, SECONDS, LOW, HIGH), RATE)
    window = harmonic_window(sweep, 2, BAND, 0.05, 0.3)
    noise = rng.standard_normal((300, int((SECONDS + 0.5) * RATE)))
    response = harmonic_responses(noise, harmonic_inverse(sweep, window, noise.shape[1]), window)
    time = np.arange(response.shape[1]) / RATE
    power = np.mean(np.abs(response @ np.exp(-2j * np.pi * time[:, None] * hz)) ** 2, axis=0)
    energy = np.sum(window_of(response.shape[1], round(window.before_s * RATE)) ** 2)
    told = energy * noise_density(response, window.before_s, RATE, hz)
    assert 10 * np.log10(told / power) == pytest.approx(0, abs=1)


def test_a_sweep_too_fast_is_refused() -> None:
    fast = find_log_sweep(drive(RATE, 0.1, LOW, HIGH), RATE)
    with pytest.raises(ScanDataError, match=r"harmonic 5 can be told from .* so fast .*drive.harmonics = 4"):
        harmonic_window(fast, 5, (LOW, 800.0), 0.05, 0.3)
    slow = harmonic_window(find_log_sweep(drive(RATE, 10.0, LOW, HIGH), RATE), 5, (LOW, 10000.0), 0.05, 0.3)
    assert slow.length_s == pytest.approx(0.3)
    middle = find_log_sweep(drive(RATE, 1.5, LOW, HIGH), RATE)
    four, five = (harmonic_window(middle, order, (LOW, 10000.0), 0.05, 0.3) for order in (4, 5))
    assert five.length_s - five.before_s + four.before_s == pytest.approx(
        middle.gap_s(5)
    )  # neither overlap nor gap
    assert slow.lowest_hz > 5 * LOW
