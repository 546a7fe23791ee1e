"""Spectra of impulse responses against the closed form of a delay and against an FFT."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.fft
from small_scans import delayed_impulses

from scanproc.errors import ScanDataError
from scanproc.steps.sound.spectra import spectra, usual_frequencies


def test_a_delayed_sample_is_a_turning_phase() -> None:
    impulse = delayed_impulses()
    frequency = np.array([31.5, 1000.0, 17321.0])
    delay = -1e-3 + (60 + np.arange(impulse.points)) / 48000.0
    expected = np.exp(-2j * np.pi * delay[:, None] * frequency)
    np.testing.assert_allclose(spectra(impulse, frequency).pressure_pa, expected, atol=1e-11)


def test_at_the_bins_of_an_fft_it_is_the_fft() -> None:
    noise = np.random.default_rng(2).normal(size=(40, 512))
    impulse = replace(delayed_impulses(), impulse_response_pa=noise, time_zero_s=0.0)
    bins = scipy.fft.rfftfreq(512, 1 / 48000.0)[1:]
    expected = scipy.fft.rfft(noise, axis=1)[:, 1:]
    np.testing.assert_allclose(spectra(impulse, bins).pressure_pa, expected, atol=1e-9)


def test_the_setup_comes_along() -> None:
    impulse = delayed_impulses()
    assert spectra(impulse, [1000.0]).setup is impulse.setup


def test_above_half_the_sampling_rate_nothing_is_known() -> None:
    with pytest.raises(ScanDataError, match="half the sampling rate"):
        spectra(delayed_impulses(), [1000.0, 25000.0])


def test_usual_frequencies_keep_to_what_the_response_can_show() -> None:
    frequency = usual_frequencies(512, 48000.0, 24)
    assert 48000.0 / 512 <= frequency[0] < 1.03 * 48000.0 / 512
    assert 19400 < frequency[-1] <= 20000
    assert usual_frequencies(512, 16000.0, 24)[-1] <= 7200
    stated = usual_frequencies(512, 48000.0, 3, 199.0, 800.0)
    np.testing.assert_allclose(
        stated, [199.526, 251.189, 316.228, 398.107, 501.187, 630.957, 794.328], rtol=1e-5
    )


def test_a_band_without_a_frequency_is_an_error() -> None:
    with pytest.raises(ScanDataError, match=r"no frequency lies between 93.75 and 50 Hz .*widen the band"):
        usual_frequencies(512, 48000.0, 24, None, 50.0)
