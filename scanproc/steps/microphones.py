"""What a scan's expansion predicts at the microphones of a reference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.records.comparison import Reference
from scanproc.records.expansion import Expansion
from scanproc.records.room import Gate
from scanproc.records.scan import ImpulseScan, ScanSetup
from scanproc.records.sweeps import SweepSet
from scanproc.steps.extrapolate import DB_PER_RELATIVE_ERROR, far_field, pressure_at
from scanproc.steps.frequency_grid import delays, interpolated
from scanproc.steps.gate import TAPERED, gate
from scanproc.steps.reference import arrivals_s
from scanproc.steps.spectra import spectra
from scanproc.steps.sweep_sets import STRAIGHT, Angles, Turn, sweep_set, turned_back

RESPONSE_S = 0.25
"""Length of the responses that are gated as the reference was."""
RATE_OVER_TOP = 4.5
"""Their sampling rate over the highest trusted frequency."""
LARGEST_ERROR = 0.2
"""Relative error by the error bars up to which a frequency is trusted."""


@dataclass(frozen=True, eq=False)
class Prediction:
    """Pressures (angles, F) as the reference states them (Pa at the microphone, or Pa·m in the far field), for its
    drive voltage. ``relative_error`` (angles, F) is the rms error over the magnitude by the fit's error bars;
    ``gate_ratio`` complex (angles, F): by what the reference's gate multiplies them, 1 without one."""

    pressure_pa: Complex
    relative_error: Real
    gate_ratio: Complex


def predict(expansion: Expansion, reference: Reference) -> Prediction:
    """The prediction at the reference's frequencies, at the true microphone positions, gated alike."""
    angles = Angles("reference", reference.direction, distance_m=reference.distance_m)
    sweeps = sweep_set(expansion, angles)
    error = np.stack(
        [np.interp(reference.frequency_hz, expansion.frequency_hz, row) for row in sweeps.standard_error_db]
    )
    pressure = pressure_turned(expansion, reference, STRAIGHT)
    return Prediction(pressure, error / DB_PER_RELATIVE_ERROR, _gate_ratio(sweeps, reference))


def pressure_turned(expansion: Expansion, reference: Reference, turn: Turn) -> Complex:
    """The ungated prediction alone, of the device turned, (angles, F)."""
    seen = turned_back(reference.direction, turn)
    if reference.distance_m is None:
        pressure = far_field(expansion, seen)
    else:
        pressure = pressure_at(expansion, seen * reference.distance_m[:, None])
    pressure = pressure * (reference.drive_voltage_v / expansion.drive_voltage_v)
    if np.array_equal(expansion.frequency_hz, reference.frequency_hz):
        return pressure
    return interpolated(expansion.frequency_hz, pressure, reference.frequency_hz)


def _gate_ratio(sweeps: SweepSet, reference: Reference) -> Complex:
    """Gated over ungated prediction at the reference's frequencies, (angles, F); 1 above the trusted band, where a
    gate that long changes least and errors of the prediction would spread by it."""
    ratio = np.ones(reference.pressure_pa.shape, dtype=np.complex128)
    if reference.gate_s is None:
        return ratio
    trusted = _trusted(sweeps)
    top = sweeps.frequency_hz[trusted - 1]
    whole = _response(sweeps, trusted)
    end = arrivals_s(whole) + reference.gate_s
    cut = gate(whole, Gate(end, TAPERED * reference.gate_s, reference.gate_s, "reference"))
    here = np.flatnonzero(reference.frequency_hz <= top * (1 + 1e-9))
    if len(here):
        hz = reference.frequency_hz[here]
        ratio[:, here] = spectra(cut, hz).pressure_pa / spectra(whole, hz).pressure_pa
    return ratio


def _trusted(sweeps: SweepSet) -> int:
    """How many frequencies, from the lowest, have an error below ``LARGEST_ERROR`` by the error bars; 4 at least."""
    size = np.abs(sweeps.pressure_pa_m)
    error = sweeps.standard_error_db / DB_PER_RELATIVE_ERROR * size
    bad = np.sum(np.nan_to_num(error) ** 2, axis=0) > LARGEST_ERROR**2 * np.sum(size**2, axis=0)
    return max(4, int(np.argmax(bad)) if np.any(bad) else len(bad))


def _response(sweeps: SweepSet, trusted: int) -> ImpulseScan:
    """Impulse responses of the trusted band. Outside it the magnitude stays as at its ends and the phase goes on with
    each angle's delay, fading over an octave on both sides, so that neither end rings long."""
    hz, value = sweeps.frequency_hz[:trusted], sweeps.pressure_pa_m[:, :trusted]
    rate = RATE_OVER_TOP * float(hz[-1])
    samples = 2 ** int(np.ceil(np.log2(RESPONSE_S * rate)))
    bins = np.fft.rfftfreq(samples, 1 / rate)
    lag = delays(hz, value)[:, None]
    inside = np.clip(bins, hz[0], hz[-1])
    spectrum = interpolated(hz, value, inside) * np.exp(-2j * np.pi * (bins - inside) * lag)
    beyond = np.clip(np.abs(np.log2(np.maximum(bins, 1e-9) / inside)), 0, 1)
    spectrum *= (1 + np.cos(np.pi * beyond)) / 2
    zero = samples // 4
    response = np.fft.irfft(spectrum * np.exp(-2j * np.pi * bins * zero / rate), samples)
    return ImpulseScan(ScanSetup(sweeps.direction), response, rate, -zero / rate)
