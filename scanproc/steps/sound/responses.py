"""Complex spectra on a uniform grid to impulse responses, so that they can be gated."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.measured.scan import ImpulseScan, Scan
from scanproc.steps.field.view import device_centre_m, speed_of_sound

UNEVEN = 1e-4
"""Largest deviation from even steps, in steps."""
BEYOND_TOP = 0.15
"""Share of the highest frequency over which the spectrum is continued and let fall to zero."""
BEFORE_DRIVE = 0.1
"""Share of the period kept for what rings ahead of the drive (a band that ends rings both ways)."""


def responses(scan: Scan) -> ImpulseScan:
    """Impulse responses whose spectra are the scan's, at its own frequencies.

    The frequencies must be multiples of one step, without gaps from the lowest to the highest. Bins below the lowest
    fall towards zero frequency with its square (a closed box), bins above the highest are continued with the phase
    of the direct sound and fall over ``BEYOND_TOP`` of the highest, so that neither edge of the band rings long.
    Raises ScanDataError for any other grid.
    """
    step = _step(scan.frequency_hz)
    first = round(scan.frequency_hz[0] / step)
    beyond = int(np.ceil(BEYOND_TOP * scan.frequency_hz[-1] / step))
    bins = np.arange(first + len(scan.frequency_hz) + beyond)
    spectrum = _continued(scan, first, bins * step)
    before = BEFORE_DRIVE / step
    spectrum *= np.exp(-2j * np.pi * step * bins * before)
    samples = 2 * len(bins)
    response = np.fft.irfft(np.pad(spectrum, ((0, 0), (0, 1))), samples, axis=1)
    return ImpulseScan(scan.setup, response, samples * step, -before)


def evenly_spaced(frequency_hz: Real) -> bool:
    """Whether spectra at these frequencies can become impulse responses."""
    try:
        _step(frequency_hz)
    except ScanDataError:
        return False
    return True


def _step(frequency_hz: Real) -> float:
    """The step of a uniform grid. Raises ScanDataError for any other."""
    remedy = (
        "gating needs frequencies at even steps from near zero: export linear spacing or impulse responses"
    )
    if len(frequency_hz) < 16:
        raise ScanDataError(f"frequency_hz holds {len(frequency_hz)} frequencies, too few to gate: {remedy}")
    step = float(frequency_hz[-1] - frequency_hz[0]) / (len(frequency_hz) - 1)
    even = frequency_hz[0] + step * np.arange(len(frequency_hz))
    start = frequency_hz[0] / step
    if np.abs(frequency_hz - even).max() > UNEVEN * step or abs(start - round(start)) > 0.01:
        raise ScanDataError(f"frequency_hz is not evenly spaced (or not in multiples of its step): {remedy}")
    return float(frequency_hz[-1]) / (round(start) + len(frequency_hz) - 1)


def _continued(scan: Scan, first: int, frequency: Real) -> Complex:
    """The spectra with both ends continued, (points, bins)."""
    centre, speed = device_centre_m(scan.setup), speed_of_sound(scan.setup)
    travel = np.linalg.norm(scan.setup.position_m - centre, axis=1)[:, None] / speed
    last = first + len(scan.frequency_hz) - 1
    spectrum = np.zeros((scan.points, len(frequency)), np.complex128)
    spectrum[:, first : last + 1] = scan.pressure_pa
    low, high = frequency[:first], frequency[last + 1 :]
    turn = np.exp(-2j * np.pi * travel * (low - frequency[first]))
    spectrum[:, :first] = scan.pressure_pa[:, :1] * turn * (low / frequency[first]) ** 2
    turn = np.exp(-2j * np.pi * travel * (high - frequency[last]))
    fall = np.cos(np.pi / 2 * np.arange(1, len(high) + 1) / (len(high) + 1)) ** 2
    spectrum[:, last + 1 :] = scan.pressure_pa[:, -1:] * turn * fall
    return spectrum
