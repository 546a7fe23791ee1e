"""The conventions of every module: units, frame, angles, time, harmonics, levels.

=========== ==========================================================================================
units       SI: m, s, Hz, Pa, V, rad; degrees only in names ending ``_deg``, dB in names ending ``_db``
frame       right-handed; x = reference axis, out of the front; y = left seen from behind; z = up
angles      ``polar`` from +z (0..π), ``azimuth`` from +x towards +y
orbits      horizontal: from +x towards +y; vertical: from +x towards +z; 0 deg = reference axis
time        e^{+jωt}: a delay τ is e^{-jωτ}, an outgoing wave e^{-jkr}/r, h_n = h_n^(2) = j_n - j·y_n
harmonics   real, orthonormal on the unit sphere, no Condon-Shortley sign: m>0 cos(mφ), m<0 sin(|m|φ)
mode order  degree by degree, index n² + n + m; leading (N+1)² columns = the expansion of order N
pressure    complex rms phasors, at the drive voltage of the scan
level       dB re 20 µPa at 1 m, scaled to 2.83 V; far-field pressure is p·r·e^{+jkr}, in Pa·m
last axis   frequency: pressure (points, F), coefficients (modes, F), directions (angles, F)
=========== ==========================================================================================
"""

from __future__ import annotations

from math import isqrt
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

REFERENCE_PRESSURE_PA = 20e-6
REFERENCE_VOLTAGE_V = 2.83

Real: TypeAlias = NDArray[np.float64]
Complex: TypeAlias = NDArray[np.complex128]
Single: TypeAlias = NDArray[np.float32] | NDArray[np.complex64]
Integer: TypeAlias = NDArray[np.int64]
Boolean: TypeAlias = NDArray[np.bool_]
Words: TypeAlias = NDArray[np.str_]


def mode_count(order: int) -> int:
    """Number of harmonics up to and including degree ``order``: (order + 1)²."""
    return (order + 1) ** 2


def order_of(modes: int) -> int:
    """The order up to which so many harmonics reach: the inverse of :func:`mode_count`."""
    return isqrt(modes) - 1


def mode_degrees(order: int) -> Integer:
    """Degree n of each mode, (modes,), in mode order."""
    degree = np.arange(order + 1)
    return np.repeat(degree, 2 * degree + 1)


def level_db(pressure_pa_m: Complex, drive_voltage_v: float = REFERENCE_VOLTAGE_V) -> Real:
    """Level in dB re 20 µPa at 1 m, scaled to 2.83 V, of far-field pressures in Pa·m.

    >>> level = sp.level_db(np.array([1.0]), 2.83)
    >>> round(float(level[0]), 2)
    93.98
    """
    amplitude = np.abs(pressure_pa_m) * (REFERENCE_VOLTAGE_V / drive_voltage_v)
    with np.errstate(divide="ignore"):
        level: Real = 20 * np.log10(amplitude / REFERENCE_PRESSURE_PA)
    return level
