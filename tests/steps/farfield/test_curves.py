"""Derived curves against published series, closed forms, and draws of the errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from patterns import SPEED_M_S, pattern_expansion
from scipy.special import eval_legendre, spherical_jn, spherical_yn
from small_scans import even_points
from truth import rows

from scanproc.conventions import mode_degrees
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.farfield.beamwidth import beamwidths
from scanproc.steps.farfield.curves import CurveChoices, derived_curves
from scanproc.steps.farfield.sets import Turn, arc_angles, direction_set
from scanproc.steps.field.extrapolate import far_field, far_field_terms, radiated_power_w
from scanproc.steps.fit.expand import fit
from scanproc.waves.orbit_sets import averaged, directions

CAPS = rows("direction_curves", "direction_cap")
KA = sorted({row[1] for row in CAPS})
COLUMNS = {
    "sound power, exact": 2,
    "listening window": 6,
    "floor bounce": 7,
    "ceiling bounce": 8,
    "front wall": 9,
    "side walls": 10,
    "rear wall": 11,
    "early reflections": 12,
}


def cap_pattern(half_angle_deg, ka):
    """Σ j^n U_n/h_n'(ka) P_n(cos θ): Morse, Vibration and Sound, sec. 28; Williams, Fourier Acoustics, ch. 6."""
    n = np.arange(61)
    legendre = eval_legendre(np.arange(62), np.cos(np.deg2rad(half_angle_deg)))
    velocity = (np.append(1, legendre[:-2]) - legendre[1:]) / 2
    slope = spherical_jn(n, ka, True) - 1j * spherical_yn(n, ka, True)
    return lambda unit: eval_legendre(n, unit[:, :1]) @ (1j**n * velocity / slope)


def cap_curves(half_angle_deg, choices):
    expansion = pattern_expansion(
        lambda unit: np.stack([cap_pattern(half_angle_deg, ka)(unit) for ka in KA], axis=1),
        100.0 * np.array(KA, float),
        40,
    )
    return derived_curves(expansion, choices)


@pytest.mark.parametrize("half_angle_deg", [15, 30])
def test_cap_against_the_table(half_angle_deg) -> None:
    zones = cap_curves(half_angle_deg, CurveChoices(weighting="zones"))
    standard = cap_curves(half_angle_deg, CurveChoices())
    as_is = cap_curves(half_angle_deg, CurveChoices(divide_by_sum=False))
    single = cap_curves(half_angle_deg, CurveChoices(early_reflections="single curves"))
    table = [row for row in CAPS if row[0] == half_angle_deg]
    assert [row[1] for row in table] == KA

    def close(curves, name, column) -> None:
        found = curves.get(name).value
        if "index" not in name:
            found = found - curves.get("on axis").value
        np.testing.assert_allclose(found, [row[column] for row in table], atol=0.01, err_msg=name)

    for name, column in COLUMNS.items():
        close(zones, name, column)
    close(zones, "sound power", 3)
    close(standard, "sound power", 4)
    close(as_is, "sound power", 5)
    close(single, "early reflections", 13)
    close(zones, "estimated in-room response", 14)
    close(zones, "sound power directivity index", 15)
    close(zones, "early reflections directivity index", 16)


def test_pairs_against_the_table() -> None:
    axes = {"horizontal": [0, 1, 0], "vertical": [0, 0, 1], "diagonal 45 deg": [0, 0.5**0.5, 0.5**0.5]}
    for lies, kd, exact, zones, quadrangles, zone_error, quadrangle_error in rows(
        "direction_curves", "sp_pairs"
    ):
        axis = np.array(axes[lies])
        pair = pattern_expansion(
            lambda unit, kd=kd, axis=axis: np.cos(kd / 2 * unit @ axis)[:, None] + 0j, np.array([500.0]), 30
        )
        for weighting, level, error in (
            ("zones", zones, zone_error),
            ("quadrangles", quadrangles, quadrangle_error),
        ):
            found = derived_curves(pair, CurveChoices(weighting=weighting))
            on_axis = found.get("on axis").value
            assert found.get("sound power").value - on_axis == pytest.approx(level, abs=0.01)
            assert found.get("sound power, exact").value - on_axis == pytest.approx(exact, abs=0.01)
            assert found.get("sound power error of 70 angles").value == pytest.approx(error, abs=0.01)


