"""Scans whose air changed while they ran, as if it had kept its mean speed of sound.

What reaches a point depends on frequency over speed of sound, ω/c, apart from the device's own response. So a point
taken at c_i holds at the frequency f·c_i/c what the mean air would have held at f: walls, box and distances all follow.
What remains is the change of the device's response between these two frequencies, a few parts in a thousand apart.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline

from scanproc.conventions import Complex, Real
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from scanproc.steps.field.view import device_centre_m, relative_wavenumber, speed_of_sound, temperature
from scanproc.steps.sound.spectra import spectra

GROUP = 3e-5
"""Points whose speeds differ by less than this share one table of sines; the rest is a first-order step."""
DENSE = 0.3
"""Largest step of frequency, in cycles over the device's extent, between which spectra can be interpolated."""


def varies(setup: ScanSetup) -> bool:
    """Whether the points have different speeds of sound."""
    relative = relative_wavenumber(setup)
    return bool(np.any(np.abs(relative - 1) > 1e-9))


def stretched_spectra(impulse: ImpulseScan, frequency: Real, stretch: Real, start_s: float) -> Complex:
    """Each point transformed at the frequencies (F,) times its ``stretch`` (points,), about ``start_s``.

    ``start_s`` is when the device begins to sound: what came before (converters, processing) does not stretch with
    the air. Returns (points, F) in Pa.
    """
    if np.all(np.abs(stretch - 1) < 1e-9):
        return spectra(impulse, frequency).pressure_pa
    aligned = replace(impulse, time_zero_s=impulse.time_zero_s - start_s)
    spectra(_some(aligned, np.array([0])), frequency * stretch.max())
    pressure = np.empty((impulse.points, len(frequency)), np.complex128)
    number = np.rint((stretch - stretch.min()) / GROUP).astype(np.int64)
    for one in np.unique(number):
        here = np.flatnonzero(number == one)
        pressure[here] = _stretched(_some(aligned, here), frequency, stretch[here])
    pressure *= np.exp(-2j * np.pi * frequency * start_s)
    return pressure


def in_mean_air(scan: Scan, centre_m: ArrayLike | None = None) -> Scan:
    """The spectra that the points would have at the scan's mean speed of sound.

    ``centre_m`` (3,) where the sound comes from, by default the middle of the device: the phase of the way from
    there is set right. Where the frequencies lie close enough, the rest is read off between them.
    """
    if not varies(scan.setup):
        return scan
    centre = device_centre_m(scan.setup) if centre_m is None else np.asarray(centre_m, float)
    travel = np.linalg.norm(scan.setup.position_m - centre, axis=1)[:, None] / speed_of_sound(scan.setup)
    relative = relative_wavenumber(scan.setup)[:, None]
    slow = scan.pressure_pa * np.exp(2j * np.pi * scan.frequency_hz * travel * relative)
    if _is_dense(scan):
        slow = _between(scan.frequency_hz, slow, 1 / relative)
    pressure = slow * np.exp(-2j * np.pi * scan.frequency_hz * travel)
    return replace(scan, setup=mean_air(scan.setup), pressure_pa=pressure)


def mean_air(setup: ScanSetup) -> ScanSetup:
    """The setup with one speed of sound for all points."""
    return replace(
        setup,
        speed_of_sound_m_s=speed_of_sound(setup),
        temperature_c=temperature(setup),
        point_temperature_c=None,
    )


def _some(impulse: ImpulseScan, which: ArrayLike) -> ImpulseScan:
    here = np.asarray(which, dtype=np.int64)
    return replace(
        impulse, setup=impulse.setup.take(here), impulse_response_pa=impulse.impulse_response_pa[here]
    )


def _stretched(group: ImpulseScan, frequency: Real, stretch: Real) -> Complex:
    """Spectra of a few points at f times each point's ``stretch`` (points,), from those at the mean stretch."""
    mean = float(stretch.mean())
    at = spectra(group, frequency * mean).pressure_pa
    samples = group.impulse_response_pa.shape[1]
    time = group.time_zero_s + np.arange(samples) / group.sampling_rate_hz
    moment = replace(group, impulse_response_pa=group.impulse_response_pa * time)
    slope = -2j * np.pi * spectra(moment, frequency * mean).pressure_pa
    shifted: Complex = at + slope * (frequency * (stretch - mean)[:, None])
    return shifted


def _is_dense(scan: Scan) -> bool:
    """Whether the sound's delay within the device turns little from one frequency to the next."""
    if len(scan.frequency_hz) < 8:
        return False
    size = scan.setup.device_size_m
    extent = np.linalg.norm(np.ptp(scan.setup.position_m, axis=0) / 2 if size is None else size)
    step = float(np.diff(scan.frequency_hz).max())
    return bool(step * extent / speed_of_sound(scan.setup) < DENSE)


def _between(frequency: Real, values: Complex, stretch: Real) -> Complex:
    """Each row at the frequencies times its ``stretch`` (points, 1)."""
    rows = [CubicSpline(frequency, row)(frequency * by[0]) for row, by in zip(values, stretch, strict=True)]
    return np.array(rows, np.complex128)
