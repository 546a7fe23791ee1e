"""Sets of directions at other frequencies, smoothed, with another phase reference, or as impulse responses."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, TypeAlias

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.answers.impulse import ImpulseSet
from scanproc.steps.farfield.interpolation import delays, interpolated, interpolation_error, spline
from scanproc.steps.sound.spectra import HIGHEST_OF_RATE
from scanproc.waves.bands import third_octave_centre, third_octave_index
from scanproc.waves.smoothing import smoothed

Smoothing: TypeAlias = Literal["power", "complex"]
FADE_BELOW_OCTAVES = 1.0
FADE_ABOVE_OCTAVES = 1 / 3
BLOCK_ANGLES = 128


def on_grid(directions: DirectionSet, frequency_hz: Real) -> DirectionSet:
    """The set at frequencies (F,) within their band. Raises ScanDataError outside it."""
    have = directions.frequency_hz
    if np.array_equal(have, frequency_hz):
        return directions
    low, high = have[0] * (1 - 1e-9), have[-1] * (1 + 1e-9)
    if not len(frequency_hz) or frequency_hz[0] < low or frequency_hz[-1] > high:
        raise ScanDataError(
            f"frequencies must lie within the scan's {have[0]:g} to {have[-1]:g} Hz: narrow the band"
        )
    pressure = interpolated(have, directions.pressure_pa_m, frequency_hz)
    at, known = np.log(frequency_hz), np.log(have)
    error = np.stack([np.interp(at, known, row) for row in directions.standard_error_db])
    return replace(directions, frequency_hz=frequency_hz, pressure_pa_m=pressure, standard_error_db=error)


def interpolation_errors_db(directions: DirectionSet) -> tuple[Real, Real, Real]:
    """What interpolation half way between the scan's frequencies costs, by angle: dB re the angle's own rms, the same
    in its worst third octave, and where that is, Hz; (angles,) each."""
    have = directions.frequency_hz
    middle = np.sqrt(have[1:] * have[:-1])
    error = interpolation_error(have, directions.pressure_pa_m, middle) ** 2
    power = interpolated(have, np.abs(directions.pressure_pa_m).astype(np.complex128), middle).real ** 2
    band = third_octave_index(middle)
    member = (band[:, None] == np.unique(band)).astype(np.float64)
    by_band = (error @ member) / np.maximum(power @ member, 1e-300)
    whole = error.sum(axis=1) / np.maximum(power.sum(axis=1), 1e-300)
    worst = by_band.argmax(axis=1)
    centre = third_octave_centre(np.unique(band))
    return _power_db(whole), _power_db(by_band.max(axis=1)), centre[worst]


def _power_db(ratio: Real) -> Real:
    level: Real = 10 * np.log10(np.maximum(ratio, 1e-30))
    return level


def smooth(directions: DirectionSet, per_octave: float, kind: Smoothing) -> DirectionSet:
    """The set averaged over 1/n octave: "power" (|p|² is averaged, the phase stays) or "complex" (p is averaged).

    Errors are taken as fully dependent within the window.
    """
    hz, pressure = directions.frequency_hz, directions.pressure_pa_m
    power = np.abs(pressure) ** 2
    if kind == "complex":
        found = smoothed(hz, pressure, per_octave)
        error_pa = smoothed(hz, directions.standard_error_db * np.abs(pressure), per_octave)
        error = _over(error_pa, np.abs(found))
    else:
        mean = smoothed(hz, power, per_octave)
        found = np.sqrt(mean) * np.exp(1j * np.angle(pressure))
        error = _over(smoothed(hz, directions.standard_error_db * power, per_octave), mean)
    return replace(directions, pressure_pa_m=found, standard_error_db=error)


def keep_delay(directions: DirectionSet) -> DirectionSet:
    """The same with the delay over the distance (1 m for the far field) left in the phase: times e^{-jkr}."""
    if directions.delay == "kept":
        return directions
    if directions.speed_of_sound_m_s is None:
        raise ScanDataError(f"{directions.name}: its speed of sound is not known, so no delay can be put in")
    distance = np.ones(directions.angles) if directions.distance_m is None else directions.distance_m
    travel = distance[:, None] / directions.speed_of_sound_m_s * directions.frequency_hz
    return replace(
        directions, pressure_pa_m=directions.pressure_pa_m * np.exp(-2j * np.pi * travel), delay="kept"
    )


def impulse_responses(
    directions: DirectionSet, sampling_rate_hz: float, samples: int, *, keep: bool = False
) -> ImpulseSet:
    """Impulse responses with time zero at a quarter of their length, the same for all angles.

    The spectra are kept from their lowest to their highest frequency (no higher than 0.45 of the rate); beyond, they go
    on in a straight line that fades out over an octave below and a third of one above. ``keep``: the delay over the
    distance stays.

    >>> sp.impulse_responses(result.directions["orbits-90"], 48000.0, 4096).response_pa_m.shape
    (8, 4096)
    """
    if directions.delay == "kept":
        raise ScanDataError(
            f"{directions.name}: give the set with its delay removed, and keep=True to have it back"
        )
    have = directions.frequency_hz
    low, high = float(have[0]), min(float(have[-1]), HIGHEST_OF_RATE * sampling_rate_hz)
    bins: Real = np.fft.rfftfreq(samples, 1 / sampling_rate_hz).astype(np.float64)
    inside = np.clip(bins, low, high)
    gain = _fade(bins, low, min(high, float(have[-1])))
    zero = samples // 4
    response = np.empty((directions.angles, samples))
    for start in range(0, directions.angles, BLOCK_ANGLES):
        block = slice(start, start + BLOCK_ANGLES)
        spectrum = _extended(have, directions.pressure_pa_m[block], bins, inside) * gain
        spectrum *= np.exp(-2j * np.pi * bins * zero / sampling_rate_hz)
        response[block] = np.fft.irfft(
            _travelled(directions, block, bins, spectrum) if keep else spectrum, samples
        )
    return ImpulseSet(
        directions.name,
        directions.direction,
        response,
        sampling_rate_hz,
        zero,
        (low, high),
        directions.orbit,
        directions.angle_deg,
        directions.drive_voltage_v,
        directions.distance_m,
        "kept" if keep else "removed",
    )


def _extended(have_hz: Real, value: Complex, bins: Real, inside: Real) -> Complex:
    """Interpolated within the band; outside a straight line goes on from the edge, so that nothing breaks there."""
    lag = delays(have_hz, value)[:, None]
    curve = spline(have_hz, value, lag)
    slope = curve(np.log(inside[[0, -1]]), 1) / inside[[0, -1]]
    beyond = bins - inside
    still = (
        curve(np.log(inside)) + slope[:, :1] * np.minimum(beyond, 0) + slope[:, 1:] * np.maximum(beyond, 0)
    )
    spectrum: Complex = still * np.exp(-2j * np.pi * bins * lag)
    return spectrum


def _travelled(directions: DirectionSet, block: slice, bins: Real, spectrum: Complex) -> Complex:
    part = replace(
        directions,
        direction=directions.direction[block],
        frequency_hz=bins,
        pressure_pa_m=spectrum,
        standard_error_db=np.zeros(spectrum.shape),
        orbit=None,
        angle_deg=None,
        distance_m=None if directions.distance_m is None else directions.distance_m[block],
    )
    return keep_delay(part).pressure_pa_m


def _fade(bins: Real, low: float, high: float) -> Real:
    """One within the band, raised cosines over log f outside, zero at DC."""
    with np.errstate(divide="ignore"):
        under = np.log2(low / bins) / FADE_BELOW_OCTAVES
        over = np.log2(bins / high) / min(FADE_ABOVE_OCTAVES, np.log2(bins[-1] / high))
    outside = np.clip(np.maximum(under, over), 0, 1)
    gain: Real = (1 + np.cos(np.pi * outside)) / 2
    return gain


def _over(part: Real, whole: Real) -> Real:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.nan_to_num(part / whole, nan=0.0, posinf=np.inf)
