"""Drive filters applied to a converted scan: what it would measure with an equaliser, without measuring again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.fitted.expansion import Expansion
from scanproc.waves.air import STANDARD_PRESSURE_KPA, absorption_db_m
from scanproc.waves.biquads import Kind, biquad, response


@dataclass(frozen=True)
class Biquad:
    """One second-order section of the cookbook; ``gain_db`` counts for peaking and shelving."""

    kind: Kind
    frequency_hz: float
    q: float = float(np.sqrt(0.5))
    gain_db: float = 0.0
    sampling_rate_hz: float = 48000.0

    def at(self, frequency_hz: Real) -> Complex:
        half = self.sampling_rate_hz / 2
        if self.frequency_hz >= half or np.any(frequency_hz > half):
            raise ScanDataError(
                f"a digital {self.kind} at {self.sampling_rate_hz:g} Hz ends at {half:g} Hz, the scan reaches "
                f"{np.max(frequency_hz, initial=self.frequency_hz):g} Hz: raise sampling_rate_hz"
            )
        top, bottom = biquad(self.kind, self.frequency_hz, self.q, self.gain_db, self.sampling_rate_hz)
        return response(top, bottom, frequency_hz, self.sampling_rate_hz)


@dataclass(frozen=True)
class Simple:
    """Gain, delay and polarity: ±10^(G/20) · e^{-jωτ}."""

    gain_db: float = 0.0
    delay_s: float = 0.0
    inverted: bool = False

    def at(self, frequency_hz: Real) -> Complex:
        sign = -1 if self.inverted else 1
        turn: Complex = sign * 10 ** (self.gain_db / 20) * np.exp(-2j * np.pi * frequency_hz * self.delay_s)
        return turn


@dataclass(frozen=True, eq=False)
class Tabulated:
    """A measured transfer function: ``frequency_hz`` rising (K,), ``value`` complex (K,).

    Between its frequencies level and unwrapped phase are straight lines over log f; outside it is an error.
    """

    frequency_hz: Real
    value: Complex
    name: str = field(default="transfer function")

    def at(self, frequency_hz: Real) -> Complex:
        low, high = self.frequency_hz[0] * (1 - 1e-9), self.frequency_hz[-1] * (1 + 1e-9)
        if np.any((frequency_hz < low) | (frequency_hz > high)):
            raise ScanDataError(
                f"{self.name} covers {self.frequency_hz[0]:g} to {self.frequency_hz[-1]:g} Hz, the scan "
                f"{frequency_hz.min():g} to {frequency_hz.max():g} Hz: extend the table or narrow the scan"
            )
        at, known = np.log(frequency_hz), np.log(self.frequency_hz)
        size = np.interp(at, known, np.log(np.abs(self.value)))
        turn: Complex = np.exp(size + 1j * np.interp(at, known, np.unwrap(np.angle(self.value))))
        return turn


@dataclass(frozen=True)
class Air:
    """What ``distance_m`` of air takes away, level alone (ISO 9613-1:1993); humidity in percent."""

    distance_m: float
    temperature_c: float = 20.0
    humidity_percent: float = 50.0
    air_pressure_kpa: float = STANDARD_PRESSURE_KPA

    def at(self, frequency_hz: Real) -> Complex:
        loss = absorption_db_m(frequency_hz, self.temperature_c, self.humidity_percent, self.air_pressure_kpa)
        return np.asarray(10 ** (-loss * self.distance_m / 20), np.complex128)


Stage: TypeAlias = Biquad | Simple | Tabulated | Air


def chain_response(chain: Sequence[Stage], frequency_hz: Real) -> Complex:
    """Response (F,) of stages in a row."""
    value = np.ones(len(frequency_hz), dtype=np.complex128)
    for stage in chain:
        value *= stage.at(frequency_hz)
    return value


def filtered(expansion: Expansion, chain: Sequence[Stage]) -> Expansion:
    """The expansion of the device driven through the filters; errors relative to the field stay as they are.

    >>> sp.filtered(result.expansion, []).points == result.expansion.points
    True
    """
    value = chain_response(chain, expansion.frequency_hz)
    return replace(
        expansion,
        coefficients_pa=expansion.coefficients_pa * value,
        coefficient_variance_pa2=expansion.coefficient_variance_pa2 * np.abs(value) ** 2,
    )
