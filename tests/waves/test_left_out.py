"""Errors at points that took no part in a fit, against fits repeated without them."""

from __future__ import annotations

import numpy as np
import pytest

from scanproc.waves.least_squares import nested_fit
from scanproc.waves.left_out import errors_elsewhere, errors_with_neighbours, solved_rows

ENDS = (1, 4, 9)
POINTS = 40


def made(kind):
    rng = np.random.default_rng(3)
    basis = rng.normal(size=(POINTS, ENDS[-1]))
    if kind == "complex":
        basis = basis + 1j * rng.normal(size=basis.shape)
    data = rng.normal(size=(POINTS, 3)) + 1j * rng.normal(size=(POINTS, 3))
    return basis, data


def refitted(basis, data, out, end):
    """Errors at the points ``out`` of numpy's least squares on the others."""
    kept = np.setdiff1d(np.arange(POINTS), out)
    solution = np.linalg.lstsq(basis[kept, :end], data[kept], rcond=None)[0]
    return data[out] - basis[out, :end] @ solution


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_errors_elsewhere_are_those_of_a_fit_to_the_rest(kind):
    basis, data = made(kind)
    fit = nested_fit(basis[:25], data[:25], ENDS)
    columns = np.array([0, 2])
    found = errors_elsewhere(fit, columns, solved_rows(fit, basis[25:]), data[25:, columns])
    for row, end in zip(found.power, ENDS, strict=True):
        error = refitted(basis, data, np.arange(25, POINTS), end)[:, columns]
        assert row == pytest.approx(np.sum(np.abs(error) ** 2, axis=0), rel=1e-10)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_a_point_left_out_with_its_neighbours_is_a_fit_without_them(kind):
    basis, data = made(kind)
    fit = nested_fit(basis, data, ENDS)
    group = np.array([[5, 6, 30], [11, 2, 11], [20, 20, 20]])  # two, one and no neighbours
    found = errors_with_neighbours(fit, np.arange(3), solved_rows(fit, basis), data, group)
    for row, end in zip(found.power, ENDS, strict=True):
        error = [refitted(basis, data, np.unique(one), end)[np.unique(one) == one[0]][0] for one in group]
        assert row == pytest.approx(np.sum(np.abs(error) ** 2, axis=0), rel=1e-10)


@pytest.mark.parametrize("kind", ["real", "complex"])
def test_white_noise_is_measured_at_its_own_size(kind):
    """Data of noise alone: both ways of leaving out give its variance, 2, within four standard errors of the mean."""
    basis, _ = made(kind)
    rng = np.random.default_rng(4)
    data = rng.normal(size=(POINTS, 4000)) + 1j * rng.normal(size=(POINTS, 4000))
    columns = np.arange(data.shape[1])
    half = nested_fit(basis[:25], data[:25], ENDS)
    whole = nested_fit(basis, data, ENDS)
    group = np.array([[5, 6, 30], [11, 2, 11], [20, 20, 20], [35, 1, 3]])
    for found in (
        errors_elsewhere(half, columns, solved_rows(half, basis[25:]), data[25:]),
        errors_with_neighbours(whole, columns, solved_rows(whole, basis), data, group),
    ):
        for row in found.noise_power:
            assert abs(row.mean() - 2) < 4 * row.std() / np.sqrt(len(row))
