"""What is scattered where waves are too short for a rigid cabinet: Bessel functions of SciPy as truth."""

from __future__ import annotations

import numpy as np
from scipy.special import spherical_jn, spherical_yn

from scanproc.conventions import mode_count
from scanproc.steps.model.box import Box
from scanproc.steps.model.room_waves import Scattering, room_sound
from scanproc.waves.directions import fibonacci_sphere

BOX = Box(np.zeros(3), np.array([0.4, 0.3, 0.5]))
K = 60.0


def test_the_level_is_that_of_a_rigid_sphere_of_the_same_volume() -> None:
    radius, distance = (3 * 0.06 / (4 * np.pi)) ** (1 / 3), 0.6
    n = np.arange(60)
    slopes = spherical_jn(n, K * radius, derivative=True), spherical_yn(n, K * radius, derivative=True)
    outgoing = spherical_jn(n, K * distance) - 1j * spherical_yn(n, K * distance)
    with np.errstate(invalid="ignore", over="ignore"):
        met = np.nan_to_num(slopes[0] / (slopes[0] - 1j * slopes[1]) * outgoing)
    wanted = float(np.sum((2 * n + 1) * np.abs(met) ** 2))
    sound = room_sound(BOX, K, distance * fibonacci_sphere(20), None, Scattering(0.6, 0.8))
    np.testing.assert_allclose(sound.variance() - 1, wanted, rtol=1e-3)
    np.testing.assert_allclose(np.diag(sound.covariance()).real, sound.variance(), rtol=1e-6)
    assert sound.scattered is not None
    assert mode_count(sound.scattered.order) > (K * radius) ** 2


def test_a_cabinet_that_is_known_not_to_scatter_leaves_the_waves_alone() -> None:
    sound = room_sound(BOX, K, 0.6 * fibonacci_sphere(20), None, Scattering(0.0, 0.0))
    np.testing.assert_allclose(sound.variance(), 1)
