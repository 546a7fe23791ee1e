"""Impulse responses cut before the first reflection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.records.fitted.room import Gate
from scanproc.records.measured.scan import ImpulseScan, ScanSetup
from scanproc.steps.field.view import device_centre_m, device_size_m, speed_of_sound

TAPERED = 0.5
"""Share of the window, from the direct sound to its end, over which it falls (half a Hann window)."""
ONSET_DB = -20.0
"""The direct sound has arrived where the mean energy over the points first comes this near to its peak."""


def gate(impulse: ImpulseScan, window: Gate) -> ImpulseScan:
    """The responses times the window of each point. Raises ScanDataError when the window outlasts the record."""
    samples = impulse.impulse_response_pa.shape[1]
    time = impulse.time_zero_s + np.arange(samples) / impulse.sampling_rate_hz
    if window.end_s.max() > time[-1]:
        raise ScanDataError(
            f"the gate ({window.source}) ends {_ms(window.end_s.max())} after the drive, the record "
            f"{_ms(float(time[-1]))}: end the gate earlier (room.gate_end_s)"
        )
    left = np.clip((window.end_s[:, None] - time) / window.taper_s, 0, 1)
    return replace(impulse, impulse_response_pa=impulse.impulse_response_pa * np.sin(np.pi / 2 * left) ** 2)


def gate_until(setup: ScanSetup, end_s: float, source: str, latency_s: float = 0.0) -> Gate:
    """A window that ends ``end_s`` after the drive at every point.

    Raises ScanDataError when the end comes before the direct sound at any point.
    """
    return _window(setup, np.full(setup.points, end_s), source, latency_s)


def gate_in_room(setup: ScanSetup, size_m: ArrayLike, origin_m: ArrayLike, latency_s: float = 0.0) -> Gate:
    """A window that ends at each point before the nearest image sources are heard.

    ``size_m`` (3,) of a rectangular room, ``origin_m`` (3,) where the scan's origin lies in it, from the corner
    with the least x, y and z; the walls are along the scan's axes. Raises ScanDataError when that does not fit.
    """
    end = latency_s + wall_reflection_s(setup, size_m, origin_m)
    return _window(setup, end, "room dimensions", latency_s)


def gate_after(setup: ScanSetup, length_s: float, source: str, latency_s: float = 0.0) -> Gate:
    """A window that ends equally long after the direct sound at every point."""
    return _window(setup, direct_s(setup, latency_s) + length_s, source, latency_s)


def wall_reflection_s(setup: ScanSetup, size_m: ArrayLike, origin_m: ArrayLike) -> Real:
    """Travel time of the first reflection to each point (points,), from any part of the device's box."""
    size, origin = np.asarray(size_m, float), np.asarray(origin_m, float)
    at = setup.position_m + origin
    if np.any(at <= 0) or np.any(at >= size):
        raise ScanDataError(
            f"position_m: points lie outside the room of {_metres(size)} with the scan's origin at "
            f"{_metres(origin)}: correct room.size_m or room.origin_m"
        )
    source = _box_corners(setup) + origin
    path = np.full(setup.points, np.inf)
    for axis in range(3):
        for wall in (0.0, size[axis]):
            image = source.copy()
            image[:, axis] = 2 * wall - image[:, axis]
            path = np.minimum(path, np.linalg.norm(at[:, None, :] - image, axis=2).min(axis=1))
    return path / speed_of_sound(setup)


def direct_s(setup: ScanSetup, latency_s: float = 0.0) -> Real:
    """When sound from the middle of the device reaches each point, after the drive (points,)."""
    distance = np.linalg.norm(setup.position_m - device_centre_m(setup), axis=1)
    return latency_s + distance / speed_of_sound(setup)


def latency_s(impulse: ImpulseScan) -> float:
    """Delay between drive and device (converters, processing), seen in the responses; never below zero."""
    energy, start = aligned_energy(impulse)
    onset = np.argmax(energy >= energy.max() * 10 ** (ONSET_DB / 10))
    return max(0.0, start + float(onset) / impulse.sampling_rate_hz)


def aligned_energy(impulse: ImpulseScan) -> tuple[Real, float]:
    """Mean squared response over the points, each shifted by its distance; and the time of the first value."""
    distance = np.linalg.norm(impulse.setup.position_m - device_centre_m(impulse.setup), axis=1)
    shift = np.rint(distance / speed_of_sound(impulse.setup) * impulse.sampling_rate_hz).astype(int)
    count = impulse.impulse_response_pa.shape[1] - int(shift.max())
    if count < 2:
        raise ScanDataError(
            f"impulse_response_pa: {impulse.impulse_response_pa.shape[1]} samples at "
            f"{impulse.sampling_rate_hz:g} Hz end before the sound reaches the farthest point: record longer"
        )
    energy = np.zeros(count)
    for response, late in zip(impulse.impulse_response_pa, shift, strict=True):
        energy += response[late : late + count] ** 2
    if not energy.any():
        raise ScanDataError("impulse_response_pa holds silence: check the recording")
    return energy / impulse.points, impulse.time_zero_s


def _box_corners(setup: ScanSetup) -> Real:
    """Corners of the device's box (8, 3)."""
    sign = np.array(np.meshgrid([-1, 1], [-1, 1], [-1, 1])).reshape(3, -1).T
    return device_centre_m(setup) + sign * device_size_m(setup) / 2


def _window(setup: ScanSetup, end_s: Real, source: str, latency_s: float) -> Gate:
    """The window that ends at ``end_s`` (points,) after the drive. Raises ScanDataError when that is too early."""
    arrival = direct_s(setup, latency_s)
    length = float((end_s - arrival).min())
    if length <= 0:
        first = int(np.argmin(end_s - arrival))
        raise ScanDataError(
            f"the gate ({source}) ends {_ms(float(end_s[first]))} after the drive, but the direct sound reaches "
            f"point {setup.names[first]} only after {_ms(float(arrival[first]))}: end the gate later (room.gate_end_s)"
        )
    return Gate(end_s, TAPERED * length, length, source)


def _ms(seconds: float) -> str:
    return f"{1000 * seconds:.2f} ms"


def _metres(values: Real) -> str:
    return " x ".join(f"{value:g}" for value in values) + " m"
