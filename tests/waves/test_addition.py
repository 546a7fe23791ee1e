"""Sums over all degrees against sums over all modes, one column each."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.conventions import mode_degrees
from scanproc.waves.addition import legendre_kernel
from scanproc.waves.directions import fibonacci_sphere
from scanproc.waves.harmonics import real_harmonics

ORDER, POINTS = 40, 600


@pytest.mark.parametrize("radii", [(1.0,), (1.0, 1.2), None], ids=["a shell", "two shells", "any surface"])
def test_a_kernel_is_the_sum_of_all_modes(radii):
    """DLMF 14.30.9. On shells of many points a table serves, elsewhere the recurrence."""
    rng = np.random.default_rng(0)
    unit = fibonacci_sphere(POINTS)
    radius = rng.uniform(1, 1.3, POINTS) if radii is None else np.resize(radii, POINTS)
    degree = np.arange(ORDER + 1)[:, None]
    radial = np.exp(-0.1 * degree + 1j * degree * radius) / radius ** (degree + 1)
    columns = real_harmonics(ORDER, unit) * radial[mode_degrees(ORDER)].T
    want = columns @ columns.conj().T
    share = (2 * degree + 1) / (4 * np.pi)
    found = legendre_kernel(unit, share * radial, unit, radial)
    np.testing.assert_allclose(found, want, atol=1e-9 * np.abs(want).max())
