"""Impulse responses whose spectrum is exact at every bin: delays need no rounding to samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.errors import SettingsError
from scanproc.records.measured.scan import ImpulseScan, ScanSetup

PASS_BAND = 0.9
"""Share of the Nyquist frequency up to which nothing is taken away; a squared cosine falls from there."""


@dataclass(frozen=True)
class ImpulseGrid:
    """Sampling of impulse responses: ``length_s`` in all, from ``before_s`` ahead of the drive.

    The response must die away within the length, since it is periodic in it. Raises SettingsError.
    """

    sampling_rate_hz: float
    length_s: float
    before_s: float = 0.001

    def __post_init__(self) -> None:
        if self.samples < 4 or self.before_s >= self.length_s:
            raise SettingsError(
                f"impulse responses need at least 4 samples and more than before_s = {self.before_s:g} s, "
                f"got {self.samples} samples in {self.length_s:g} s"
            )

    @property
    def samples(self) -> int:
        """An even number of samples."""
        return 2 * round(self.length_s * self.sampling_rate_hz / 2)

    @property
    def frequency_hz(self) -> Real:
        """The bins (F,), from the first above zero to the Nyquist frequency."""
        bins = np.arange(1, self.samples // 2 + 1)
        return np.asarray(bins * self.sampling_rate_hz / self.samples, np.float64)

    @property
    def band(self) -> Real:
        """Gain (F,) that limits the band."""
        share = self.frequency_hz / (self.sampling_rate_hz / 2)
        past = np.clip((share - PASS_BAND) / (1 - PASS_BAND), 0, 1)
        return np.asarray(np.cos(np.pi / 2 * past) ** 2, np.float64)

    def scan(self, setup: ScanSetup, pressure_pa: Complex) -> ImpulseScan:
        """Impulse responses from the pressure (points, F) at the bins; no constant part, as no loudspeaker has."""
        late = np.exp(-2j * np.pi * self.frequency_hz * self.before_s)
        spectrum = np.concatenate([np.zeros((len(pressure_pa), 1)), pressure_pa * (self.band * late)], axis=1)
        spectrum[:, -1] = spectrum[:, -1].real
        response = np.fft.irfft(spectrum, self.samples, axis=1)
        return ImpulseScan(setup, response, self.sampling_rate_hz, -self.before_s)
