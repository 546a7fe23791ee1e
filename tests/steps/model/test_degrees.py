"""All degrees about the middle without columns: against sums over modes by SciPy's harmonics and Bessel functions."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import sph_harm_y_all, spherical_jn, spherical_yn

from scanproc.steps.model.box import Box
from scanproc.steps.model.degrees import Degrees, all_degrees
from scanproc.waves.directions import fibonacci_sphere

BOX = Box(np.array([0.02, 0.0, 0.05]), np.array([0.3, 0.2, 0.4]))
DRUM = BOX.centre_m + fibonacci_sphere(60) * np.linspace(0.4, 0.55, 60)[:, None]
SHELL = BOX.centre_m + 0.42 * fibonacci_sphere(50)


def modes(degrees: Degrees, position_m: np.ndarray) -> np.ndarray:
    """h_n^(2)(kr)/|h_n(kr_s)| Y_nm with SciPy's complex harmonics, (points, modes), degree by degree."""
    offset = position_m - degrees.place_m
    radius = np.linalg.norm(offset, axis=1)
    every = sph_harm_y_all(
        degrees.order, degrees.order, np.arccos(offset[:, 2] / radius), np.arctan2(offset[:, 1], offset[:, 0])
    )
    columns = []
    for n in range(degrees.order + 1):
        outgoing, scale = (
            spherical_jn(n, degrees.wavenumber * r) - 1j * spherical_yn(n, degrees.wavenumber * r)
            for r in (radius, degrees.scaling_m)
        )
        columns += [every[n, m] * outgoing / abs(scale) for m in range(-n, n + 1)]
    return np.array(columns).T


@pytest.mark.parametrize("scanned", [DRUM, SHELL], ids=["drum", "shell"])
def test_the_covariance_is_that_of_all_modes(scanned: np.ndarray) -> None:
    degrees = all_degrees(BOX, 14.0, scanned)
    weight = np.linspace(1.0, 0.2, len(degrees.names))
    columns = modes(degrees, scanned)
    variance = np.repeat(degrees.by_degree(weight), 2 * np.arange(degrees.order + 1) + 1)
    want = (columns * variance) @ columns.conj().T
    np.testing.assert_allclose(
        degrees.covariance(weight, scanned, scanned), want, atol=1e-10 * np.abs(want).max()
    )
    together = sum(w * kernel for w, kernel in zip(weight, degrees.kernels(scanned), strict=True))
    np.testing.assert_allclose(together, want, atol=1e-10 * np.abs(want).max())
    np.testing.assert_allclose(degrees.variance_at(weight, scanned), np.diag(want).real, rtol=1e-10)


def test_each_group_has_a_mean_square_of_one_at_the_points() -> None:
    for kernel in all_degrees(BOX, 14.0, DRUM).kernels(DRUM):
        assert np.mean(np.diag(kernel).real) == pytest.approx(1.0)


def test_the_far_field_is_the_limit_of_the_pressure() -> None:
    """Covariance with the pressure 2 km away, times r e^{jkr}; terms below degree 6, whose limit lies near."""
    degrees = all_degrees(BOX, 6.0, DRUM)
    weight = np.zeros(len(degrees.names))
    weight[0] = 1.0
    direction, far_m = fibonacci_sphere(20), 2e3
    near = degrees.covariance(weight, degrees.place_m + far_m * direction, DRUM)
    want = near * far_m * np.exp(1j * degrees.wavenumber * far_m)
    found = degrees.far_covariance(weight, direction, DRUM)
    np.testing.assert_allclose(found, want, atol=0.01 * np.abs(want).max())


def test_there_is_no_highest_order() -> None:
    """k times the reach is 110 here: columns for all modes would be 13,000."""
    degrees = all_degrees(BOX, 400.0, SHELL)
    assert degrees.order > 110
    kernel = degrees.covariance(degrees.usual, SHELL, SHELL)
    assert np.all(np.linalg.eigvalsh(kernel) > -1e-12)


def test_a_device_larger_than_stated_is_not_impossible() -> None:
    half = Box(BOX.centre_m, BOX.size_m / 2)
    assert all_degrees(half, 20.0, SHELL).order >= 20.0 * BOX.reach_m(BOX.centre_m)
