"""Direction sets: exactness of quadrature, counts, and what each orbit means."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import sph_harm_y
from truth import rows

from scanproc.waves.directions import (
    equal_angle_grid,
    fibonacci_sphere,
    gauss_legendre_grid,
    horizontal_orbit,
    lebedev_grid,
    unit_vectors,
    vertical_orbit,
)

GRIDS = [
    *(pytest.param(gauss_legendre_grid, order, id=f"gauss {order}") for order in (0, 1, 7, 40)),
    *(pytest.param(lebedev_grid, degree, id=f"lebedev {degree}") for degree in (3, 33, 131)),
    *(pytest.param(equal_angle_grid, step, id=f"equal angle {step}") for step in (5, 10, 22.5)),
]


def gram(direction, weight, order):
    """Integrals of products of scipy's complex harmonics up to ``order``: the unit matrix if exact."""
    polar, azimuth = np.arccos(np.clip(direction[:, 2], -1, 1)), np.arctan2(direction[:, 1], direction[:, 0])
    basis = np.stack([sph_harm_y(n, m, polar, azimuth) for n in range(order + 1) for m in range(-n, n + 1)])
    return (basis * weight) @ basis.conj().T


@pytest.mark.parametrize(("grid", "size"), GRIDS)
def test_weights_sum_to_the_full_sphere(grid, size):
    direction, weight = grid(size)
    assert weight.sum() == pytest.approx(4 * np.pi, rel=1e-12)
    assert np.all(weight > 0)
    np.testing.assert_allclose(np.linalg.norm(direction, axis=1), 1, rtol=1e-13)


@pytest.mark.parametrize("order", [1, 4, 15])
def test_gauss_legendre_is_exact_for_products_of_harmonics(order):
    np.testing.assert_allclose(gram(*gauss_legendre_grid(order), order), np.eye((order + 1) ** 2), atol=1e-13)


def test_gauss_legendre_is_not_exact_one_order_above():
    assert np.abs(gram(*gauss_legendre_grid(4), 5) - np.eye(36)).max() > 0.1


@pytest.mark.parametrize("order", [1, 5, 15])
def test_lebedev_of_twice_the_order_is_exact_for_products(order):
    np.testing.assert_allclose(gram(*lebedev_grid(2 * order), order), np.eye((order + 1) ** 2), atol=1e-13)


@pytest.mark.parametrize("row", rows("grids", "counts"))
def test_point_counts_of_the_rules(row):
    order, gauss, lebedev = row[0], row[4], row[8]
    assert len(gauss_legendre_grid(order)[0]) == gauss
    assert len(lebedev_grid(2 * order)[0]) == lebedev


@pytest.mark.parametrize("row", rows("grids", "grid_counts"))
def test_equal_angle_counts(row):
    step, full, half, quarter = row
    direction, _ = equal_angle_grid(step)
    assert len(np.unique(direction.round(9) + 0.0, axis=0)) == len(direction) == full
    ahead, left = direction[:, 0] > -1e-9, direction[:, 1] > -1e-9
    assert np.count_nonzero(left) == half
    assert np.count_nonzero(left & ahead) == quarter


def test_equal_angle_weights_are_the_areas_of_cells():
    """Lagrange's zone: the area between two polar angles is 2π times the difference of their cosines."""
    direction, weight = equal_angle_grid(10)
    polar_deg = np.rad2deg(np.arccos(direction[:, 2]))
    ring = weight[np.isclose(polar_deg, 60)]
    assert len(ring) == 36
    assert ring.sum() == pytest.approx(
        2 * np.pi * (np.cos(np.deg2rad(55)) - np.cos(np.deg2rad(65))), rel=1e-12
    )


def test_orbits_turn_from_the_reference_axis_to_the_left_and_upwards():
    """Frame of scanproc.conventions: x out of the front, y left seen from behind, z up."""
    ahead, left, up = np.eye(3)
    angle_deg = [0, 90, 180, 270, -90]
    np.testing.assert_allclose(horizontal_orbit(angle_deg), [ahead, left, -ahead, -left, -left], atol=1e-15)
    np.testing.assert_allclose(vertical_orbit(angle_deg), [ahead, up, -ahead, -up, -up], atol=1e-15)
    half = np.sqrt(0.5)
    np.testing.assert_allclose(horizontal_orbit(45), [[half, half, 0]], atol=1e-15)
    np.testing.assert_allclose(vertical_orbit(45), [[half, 0, half]], atol=1e-15)


def test_polar_is_from_z_and_azimuth_from_x_towards_y():
    polar, azimuth = [0, np.pi / 2, np.pi / 2, np.pi, np.pi / 3], [0.7, 0, np.pi / 2, 0, np.pi]
    truth = [[0, 0, 1], [1, 0, 0], [0, 1, 0], [0, 0, -1], [-np.sqrt(3) / 2, 0, 0.5]]
    np.testing.assert_allclose(unit_vectors(polar, azimuth), truth, atol=1e-15)


def test_fibonacci_sphere_steps_by_the_golden_angle():
    """González 2010: equal steps in height, azimuth steps of the golden angle π(3 - √5), either way round."""
    direction = fibonacci_sphere(500)
    np.testing.assert_allclose(np.abs(np.diff(direction[:, 2])), 2 / 500, atol=1e-13)
    step = np.diff(np.unwrap(np.arctan2(direction[:, 1], direction[:, 0])))
    np.testing.assert_allclose(np.abs(step), np.pi * (3 - np.sqrt(5)), atol=1e-9)


def test_fibonacci_sphere_is_nearly_even():
    """Nearest neighbours keep at least three quarters of the spacing √(4π/n) of equal cells."""
    direction = fibonacci_sphere(800)
    cosine = direction @ direction.T
    np.fill_diagonal(cosine, -1)
    assert np.arccos(cosine.max(axis=1)).min() > 0.75 * np.sqrt(4 * np.pi / 800)


def test_what_no_rule_can_do():
    with pytest.raises(ValueError, match="131"):
        lebedev_grid(132)
    with pytest.raises(ValueError, match="180"):
        equal_angle_grid(7)
