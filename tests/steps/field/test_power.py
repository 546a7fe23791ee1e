"""Radiated power from coefficients against integrals over spheres and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from scanproc.records.fitted.expansion import Expansion
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field, pressure_at, radiated_power_w
from scanproc.steps.fit.expand import fit
from scanproc.waves.directions import fibonacci_sphere

SPEED = 343.2
DENSITY = 1.204
FREQUENCY = np.array([80.0, 600.0, 2400.0])
WAVENUMBER = 2 * np.pi * FREQUENCY / SPEED


def sphere_rule(rings):
    """Product rule of Gauss and trapezium, built here: directions and weights summing to 4π."""
    cosine, weight = np.polynomial.legendre.leggauss(rings)
    azimuth = np.arange(2 * rings) * np.pi / rings
    sine = np.sqrt(1 - cosine**2)
    z = np.repeat(cosine, 2 * rings)
    direction = np.stack(
        [np.outer(sine, np.cos(azimuth)).ravel(), np.outer(sine, np.sin(azimuth)).ravel(), z], axis=1
    )
    return direction, np.repeat(weight * np.pi / rings, 2 * rings)


@pytest.fixture(scope="module")
def random_expansion():
    """Orders 2, 4 and 7 about a centre of each frequency's own."""
    order = np.array([2, 4, 7])
    draw = np.random.default_rng(1).standard_normal((64, 3, 2)) @ [1, 1j]
    draw[np.arange(64)[:, None] >= (order + 1) ** 2] = 0
    return Expansion(
        frequency_hz=FREQUENCY,
        order=order,
        centre_m=[[0, 0, 0], [0.05, 0, -0.02], [-0.1, 0.03, 0.08]],
        scaling_radius_m=[0.3, 0.31, 0.35],
        wavenumber_rad_m=WAVENUMBER,
        coefficients_pa=draw,
        held_out_db=np.full((8, 3), np.nan),
        far_field_error_db=np.zeros(3),
        coefficient_variance_pa2=np.zeros((8, 3)),
        variance_pattern=np.ones((1, 3)),
        estimator=np.zeros(3, dtype=int),
        points=100,
        air_density_kg_m3=DENSITY,
    )


def test_power_is_the_integral_of_the_far_field(random_expansion):
    """P = ∮ |p r|²/(ρc) dΩ, rms phasors."""
    direction, weight = sphere_rule(60)
    truth = weight @ np.abs(far_field(random_expansion, direction)) ** 2 / (DENSITY * SPEED)
    np.testing.assert_allclose(radiated_power_w(random_expansion), truth, rtol=1e-10)


def test_power_is_the_flux_of_intensity_through_a_near_sphere(random_expansion):
    """P = ∮ Re(p v*) dS with v = j/(ωρ) ∂p/∂r (Euler, e^{+jωt}); the derivative by a fourth-order difference."""
    direction, weight = sphere_rule(60)
    radius, step = 0.5, 1e-3
    at = {s: pressure_at(random_expansion, (radius + s * step) * direction) for s in (-2, -1, 0, 1, 2)}
    slope = (8 * (at[1] - at[-1]) - (at[2] - at[-2])) / (12 * step)
    velocity = 1j * slope / (2 * np.pi * FREQUENCY * DENSITY)
    truth = radius**2 * weight @ np.real(at[0] * velocity.conj())
    np.testing.assert_allclose(radiated_power_w(random_expansion), truth, rtol=1e-5)


def test_power_of_a_monopole_off_the_centre():
    """p = A·e^{-jkR}/R radiates 4π|A|²/(ρc), wherever it stands."""
    source, strength = np.array([0.05, -0.03, 0.04]), 0.7 - 0.2j
    position = 0.3 * fibonacci_sphere(900)
    distance = np.linalg.norm(position - source, axis=1)[:, None]
    pressure = strength * np.exp(-1j * WAVENUMBER * distance) / distance
    found = fit(Scan(ScanSetup(position, speed_of_sound_m_s=SPEED), FREQUENCY, pressure), order=22)
    truth = 4 * np.pi * abs(strength) ** 2 / (found.air_density_kg_m3 * SPEED)
    np.testing.assert_allclose(radiated_power_w(found), truth, rtol=1e-9)


def test_power_does_not_depend_on_where_the_centre_is(random_expansion):
    moved = replace(random_expansion, centre_m=np.full((3, 3), 0.2))
    np.testing.assert_allclose(radiated_power_w(moved), radiated_power_w(random_expansion), rtol=1e-14)


def test_far_field_of_a_monopole_carries_its_delay():
    """p·r·e^{+jkr} → e^{+jk u·x0}/(4π) for e^{-jkR}/(4πR) at x0, from either choice of centre."""
    source = np.array([0.08, -0.05, 0.03])
    position = 0.4 * fibonacci_sphere(700)
    distance = np.linalg.norm(position - source, axis=1)[:, None]
    pressure = np.exp(-1j * WAVENUMBER * distance) / (4 * np.pi * distance)
    scan = Scan(ScanSetup(position, speed_of_sound_m_s=SPEED), FREQUENCY, pressure)
    direction = fibonacci_sphere(50)
    truth = np.exp(1j * WAVENUMBER * (direction @ source)[:, None]) / (4 * np.pi)
    about_origin = far_field(fit(scan, order=20), direction)
    about_source = far_field(fit(scan, order=1, centre_m=source), direction)
    np.testing.assert_allclose(about_origin, truth, atol=1e-9)
    np.testing.assert_allclose(about_source, truth, atol=1e-12)
