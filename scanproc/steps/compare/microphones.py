"""What a scan's expansion predicts at the microphones of a reference."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.records.answers.comparison import Reference
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.room import Gate
from scanproc.records.measured.scan import ImpulseScan, ScanSetup
from scanproc.steps.compare.reference import arrivals_s
from scanproc.steps.farfield.interpolation import delays, interpolated, interpolation_error
from scanproc.steps.farfield.sets import STRAIGHT, Angles, Turn, direction_set, speed_of_sound, turned_back
from scanproc.steps.field.extrapolate import DB_PER_RELATIVE_ERROR, far_field, pressure_at
from scanproc.steps.sound.gate import TAPERED, gate
from scanproc.steps.sound.spectra import spectra

RESPONSE_S = 0.25
"""Length of the responses that are gated as the reference was."""
RATE_OVER_TOP = 4.5
"""Their sampling rate over the highest trusted frequency."""
LARGEST_ERROR = 0.2
"""Relative error by the error bars up to which a frequency is trusted."""

GateLeft = Callable[[Real], Complex]


@dataclass(frozen=True)
class Pose:
    """How the device stood for the reference against how it stood for the scan: turned, then moved by ``offset_m``."""

    turn: Turn = STRAIGHT
    offset_m: tuple[float, float, float] = (0.0, 0.0, 0.0)


HERE = Pose()


@dataclass(frozen=True, eq=False)
class AtMicrophones:
    """Pressures (angles, F) as the reference states them (Pa at the microphone, or Pa·m in the far field), for its
    drive voltage. ``relative_error`` (angles, F) is the rms error over the magnitude by the fit's error bars;
    ``gate_ratio`` complex (angles, F): by what the reference's gate multiplies them, 1 without one."""

    pressure_pa: Complex
    relative_error: Real
    gate_ratio: Complex


def at_microphones(expansion: Expansion, reference: Reference, delay_s: float | None = None) -> AtMicrophones:
    """The prediction at the reference's frequencies, at the true microphone positions, gated alike.

    ``delay_s``, by which the reference is late, tells where in the prediction its gate ends; without it the direct
    sound is looked for in the prediction, whose band is narrower and its onset therefore less sharp. The expected
    error counts what interpolation between the scan's frequencies costs.
    """
    angles = Angles("reference", reference.direction, distance_m=reference.distance_m)
    directions = direction_set(expansion, angles)
    hz, have = reference.frequency_hz, expansion.frequency_hz
    error = (
        np.stack([np.interp(hz, have, row) for row in directions.standard_error_db]) / DB_PER_RELATIVE_ERROR
    )
    field = field_of(expansion, reference)
    pressure = field(HERE)
    between = interpolation_error(have, directions.pressure_pa_m, hz, delays(have, directions.pressure_pa_m))
    size = np.abs(pressure) * (expansion.drive_voltage_v / reference.drive_voltage_v)
    if reference.distance_m is not None:
        size = size * reference.distance_m[:, None]
    relative = np.divide(between, size, out=np.zeros_like(size), where=size > 0)
    left = _gate_left(directions, reference, delay_s)
    return AtMicrophones(pressure, np.hypot(error, relative), left(np.zeros(reference.angles)))


def field_of(expansion: Expansion, reference: Reference) -> Callable[[Pose], Complex]:
    """A function that tells the ungated pressures (angles, F) of the device as it stood in the reference.

    Between the scan's frequencies it is interpolated with the flight time taken out, and with the same delays beyond
    it for every pose, so that small moves make small changes.
    """
    have, hz = expansion.frequency_hz, reference.frequency_hz
    scale = reference.drive_voltage_v / expansion.drive_voltage_v
    speed = speed_of_sound(expansion)
    first = delays(have, _seen(expansion, reference, HERE)[0])

    @lru_cache(maxsize=64)
    def field(pose: Pose) -> Complex:
        value, travel_m = _seen(expansion, reference, pose)
        if not np.array_equal(have, hz):
            value = interpolated(have, value, hz, first)
        return scale * value * np.exp(-2j * np.pi / speed * travel_m[:, None] * hz)

    return field


