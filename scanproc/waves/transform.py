"""Spherical-harmonic analysis of values on a Gauss-Legendre grid."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Complex, mode_count
from scanproc.waves.directions import unit_vectors
from scanproc.waves.harmonics import real_harmonics


def analyse_grid(values: Complex, order: int) -> Complex:
    """Real-harmonic coefficients (modes,) of values at the directions of ``gauss_legendre_grid(order)``.

    Exact for functions of degree up to ``order`` (Driscoll and Healy 1994 in its Gauss form): a Fourier transform on
    each ring, then a weighted sum over rings.
    """
    cosine, weight = np.polynomial.legendre.leggauss(order + 1)
    azimuths = 2 * order + 2
    rings = values.reshape(order + 1, azimuths)
    spectrum = np.fft.fft(rings, axis=1) * (weight * np.pi / (order + 1))[:, None]
    meridian = real_harmonics(order, unit_vectors(np.arccos(cosine), 0.0))
    coefficients = np.empty(mode_count(order), dtype=np.complex128)
    for m in range(order + 1):
        degree = np.arange(m, order + 1)
        index = degree * degree + degree
        legendre = meridian[:, index + m].T
        even = 0.5 * (spectrum[:, m] + spectrum[:, -m % azimuths])
        coefficients[index + m] = legendre @ even
        if m:
            odd = 0.5j * (spectrum[:, m] - spectrum[:, -m % azimuths])
            coefficients[index - m] = legendre @ odd
    return coefficients
