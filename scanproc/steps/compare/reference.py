"""Reference measurements made ready: gated impulse responses, common frequencies."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import ScanDataError
from scanproc.records.answers.comparison import Reference
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.room import Gate
from scanproc.records.measured.scan import ImpulseScan, Scan
from scanproc.steps.farfield.sets import direction_set, orbit_angles
from scanproc.steps.field.view import speed_of_sound
from scanproc.steps.sound.gate import ONSET_DB, TAPERED, gate
from scanproc.steps.sound.spectra import spectra

FOUR = 4.0
"""Frequencies to a window of smoothing."""


def floor_reflection_s(distance_m: float, height_m: float, speed_m_s: float) -> float:
    """Time from the direct sound to its reflection off a plane, source and microphone ``height_m`` from it:
    (√(d² + 4h²) - d)/c."""
    return float((np.hypot(distance_m, 2 * height_m) - distance_m) / speed_m_s)


def gated_reference(
    name: str,
    label: tuple[str, ...],
    impulse: ImpulseScan,
    frequency_hz: Real,
    gate_s: float | None,
    *,
    clock_known: bool = True,
) -> Reference:
    """Spectra (F,) of responses cut ``gate_s`` after the direct sound; uncut if None.

    On an unknown clock the direct sound is put where the nearest microphone's distance has it. Below the inverse of
    the window's (or the record's) length nothing is valid. Raises ScanDataError when the gate outlasts the record, or
    the frequencies half the sampling rate.
    """
    arrival = arrivals_s(impulse)
    if not clock_known:
        nearest = np.linalg.norm(impulse.setup.position_m, axis=1).min()
        shift = float(nearest / speed_of_sound(impulse.setup) - arrival.min())
        impulse = replace(impulse, time_zero_s=impulse.time_zero_s + shift)
        arrival = arrival + shift
    samples = impulse.impulse_response_pa.shape[1]
    left = impulse.time_zero_s + (samples - 1) / impulse.sampling_rate_hz - float(arrival.max())
    if gate_s is not None:
        if gate_s > left:
            raise ScanDataError(
                f"the gate of {1000 * gate_s:.2f} ms ends past the record, which holds {1000 * left:.2f} ms after the "
                "direct sound: shorten the gate or record longer"
            )
        impulse = gate(impulse, Gate(arrival + gate_s, TAPERED * gate_s, gate_s, "reference"))
    spectrum = spectra(impulse, frequency_hz)
    found = reference_of(name, label, spectrum)
    lowest = 1 / (gate_s or left)
    return replace(
        found,
        gate_s=gate_s,
        onset_s=float(arrival.min()),
        lowest_valid_hz=lowest,
        clock_known=clock_known,
    )


def reference_of(name: str, label: tuple[str, ...], scan: Scan) -> Reference:
    """The pressures of a few microphones as a reference. Raises ScanDataError for one at the origin."""
    distance = np.linalg.norm(scan.setup.position_m, axis=1)
    if np.any(distance == 0):
        raise ScanDataError(f"position_m: microphone {int(distance.argmin())} lies at the origin: correct it")
    return Reference(
        name,
        label,
        scan.setup.position_m / distance[:, None],
        distance,
        scan.frequency_hz,
        scan.pressure_pa,
        drive_voltage_v=scan.setup.drive_voltage_v,
    )


def arrivals_s(impulse: ImpulseScan) -> Real:
    """When the direct sound reaches each microphone (angles,), on the record's own clock.

    It starts where the mean energy, shifted by differences of distance only, first comes near its peak: records of
    references often have their delay taken off, so the distance itself says nothing.
    """
    distance = np.linalg.norm(impulse.setup.position_m, axis=1)
    extra = (distance - distance.min()) / speed_of_sound(impulse.setup)
    shift = np.rint(extra * impulse.sampling_rate_hz).astype(int)
    count = impulse.impulse_response_pa.shape[1] - int(shift.max())
    energy = np.zeros(max(count, 1))
    for row, late in zip(impulse.impulse_response_pa, shift, strict=True):
        energy += row[late : late + len(energy)] ** 2
    onset = int(np.argmax(energy >= energy.max() * 10 ** (ONSET_DB / 10)))
    return impulse.time_zero_s + onset / impulse.sampling_rate_hz + extra


def far_field_reference(name: str, expansion: Expansion) -> Reference:
    """Another result as the reference: its far field and error bars on both orbits."""
    return replace(direction_reference(direction_set(expansion, orbit_angles(10.0))), name=name)


def direction_reference(directions: DirectionSet) -> Reference:
    """A direction set as the reference."""
    pressure = directions.pressure_pa_m
    if directions.distance_m is not None:
        pressure = pressure / directions.distance_m[:, None]
    far = directions.distance_m is None
    found = Reference(
        directions.name,
        tuple(_label(directions, index) for index in range(directions.angles)),
        directions.direction,
        np.ones(directions.angles) if directions.distance_m is None else directions.distance_m,
        directions.frequency_hz,
        pressure,
        standard_error_db=directions.standard_error_db,
        drive_voltage_v=directions.drive_voltage_v,
    )
    removed = directions.delay == "removed"
    if directions.speed_of_sound_m_s is None:  # written before it was: such sets keep what they hold
        return replace(found, distance_m=None) if far else found
    return as_heard(found, directions.speed_of_sound_m_s, far, removed)


def as_heard(reference: Reference, speed_m_s: float, far_field: bool, delay_removed: bool) -> Reference:
    """A reference as the record wants it: the far field without a delay and without a distance, or the pressure at the
    microphones with the delay on the way there. ``far_field``: the values are the far field normalised to 1 m."""
    if not far_field and not delay_removed:
        return reference
    assert reference.distance_m is not None
    travel = reference.distance_m[:, None] / speed_m_s * reference.frequency_hz
    turn = (
        (1 if delay_removed else np.exp(2j * np.pi * travel)) if far_field else np.exp(-2j * np.pi * travel)
    )
    pressure = reference.pressure_pa * turn if reference.has_phase else reference.pressure_pa
    return replace(reference, pressure_pa=pressure, distance_m=None if far_field else reference.distance_m)


def _label(directions: DirectionSet, index: int) -> str:
    if directions.orbit is not None and directions.angle_deg is not None:
        return f"{directions.orbit[index]} {directions.angle_deg[index]:zg} deg"
    x, y, z = directions.direction[index]
    azimuth, elevation = np.degrees([np.arctan2(y, x), np.arctan2(z, np.hypot(x, y))])
    return f"azimuth {azimuth:.3g} elevation {elevation:.3g} deg"


def in_band(expansion: Expansion, reference: Reference, per_octave: float) -> Reference:
    """The reference at those of its own frequencies that lie in the scan's band: its values are never interpolated.

    Of frequencies closer than four in 1/``per_octave`` octave, over which levels are smoothed anyway, those nearest
    to four are taken. Raises ScanDataError when fewer than four are left.
    """
    ours, theirs = expansion.frequency_hz, reference.frequency_hz
    low, high = ours[0] * (1 - 1e-9), ours[-1] * (1 + 1e-9)
    inside = np.flatnonzero((theirs >= low) & (theirs <= high))
    if len(inside) < 4 or len(ours) < 4:
        raise ScanDataError(
            f"no common band: the result has {ours[0]:g} to {ours[-1]:g} Hz, the reference {theirs[0]:g} to "
            f"{theirs[-1]:g} Hz (at least 4 frequencies of each must lie in both): measure or convert a wider band"
        )
    which = inside[_thinned(theirs[inside], FOUR * per_octave)]
    error = reference.standard_error_db
    return replace(
        reference,
        frequency_hz=theirs[which],
        pressure_pa=reference.pressure_pa[:, which],
        standard_error_db=None if error is None else error[:, which],
    )


def _thinned(frequency_hz: Real, per_octave: float) -> Integer:
    """Indices of the frequencies nearest to the middles of cells 1/``per_octave`` octave wide, one for each."""
    octave = np.log2(frequency_hz / frequency_hz[0]) * per_octave
    cell = np.rint(octave)
    order = np.lexsort((np.abs(octave - cell), cell))
    return np.sort(order[np.unique(cell[order], return_index=True)[1]])