def test_a_monopole_is_flat_and_equal_everywhere() -> None:
    expansion = pattern_expansion(
        lambda unit: np.full((len(unit), 3), 1 + 0j), np.array([100.0, 1000.0, 9000.0]), 4
    )
    for curve in derived_curves(expansion).curves:
        difference = "index" in curve.name or "error" in curve.name or "spread" in curve.name
        np.testing.assert_allclose(curve.value, 0 if difference else 20 * np.log10(1 / 20e-6), atol=1e-9)
    assert all(np.all(np.isnan(curve.value)) for curve in beamwidths(expansion).curves)


@pytest.mark.parametrize("shape", ["dipole", "cardioid"])
def test_dipole_and_cardioid_have_4_77_db(shape) -> None:
    def pattern(unit):
        return {"dipole": unit[:, :1], "cardioid": (1 + unit[:, :1]) / 2}[shape] + 0j

    expansion = pattern_expansion(pattern, np.array([800.0]), 3)
    index = derived_curves(expansion).get("directivity index, exact").value
    assert index == pytest.approx(10 * np.log10(3), abs=1e-9)


def test_the_exact_power_is_the_radiated_power() -> None:
    expansion = pattern_expansion(lambda unit: unit[:, :1] + 0.3j * unit[:, 1:2], np.array([800.0]), 3)
    level = derived_curves(expansion).get("sound power, exact").value[0]
    squared = (20e-6 * 10 ** (level / 20)) ** 2  # mean of |p r|² over the sphere
    intensity_sum = 4 * np.pi * squared / (expansion.air_density_kg_m3 * SPEED_M_S)
    assert radiated_power_w(expansion)[0] == pytest.approx(intensity_sum, rel=1e-9)


def test_levels_are_scaled_to_the_reference_voltage() -> None:
    loud = pattern_expansion(
        lambda unit: np.ones((len(unit), 1), complex), np.array([500.0]), 2, drive_voltage_v=28.3
    )
    assert derived_curves(loud).get("on axis").value[0] == pytest.approx(20 * np.log10(0.1 / 20e-6))


def test_the_choices_are_in_the_notes() -> None:
    notes = derived_curves(
        pattern_expansion(lambda unit: unit[:, :1] + 0j, np.array([500.0]), 2),
        CurveChoices(rear_wall="sides and back"),
    ).notes
    assert "average divided by their sum (0.99637)" in notes[0]
    assert "3 angles" in notes[1]


def lobe(unit):
    return (np.exp(2.5 * (unit[:, :1] - 1)) * (1 + 0.3j * unit[:, 1:2] + 0.2 * unit[:, 2:])) @ np.array(
        [[1.0, 2.0]]
    ) + 0j


def test_single_angles_have_the_error_of_the_directions() -> None:
    """A fit on a lopsided set of points, so that the error differs by direction."""
    points = even_points(220, 0.4)
    points = points[points[:, 0] < 0.3]
    rng = np.random.default_rng(7)
    field = np.exp(-1j * np.outer(np.linalg.norm(points - [0.1, 0, 0], axis=1), [3.0, 9.0, 15.0]))
    noisy = field + 0.01 * (rng.normal(size=field.shape) + 1j * rng.normal(size=field.shape))
    hz = np.array([3.0, 9.0, 15.0]) * 343.2 / (2 * np.pi)
    expansion = fit(Scan(ScanSetup(points, speed_of_sound_m_s=343.2), hz, noisy), order=5)
    assert np.abs(expansion.variance_pattern[1:]).max() > 0.05
    for turn in (Turn(), Turn(180)):
        axis = direction_set(expansion, arc_angles("a", "horizontal", 0, 0, 1), turn).standard_error_db[0]
        found = derived_curves(expansion, turn=turn).get("on axis").standard_error
        np.testing.assert_allclose(found, axis, rtol=1e-9)


