"""Analysis on a Gauss-Legendre grid against scipy's complex harmonics."""

from __future__ import annotations

import numpy as np
from scipy.special import sph_harm_y

from scanproc.waves.directions import gauss_legendre_grid
from scanproc.waves.transform import analyse_grid


def test_single_harmonics_are_found() -> None:
    direction, _ = gauss_legendre_grid(12)
    polar, azimuth = np.arccos(direction[:, 2]), np.arctan2(direction[:, 1], direction[:, 0])
    for n, m in ((0, 0), (3, 0), (5, 2), (12, 12), (7, 1)):
        found = analyse_grid(sph_harm_y(n, m, polar, azimuth), 12)
        want = np.zeros(169, dtype=complex)
        index = n * n + n
        sign = (-1.0) ** m
        if m == 0:
            want[index] = 1
        else:
            want[index + m], want[index - m] = sign / np.sqrt(2), 1j * sign / np.sqrt(2)
        np.testing.assert_allclose(found, want, atol=1e-12)
