"""The sphere with caps against published series, closed forms and limits."""

from __future__ import annotations

import numpy as np
import pytest
from truth import rows

from scanproc.errors import SettingsError
from synthetic_scans.caps import AIR_DENSITY_KG_M3, Cap, CappedSphere, cap_coefficients
from synthetic_scans.sources import Response

SPEED, RADIUS = 343.2, 0.2


def sphere(
    ka: float, half_angle_deg: float = 30.0, motion: str = "radial"
) -> tuple[CappedSphere, np.ndarray, complex]:
    """A sphere with one cap about z, the frequency of that ka, and ρcU of the cap."""
    cap = Cap((0.0, 0.0, 1.0), half_angle_deg, motion)
    frequency = np.array([ka * SPEED / (2 * np.pi * RADIUS)])
    return (
        CappedSphere(RADIUS, (cap,)),
        frequency,
        AIR_DENSITY_KG_M3 * SPEED * cap.velocity(frequency, RADIUS)[0],
    )


def towards(angle_deg: object) -> np.ndarray:
    angle = np.atleast_1d(np.deg2rad(np.asarray(angle_deg, float)))
    return np.column_stack([np.sin(angle), 0 * angle, np.cos(angle)])


def test_near_field_equals_the_published_series() -> None:
    for ka, ratio, angle, real, imag in rows("cap_fields", "cap_near"):
        device, frequency, scale = sphere(ka)
        got = device.pressure(RADIUS * float(ratio) * towards(angle), frequency, SPEED)[0, 0] / scale
        assert got == pytest.approx(complex(real, imag), rel=1e-11)


def test_far_field_equals_the_published_series() -> None:
    for ka, angle, real, imag in rows("cap_fields", "cap_farcomplex"):
        device, frequency, scale = sphere(ka)
        got = device.far_field(towards(angle), frequency, SPEED)[0, 0] * ka / RADIUS / scale
        assert got == pytest.approx(complex(real, imag), rel=1e-11)


@pytest.mark.parametrize(
    ("file", "table", "half_angle", "motion"),
    [
        ("cap_fields", "cap30", 30.0, "radial"),
        ("sphere_caps", "cap15", 15.0, "radial"),
        ("sphere_caps", "cap30_axial", 30.0, "axial"),
    ],
)
def test_directivity(file: str, table: str, half_angle: float, motion: str) -> None:
    for ka, *level in rows(file, table):
        device, frequency, _ = sphere(ka, half_angle, motion)
        z, weight = np.polynomial.legendre.leggauss(70)
        field = device.far_field(towards(np.rad2deg(np.arccos(np.append(z, 1.0)))), frequency, SPEED)[:, 0]
        at = 20 * np.log10(np.abs(device.far_field(towards(range(0, 181, 30)), frequency, SPEED)[:, 0]))
        index = 10 * np.log10(np.abs(field[-1]) ** 2 / (weight @ np.abs(field[:-1]) ** 2 / 2))
        np.testing.assert_allclose([*(at - at[0]), index], level, atol=1e-9)


def test_velocity_coefficients() -> None:
    radial, axial = cap_coefficients(30.0, "radial", 20), cap_coefficients(30.0, "axial", 20)
    for n, want_radial, want_axial, *_ in rows("sphere_caps", "cap_U"):
        assert (radial[n], axial[n]) == pytest.approx((want_radial, want_axial), rel=1e-12)


def test_whole_sphere_pulsating_has_its_closed_form() -> None:
    device, frequency, scale = sphere(3.0, 179.999999)
    k, r = 3 / RADIUS, np.array([0.21, 0.5, 9.0])
    want = scale * 3j / (1 + 3j) * RADIUS / r * np.exp(-1j * (k * r - 3))
    got = device.pressure(r[:, None] * np.array([[0.6, 0, 0.8]]), frequency, SPEED)[:, 0]
    np.testing.assert_allclose(got, want, rtol=1e-7)


@pytest.mark.parametrize("motion", ["radial", "axial"])
def test_gain_is_the_low_frequency_pressure_times_distance(motion: str) -> None:
    device = CappedSphere(0.01, (Cap((1.0, 0, 0), 40.0, motion, Response(0.7)),))
    far = device.far_field(np.eye(3), np.array([1.0]), SPEED)
    np.testing.assert_allclose(far, 0.7, rtol=1e-3)


def test_near_field_tends_to_the_far_field_at_ka_40_about_a_shifted_centre() -> None:
    caps = (Cap((1.0, 2.0, 2.0), 20.0), Cap((-1.0, 0, 0.5), 50.0, "axial", Response(0.4, 1e-4)))
    device = CappedSphere(RADIUS, caps, (0.1, -0.2, 0.05))
    frequency = np.array([2.0, 40.0]) * SPEED / (2 * np.pi * RADIUS)
    direction = np.array([[0.6, 0.0, 0.8], [1.0, 2, 2], [-1.0, 0, 0]])
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    far, errors = device.far_field(direction, frequency, SPEED), []
    for r in (500.0, 5000.0):
        near = (
            device.pressure(r * direction, frequency, SPEED) * r * np.exp(2j * np.pi * frequency * r / SPEED)
        )
        errors.append(np.abs(near - far).max() / np.abs(far).max())
    assert errors[0] < 0.05
    assert errors[1] == pytest.approx(errors[0] / 10, rel=0.05)


def test_surface_velocity_is_that_of_the_cap() -> None:
    """-dp/dr/(jωρ) just above the surface (finite difference): 1 inside the rim of the cap, 0 outside."""
    device, frequency, scale = sphere(4.0, 60.0)
    velocity = scale / (AIR_DENSITY_KG_M3 * SPEED)
    step, middle = 2e-5, RADIUS * 1.02
    direction = towards([0.0, 20.0, 120.0, 180.0])
    ends = [device.pressure((middle + sign * step) * direction, frequency, SPEED)[:, 0] for sign in (1, -1)]
    slope = (ends[0] - ends[1]) / (2 * step)
    got = -slope / (2j * np.pi * frequency[0] * AIR_DENSITY_KG_M3) / velocity
    np.testing.assert_allclose(np.abs(got[:2]), 1, atol=0.1)
    np.testing.assert_allclose(np.abs(got[2:]), 0, atol=0.1)


def test_points_inside_are_refused() -> None:
    device, frequency, _ = sphere(1.0)
    with pytest.raises(SettingsError, match="outside the sphere"):
        device.pressure(np.array([[0.1, 0.0, 0.0]]), frequency, SPEED)