@pytest.mark.parametrize("turn", [Turn(), Turn(20, 10)])
def test_error_bars_are_the_spread_of_drawn_errors(turn) -> None:
    known = pattern_expansion(lobe, np.array([500.0, 2000.0]), 8, relative_variance=1e-4)
    known = replace(known, centre_m=np.array([[0.1, 0.05, -0.1]] * 2))
    rng = np.random.default_rng(3)
    spread = np.sqrt(known.coefficient_variance_pa2[mode_degrees(8)] / 2)
    found, widths = [], []
    for _ in range(200):
        noise = spread * (rng.normal(size=spread.shape) + 1j * rng.normal(size=spread.shape))
        drawn = replace(known, coefficients_pa=known.coefficients_pa + noise)
        found.append([curve.value for curve in derived_curves(drawn, turn=turn).curves])
        widths.append([curve.value for curve in beamwidths(drawn, turn).curves])
    curves, angles = derived_curves(known, turn=turn), beamwidths(known, turn)
    for draws, known_curves in ((found, curves.curves), (widths, angles.curves)):
        spread_found = np.std(draws, axis=0)
        for index, curve in enumerate(known_curves):
            if curve.name != "listening window spread":  # its ends may change place from draw to draw
                np.testing.assert_allclose(
                    curve.standard_error, spread_found[index], rtol=0.18, err_msg=curve.name
                )


@pytest.mark.parametrize("turn", [Turn(), Turn(20, 10)])
def test_error_bars_follow_what_averages_are_known_to_share(turn) -> None:
    """Errors of the terms as before and a common one of gain, β times the field: every average of squared pressure is
    off by β as well, so that its relative errors have the covariance of the terms' plus E|β|²."""
    known = pattern_expansion(lobe, np.array([500.0, 2000.0]), 8, relative_variance=1e-4)
    rng, gain = np.random.default_rng(5), 0.02
    spread = np.sqrt(known.coefficient_variance_pa2[mode_degrees(8)] / 2)
    weights = averaged()

    def relative_errors(error) -> np.ndarray:
        """Of each average and of the sphere (averages, F), by 70 angles and by the terms."""
        other = replace(known, coefficients_pa=error)
        field, off = far_field(known, directions()), far_field(other, directions())
        of_angles = weights @ (field.conj() * off) / (weights @ np.abs(field) ** 2)
        terms, wrong = far_field_terms(known), far_field_terms(other)
        return np.vstack(
            [of_angles, np.sum(terms.conj() * wrong, axis=0) / np.sum(np.abs(terms) ** 2, axis=0)]
        )

    def terms_drawn() -> np.ndarray:
        return spread * (rng.normal(size=spread.shape) + 1j * rng.normal(size=spread.shape))

    drawn = np.stack([relative_errors(terms_drawn()) for _ in range(400)])
    shared = np.einsum("daf,dbf->abf", drawn, drawn.conj()).real / len(drawn) + gain**2
    known = replace(known, average_covariance=shared)
    found = []
    for _ in range(200):
        common = gain * (rng.normal() + 1j * rng.normal()) / np.sqrt(2)
        wrong = replace(known, coefficients_pa=known.coefficients_pa * (1 + common) + terms_drawn())
        found.append([curve.value for curve in derived_curves(wrong, turn=turn).curves])
    for index, curve in enumerate(derived_curves(known, turn=turn).curves):
        if curve.name not in ("on axis", "listening window spread"):  # these are of single directions
            np.testing.assert_allclose(
                curve.standard_error, np.std(found, axis=0)[index], rtol=0.2, err_msg=curve.name
            )
