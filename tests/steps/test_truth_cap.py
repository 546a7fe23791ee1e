"""A polar cap on a rigid sphere: near field in, far field out, against published series.

Morse, Vibration and Sound, sec. 28; Williams, Fourier Acoustics, ch. 6. The cap looks along +x; radius 0.1 m.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import lebedev_rule
from scipy.special import eval_legendre, spherical_jn, spherical_yn
from truth import rows

from scanproc.errors import ScanDataError
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field, pressure_at, radiated_power_w
from scanproc.steps.fit.expand import fit
from scanproc.waves.directions import equal_angle_grid, fibonacci_sphere, horizontal_orbit, vertical_orbit

SPEED = 343.2
RADIUS_M = 0.1
DEGREE = np.arange(121)[:, None]
CAP30 = rows("cap_fields", "cap30")
END_TO_END = rows("cap_end_to_end", "x_end_to_end")
DIRECTIONS = fibonacci_sphere(300)
POINTS, WEIGHTS = lebedev_rule(65)[0].T, lebedev_rule(65)[1]


def hankel(x, derivative=False):
    """h_n^(2) for the degrees of DEGREE."""
    return spherical_jn(DEGREE, x, derivative) - 1j * spherical_yn(DEGREE, x, derivative)


def surface_velocity():
    """U_n of a cap of 30 deg, uniform radial velocity 1."""
    legendre = eval_legendre(np.arange(122), np.cos(np.pi / 6))
    return (np.append(1, legendre[:-2]) - legendre[1:])[:, None] / 2


def near_field(ka, position):
    """p/(ρcU) = -j Σ U_n h_n(kr)/h_n'(ka) P_n(cos θ) at positions (points, 3)."""
    r = np.linalg.norm(position, axis=1)
    terms = surface_velocity() * hankel(ka / RADIUS_M * r) / hankel(ka, derivative=True)
    return -1j * np.sum(terms * eval_legendre(DEGREE, position[:, 0] / r), axis=0)


def far_series(ka, direction):
    """kr·e^{jkr}·p/(ρcU) = Σ j^n U_n/h_n'(ka) P_n(cos θ) at unit vectors."""
    terms = 1j**DEGREE * surface_velocity() / hankel(ka, derivative=True)
    return np.sum(terms * eval_legendre(DEGREE, direction[:, 0]), axis=0)


def cap_scan(ka, position):
    frequency = np.asarray(ka, float) * SPEED / (2 * np.pi * RADIUS_M)
    pressure = np.stack([near_field(value, position) for value in ka], axis=1)
    return Scan(ScanSetup(position, speed_of_sound_m_s=SPEED), frequency, pressure)


def drum():
    """1500 points on a closed cylinder of 0.17 m radius and 0.17 m half height, each with its own radius."""
    draw = np.random.default_rng(5)
    angle, height = draw.uniform(0, 2 * np.pi, 1500), draw.uniform(-0.17, 0.17, 1500)
    across = np.full(1500, 0.17)
    ends = slice(0, 500)
    across[ends] = 0.17 * np.sqrt(draw.uniform(0, 1, 500))
    height[ends] = 0.17 * np.sign(height[ends])
    return np.stack([across * np.cos(angle), across * np.sin(angle), height], axis=1)


@pytest.mark.parametrize("row", rows("cap_fields", "cap_near"))
def test_the_series_used_here_is_the_published_one(row):
    ka, ratio, theta_deg, real, imag = row
    position = float(ratio) * RADIUS_M * horizontal_orbit(theta_deg)
    assert abs(near_field(ka, position)[0] - complex(real, imag)) < 1e-12


@pytest.fixture(scope="module")
def expansion():
    """Every ka of the table from one shell of 2354 points at 1.5 radii; scanproc finds the order up to 40."""
    return fit(
        cap_scan([row[0] for row in CAP30], 1.5 * RADIUS_M * lebedev_rule(83)[0].T),
        max_order=40,
        centre_m=(0.0, 0.0, 0.0),
        estimator="truncated",
    )


@pytest.mark.parametrize("orbit", [horizontal_orbit, vertical_orbit])
@pytest.mark.parametrize("index", range(len(CAP30)))
def test_published_directivity(expansion, index, orbit):
    pressure = far_field(expansion, orbit(np.arange(0, 181, 30)))[:, index]
    level = 20 * np.log10(np.abs(pressure / pressure[0]))
    np.testing.assert_allclose(level, CAP30[index][1:8], atol=0.01)


@pytest.mark.parametrize("index", range(len(CAP30)))
def test_published_directivity_index(expansion, index):
    """10 lg of the squared pressure on the axis over its mean on the sphere; the mean from the radiated power."""
    axis = np.abs(far_field(expansion, [[1.0, 0, 0]])[0, index]) ** 2
    mean = radiated_power_w(expansion)[index] * expansion.air_density_kg_m3 * SPEED / (4 * np.pi)
    assert 10 * np.log10(axis / mean) == pytest.approx(CAP30[index][8], abs=0.01)


