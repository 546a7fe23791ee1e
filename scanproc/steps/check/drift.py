"""Slow change over a scan: gain (the driver warms up) and speed of sound (the air does)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Boolean, Complex, Real
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.check.nuisance import Place, Unknown, has_time, share_about_middle, solve
from scanproc.steps.check.prediction import predict

GAIN_PRIOR = 0.2
SPEED_PRIOR = 0.02
SIGNIFICANT = 5.0
"""A drift counts as found beyond so many standard errors."""
LEAST_DB = 0.05
FREQUENCIES = 5
STEPS = 3
PER_KELVIN = 1 / (2 * 293.15)
"""Relative change of the speed of sound per kelvin at 20 °C, which goes as the root of absolute temperature."""


@dataclass(frozen=True)
class Drift:
    """Even change from the first point to the last: ``gain_db`` and relative ``speed``, with standard errors.

    ``found`` when the gain's change is significant and matters. ``known`` when the scan can tell at all: on one
    layer scanned from top to bottom a drift looks like directivity, and only repeated points or a second
    layer give it away. ``timed`` off: the points carry no time, so nothing can be told (their order in a file is not
    one).
    """

    gain_db: float
    gain_error_db: float
    speed: float
    speed_error: float
    timed: bool = True

    @property
    def known(self) -> bool:
        return self.gain_error_db < 0.1

    @property
    def found(self) -> bool:
        return self.known and abs(self.gain_db) > max(LEAST_DB, SIGNIFICANT * self.gain_error_db)

    @property
    def kelvin(self) -> float:
        """The change of temperature that changes the speed of sound so much."""
        return self.speed / PER_KELVIN

    @property
    def speed_found(self) -> bool:
        return self.speed_error < 0.25 * SPEED_PRIOR and abs(self.speed) > max(
            5e-4, SIGNIFICANT * self.speed_error
        )

    def gain(self, setup: ScanSetup) -> Real:
        """Factor on the pressure of each point, (points,), one in the middle of the scan."""
        gain: Real = 10 ** (self.gain_db * share_about_middle(setup) / 20)
        return gain


def estimate_drift(scan: Scan, used: Boolean) -> Drift:
    """The drift of a scan, from its points in ``used`` and those of its frequencies at which they agree best."""
    if not has_time(scan.setup):
        return Drift(0.0, np.inf, 0.0, np.inf, timed=False)
    first = predict(scan, used)
    best = np.sort(np.argsort(first.level_db)[:FREQUENCIES])
    part = scan.take_frequencies(best)
    unknowns = (Unknown("gain", GAIN_PRIOR, _louder), Unknown("speed", SPEED_PRIOR, _faster))
    share, value, step = share_about_middle(scan.setup), np.zeros(2), None
    for _ in range(STEPS):
        gain = np.exp(value[0] * share)
        steady = Scan(part.setup, part.frequency_hz, part.pressure_pa / gain[:, None])
        scaled = scan.setup.position_m * (1 - value[1] * share)[:, None]
        step = solve(steady, used, first.order[best], scaled, unknowns, value)
        value = value + step.change
    assert step is not None
    to_db = 20 / np.log(10)
    return Drift(
        float(value[0] * to_db),
        float(step.standard_error[0] * to_db),
        float(value[1]),
        float(step.standard_error[1]),
    )


def _louder(place: Place) -> Complex:
    return place.time * place.field


def _faster(place: Place) -> Complex:
    """Faster sound shortens every distance in wavelengths."""
    return -place.time * np.einsum("pi,pi->p", place.gradient, place.position_m)
