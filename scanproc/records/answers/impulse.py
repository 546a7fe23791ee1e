"""Impulse responses at a set of angles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import REFERENCE_VOLTAGE_V, Real
from scanproc.errors import ScanDataError
from scanproc.records.checked import positive, real_array, short_repr


@short_repr
@dataclass(frozen=True, eq=False)
class ImpulseSet:
    """Responses whose discrete Fourier transform Σ h_i e^{-jω(i - i0)/f_s} is the far field in Pa·m.

    ``response_pa_m`` (angles, samples), real; ``time_zero_sample`` i0, the same for all angles. ``band_hz``: where the
    spectra are kept; outside the responses fade out. Angles as in
    :class:`~scanproc.records.answers.directions.DirectionSet`.
    """

    name: str
    direction: Real
    response_pa_m: Real
    sampling_rate_hz: float
    time_zero_sample: int
    band_hz: tuple[float, float]
    orbit: tuple[str, ...] | None = None
    angle_deg: Real | None = None
    drive_voltage_v: float = REFERENCE_VOLTAGE_V
    distance_m: Real | None = None
    delay: str = "removed"

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "direction", real_array("direction", self.direction, ("angles", 3)))
        shape = (len(self.direction), "samples")
        put(self, "response_pa_m", real_array("response_pa_m", self.response_pa_m, shape))
        put(self, "sampling_rate_hz", positive("sampling_rate_hz", self.sampling_rate_hz))
        if not 0 <= self.time_zero_sample < self.response_pa_m.shape[1]:
            raise ScanDataError(
                f"time_zero_sample must be a sample of the responses, got {self.time_zero_sample}"
            )
        if not np.allclose(np.linalg.norm(self.direction, axis=1), 1, atol=1e-9):
            raise ScanDataError("direction must hold unit vectors")