def complex_far_truth(ka):
    chosen = [row for row in rows("cap_fields", "cap_farcomplex") if row[0] == ka]
    return [row[1] for row in chosen], np.array([complex(row[2], row[3]) for row in chosen])


@pytest.mark.parametrize("ka", [2, 5, 10])
def test_published_complex_far_field_from_one_shell(expansion, ka):
    index = [row[0] for row in CAP30].index(ka)
    angle_deg, truth = complex_far_truth(ka)
    found = far_field(expansion, horizontal_orbit(angle_deg))[:, index] * expansion.wavenumber_rad_m[index]
    np.testing.assert_allclose(found, truth, rtol=0, atol=1e-6 * np.abs(truth).max())


def test_published_complex_far_field_from_a_drum():
    found_at = fit(
        cap_scan([2, 5, 10], drum()), max_order=26, centre_m=(0.0, 0.0, 0.0), estimator="truncated"
    )
    for index, ka in enumerate([2, 5, 10]):
        angle_deg, truth = complex_far_truth(ka)
        found = far_field(found_at, vertical_orbit(angle_deg))[:, index] * ka / RADIUS_M
        np.testing.assert_allclose(found, truth, rtol=0, atol=1e-6 * np.abs(truth).max())


def test_pressure_between_scan_and_far_field(expansion):
    position = np.random.default_rng(6).normal(size=(30, 3))
    position *= np.linspace(0.16, 3, 30)[:, None] / np.linalg.norm(position, axis=1)[:, None]
    found = pressure_at(expansion, position)
    for index, row in enumerate(CAP30[:4]):
        truth = near_field(row[0], position)
        assert np.linalg.norm(found[:, index] - truth) < 1e-6 * np.linalg.norm(truth)


SYMMETRIC = {"equal angle 10 deg": lambda: equal_angle_grid(10)[0], "Lebedev 65": lambda: POINTS}


@pytest.mark.parametrize("noise_db", [None, -50])
@pytest.mark.parametrize("grid", SYMMETRIC)
def test_grids_that_cannot_see_every_harmonic(grid, noise_db):
    """On a 10 deg grid sin 18φ is zero at every point, on a Lebedev rule some harmonics above half its degree are:
    left unlimited, the order must stop where the points still tell the harmonics apart. Judged between the points."""
    ka = [1, 5, 10]
    scan = cap_scan(ka, 1.5 * RADIUS_M * SYMMETRIC[grid]())
    if noise_db is not None:
        draw = np.random.default_rng(8).standard_normal((*scan.pressure_pa.shape, 2)) @ [1, 1j] / np.sqrt(2)
        rms = np.sqrt(np.mean(np.abs(scan.pressure_pa) ** 2, axis=0))
        scan = replace(scan, pressure_pa=scan.pressure_pa + draw * rms * 10 ** (noise_db / 20))
    found = fit(scan, centre_m=(0.0, 0.0, 0.0), estimator="truncated")
    field = far_field(found, DIRECTIONS) * np.array(ka) / RADIUS_M
    for index, value in enumerate(ka):
        truth = far_series(value, DIRECTIONS)
        error_db = 20 * np.log10(np.linalg.norm(field[:, index] - truth) / np.linalg.norm(truth))
        assert error_db < -50, f"ka {value}: {error_db:.1f} dB, order {found.order[index]}"
        assert found.far_field_error_db[index] < -40


def test_an_order_the_grid_cannot_see_is_refused():
    """614 points carry order 18 by number, but not on a 10 deg grid: the message must name the order."""
    scan = cap_scan([5], 1.5 * RADIUS_M * equal_angle_grid(10)[0])
    with pytest.raises(ScanDataError, match="order 18"):
        fit(scan, order=18)


@pytest.mark.parametrize("row", END_TO_END)
def test_error_against_order(row):
    """Fit residual and far-field error of every order to 0.1 dB, from -100 dB up."""
    ka, ratio, order, residual_db, far_db = row
    position = ratio * RADIUS_M * POINTS
    scan = cap_scan([ka], position)
    found = fit(scan, order=order)
    assert list(found.order) == [order]
    if residual_db > -100:
        error = pressure_at(found, position) - scan.pressure_pa
        assert rms_db(error, scan.pressure_pa) == pytest.approx(residual_db, abs=0.1)
    if far_db > -100:
        truth = far_series(ka, POINTS)[:, None]
        error = far_field(found, POINTS) * ka / RADIUS_M - truth
        assert rms_db(error, truth) == pytest.approx(far_db, abs=0.1)


def rms_db(error, truth):
    """Ratio of rms values over the sphere, dB."""
    return 10 * np.log10(
        np.sum(WEIGHTS[:, None] * np.abs(error) ** 2) / np.sum(WEIGHTS[:, None] * np.abs(truth) ** 2)
    )
