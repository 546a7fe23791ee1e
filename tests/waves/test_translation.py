"""Spherical waves about another centre: a shifted monopole by formula, whole fields by an independent library."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import lebedev_rule
from shetar.bases import SingularBase
from shetar.expansions import ExteriorExpansion
from shetar.translations import ExteriorTranslation
from truth import rows

from scanproc.conventions import mode_degrees
from scanproc.waves.directions import unit_vectors
from scanproc.waves.harmonics import real_harmonics
from scanproc.waves.radial import outgoing_radial, spherical_bessel

K = 20.0
SOURCE = 0.2 * unit_vectors(0.6, 1.0)
FIELD_POINT = 0.5 * unit_vectors(2.0, -0.5)


def wave_basis(order, position, scaling_radius):
    """h_n(kr)/|h_n(k r_s)| · Y_nm at positions about the origin, (points, modes)."""
    radius = np.linalg.norm(position, axis=1)
    radial = outgoing_radial(order, K * radius, K * scaling_radius)
    return radial[mode_degrees(order)].T * real_harmonics(order, position / radius[:, None])


def hankel_size(order, radius):
    """|h_n(k radius)| by mode; small orders only, no overflow."""
    return np.abs(
        1 / outgoing_radial(order, [1e6], K * radius)[:, 0] * outgoing_radial(order, [1e6], 1e6)[:, 0] / 1e6
    )


def to_complex(real):
    """Coefficients of complex harmonics with the Condon-Shortley sign from those of real ones without."""
    order = int(np.sqrt(len(real))) - 1
    out = np.empty(len(real), dtype=complex)
    for n in range(order + 1):
        centre = n * n + n
        out[centre] = real[centre]
        for m in range(1, n + 1):
            out[centre + m] = (-1) ** m * (real[centre + m] - 1j * real[centre - m]) / np.sqrt(2)
            out[centre - m] = (real[centre + m] + 1j * real[centre - m]) / np.sqrt(2)
    return out


def to_real(values):
    """The inverse of :func:`to_complex`."""
    order = int(np.sqrt(len(values))) - 1
    out = np.empty(len(values), dtype=complex)
    for n in range(order + 1):
        centre = n * n + n
        out[centre] = values[centre]
        for m in range(1, n + 1):
            plus, minus = (-1) ** m * values[centre + m], values[centre - m]
            out[centre + m] = (plus + minus) / np.sqrt(2)
            out[centre - m] = 1j * (plus - minus) / np.sqrt(2)
    return out


def fit_about_origin(order, pressure_at, radius=0.5):
    position = radius * lebedev_rule(83)[0].T
    basis = wave_basis(order, position, radius)
    return np.linalg.lstsq(basis, pressure_at(position), rcond=None)[0]


def monopole(position):
    """e^{-jkR}/(4πR)."""
    distance = np.linalg.norm(position - SOURCE, axis=1)
    return np.exp(-1j * K * distance) / (4 * np.pi * distance)


@pytest.fixture(scope="module")
def shifted():
    """Coefficients c_nm of the monopole in complex harmonics, unscaled, from a fit on a sphere of 0.5 m."""
    order = 30
    scaled = fit_about_origin(order, monopole)
    return to_complex(scaled / hankel_size(order, 0.5)[mode_degrees(order)])


@pytest.mark.parametrize("row", rows("monopole", "shifted_monopole"))
def test_fit_finds_the_coefficients_of_a_shifted_monopole(shifted, row):
    n, m, real, imag = row
    assert abs(shifted[n * n + n + m] - complex(real, imag)) < 1e-9


@pytest.mark.parametrize("row", [row for row in rows("monopole", "green") if row[0] != "exact"])
def test_partial_sums_of_greens_function(row):
    """-jk Σ j_n(k r') h_n(kr) Y_nm Y_nm' to degree N at the field point of the table."""
    order, truth = int(row[0]), complex(row[1], row[2])
    mantissa, exponent = spherical_bessel(order, K * 0.2)
    regular = np.ldexp(mantissa, exponent)[mode_degrees(order), 0]
    harmonic = real_harmonics(order, SOURCE[None] / 0.2)[0]
    outgoing = wave_basis(order, FIELD_POINT[None], 0.5)[0] * hankel_size(order, 0.5)[mode_degrees(order)]
    assert abs(-1j * K * np.sum(regular * harmonic * outgoing) - truth) < 1e-12


@pytest.fixture(scope="module")
def moved():
    """Random waves of order 5 about a centre off the origin, and what shetar makes of them about the origin.

    shetar (Andersson; after Gumerov and Duraiswami 2005) uses e^{-jωt}, hence h^(1) and complex harmonics: with real
    harmonics the change of time convention is the conjugate of the coefficients.
    """
    draw = np.random.default_rng(11)
    offset = np.array([0.06, -0.04, 0.09])
    own = draw.standard_normal((36, 2)) @ [1, 1j]
    expansion = ExteriorExpansion(order=5, data=to_complex(own.conj()), wavenumber=K)
    about_origin = ExteriorTranslation(5, 24, position=offset, wavenumber=K).apply(expansion)
    return offset, own, about_origin


def field_of(own, offset, position):
    """The waves about their own centre, unscaled coefficients, evaluated with scanproc's basis."""
    return wave_basis(5, position - offset, 0.5) @ (own * hankel_size(5, 0.5)[mode_degrees(5)])


def test_field_equals_that_of_the_library_about_either_centre(moved):
    offset, own, about_origin = moved
    position = np.random.default_rng(12).uniform(0.5, 0.9, (20, 3)) * np.array([1, -1, 1])
    ours = field_of(own, offset, position)
    scale = np.abs(ours).max()
    direct = SingularBase(5, position=(position - offset).T, wavenumber=K).apply(
        ExteriorExpansion(order=5, data=to_complex(own.conj()), wavenumber=K)
    )
    translated = SingularBase(24, position=position.T, wavenumber=K).apply(about_origin)
    np.testing.assert_allclose(ours, np.conj(direct), atol=1e-12 * scale)
    np.testing.assert_allclose(ours, np.conj(translated), atol=1e-9 * scale)


def test_fit_about_another_centre_finds_the_translated_coefficients(moved):
    offset, own, about_origin = moved
    order = 24
    scaled = fit_about_origin(order, lambda position: field_of(own, offset, position))
    ours = scaled / hankel_size(order, 0.5)[mode_degrees(order)]
    truth = to_real(about_origin._data).conj()
    np.testing.assert_allclose(ours[:289], truth[:289], atol=1e-9 * np.abs(truth).max())
