"""Real orthonormal spherical harmonics."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Real, mode_count


def real_harmonics(order: int, direction: Real) -> Real:
    """Real orthonormal spherical harmonics up to degree ``order`` at unit vectors.

    Y_nm = √((2n+1)/(2π) · (n-|m|)!/(n+|m|)!) · P_n^|m|(cos θ) · {cos mφ, 1/√2, sin |m|φ} for m > 0, = 0, < 0,
    without the Condon-Shortley sign (DLMF 14.30.1 in its real form).

    ``direction`` (points, 3) unit vectors. Returns (points, modes), mode n² + n + m, in Fortran order so that
    the leading columns of any lower order are contiguous. The Legendre functions are built fully normalised,
    degree by degree (Holmes and Featherstone 2002, eq. 11), which is stable beyond degree 1000.
    """
    x, y, z = np.asarray(direction, dtype=np.float64).T
    points = len(z)
    values = np.empty((mode_count(order), points))
    # q holds the Legendre functions of the last two degrees divided by sin^m θ; (x, y)^m carries sin^m θ.
    cosine, sine = _azimuth_powers(order, x, y)
    before = np.zeros((order + 1, points))
    current = np.zeros((order + 1, points))
    diagonal = np.sqrt(1 / (4 * np.pi))
    for n in range(order + 1):
        if n == 0:
            following = np.zeros((order + 1, points))
            following[0] = diagonal
        else:
            m = np.arange(n, dtype=np.float64)[:, None]
            alpha = np.sqrt((4.0 * n * n - 1) / (n * n - m * m))
            beta = np.sqrt(
                ((2.0 * n + 1) * ((n - 1.0) ** 2 - m * m).clip(0)) / (max(2 * n - 3, 1) * (n * n - m * m))
            )
            following = before
            following[:n] = alpha * (z * current[:n]) - beta * before[:n]
            diagonal *= np.sqrt((2 * n + 1) / (2 * n))
            following[n] = diagonal
        before, current = current, following
        start = n * n + n
        values[start] = current[0]
        if n:
            np.multiply(current[1 : n + 1], cosine[1 : n + 1], out=values[start + 1 : start + n + 1])
            np.multiply(current[n:0:-1], sine[n:0:-1], out=values[start - n : start])
    return values.T


def _azimuth_powers(order: int, x: Real, y: Real) -> tuple[Real, Real]:
    """√2 sin^m θ cos mφ and √2 sin^m θ sin mφ for m = 0..order, each (order + 1, points)."""
    power = np.empty((order + 1, len(x)), dtype=np.complex128)
    power[0] = np.sqrt(2)
    step = x + 1j * y
    for m in range(1, order + 1):
        power[m] = power[m - 1] * step
    return power.real.copy(), power.imag.copy()