def _seen(expansion: Expansion, reference: Reference, pose: Pose) -> tuple[Complex, Real]:
    """Pressures (angles, F) at the scan's frequencies without their flight time, and its path (angles,) in m."""
    shift = np.array(pose.offset_m)
    if reference.distance_m is None:
        return far_field(expansion, turned_back(reference.direction, pose.turn)), -(
            reference.direction @ shift
        )
    place = reference.direction * reference.distance_m[:, None] - shift
    travel = np.linalg.norm(place, axis=1)
    time = 2 * np.pi / speed_of_sound(expansion) * travel[:, None] * expansion.frequency_hz
    return pressure_at(expansion, turned_back(place, pose.turn)) * np.exp(1j * time), travel


def gate_left(expansion: Expansion, reference: Reference, delay_s: float | None) -> GateLeft:
    """What the reference's gate leaves of the direct sound and of later copies of it."""
    angles = Angles("reference", reference.direction, distance_m=reference.distance_m)
    return _gate_left(direction_set(expansion, angles), reference, delay_s)


def _gate_left(directions: DirectionSet, reference: Reference, delay_s: float | None) -> GateLeft:
    """A function that tells gated over ungated sound at the reference's frequencies, (angles, F), for sound so late
    (angles,), s. Above the trusted band it is that of a click: there a gate changes least, and errors of the
    prediction would spread by it."""
    shape, gate_s = reference.pressure_pa.shape, reference.gate_s
    if gate_s is None:
        return lambda late_s: np.ones(shape, dtype=np.complex128)
    trusted = _trusted(directions)
    here = np.flatnonzero(reference.frequency_hz <= directions.frequency_hz[trusted - 1] * (1 + 1e-9))
    hz = reference.frequency_hz[here]
    whole = _response(directions, trusted)
    onset = arrivals_s(whole)
    if reference.onset_s is not None and delay_s is not None:
        assert directions.speed_of_sound_m_s is not None
        nearest = 0.0 if reference.distance_m is None else float(reference.distance_m.min())
        travel_s = nearest / directions.speed_of_sound_m_s
        onset = np.full(len(onset), reference.onset_s - delay_s - travel_s)
    end, uncut = onset + gate_s, spectra(whole, hz).pressure_pa if len(here) else None

    def left(late_s: Real) -> Complex:
        ratio = np.ones(shape, dtype=np.complex128) * window(late_s, gate_s)[:, None]
        if uncut is not None:
            cut = gate(whole, Gate(end - late_s, TAPERED * gate_s, gate_s, "reference"))
            ratio[:, here] = spectra(cut, hz).pressure_pa / uncut
        return ratio

    return left


def window(late_s: Real, gate_s: float) -> Real:
    """The gate's window at a time after the direct sound."""
    left: Real = np.clip((gate_s - late_s) / (TAPERED * gate_s), 0, 1)
    return np.sin(np.pi / 2 * left) ** 2


def _trusted(directions: DirectionSet) -> int:
    """How many frequencies, from the lowest, have an error below ``LARGEST_ERROR`` by the error bars; 4 at least."""
    size = np.abs(directions.pressure_pa_m)
    error = directions.standard_error_db / DB_PER_RELATIVE_ERROR * size
    bad = np.sum(np.nan_to_num(error) ** 2, axis=0) > LARGEST_ERROR**2 * np.sum(size**2, axis=0)
    return max(4, int(np.argmax(bad)) if np.any(bad) else len(bad))


def _response(directions: DirectionSet, trusted: int) -> ImpulseScan:
    """Impulse responses of the trusted band. Outside it the magnitude stays as at its ends and the phase goes on with
    each angle's delay, fading over an octave on both sides, so that neither end rings long."""
    hz, value = directions.frequency_hz[:trusted], directions.pressure_pa_m[:, :trusted]
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
    return ImpulseScan(ScanSetup(directions.direction), response, rate, -zero / rate)
