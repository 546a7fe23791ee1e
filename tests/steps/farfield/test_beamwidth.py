"""Beamwidths against patterns whose angles are known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from patterns import pattern_expansion
from scipy.optimize import brentq
from scipy.special import j1

from scanproc.steps.farfield.beamwidth import beamwidths
from scanproc.steps.farfield.sets import Turn

KA = np.array([3.0, 5.0, 8.0, 12.0])
HALF_PRESSURE = 2.2150894  # 2 J1(x)/x = 1/2; published as ka·sin θ = 2.215
EXACT_6_DB = brentq(lambda x: 20 * np.log10(2 * j1(x) / x) + 6, 1, 3)


def piston(unit):
    """2 J1(x)/x with x = ka·sin θ: the far field of a flat piston and of its image in the baffle."""
    x = np.maximum(np.hypot(unit[:, 1], unit[:, 2])[:, None] * KA, 1e-9)
    return 2 * j1(x) / x + 0j


def test_piston_against_its_bessel_function() -> None:
    found = beamwidths(pattern_expansion(piston, 500 * KA, 40))
    for orbit in ("horizontal", "vertical"):
        width = found.get(f"{orbit} beamwidth, -6 dB").value
        assert np.sin(np.deg2rad(width / 2)) * KA == pytest.approx(EXACT_6_DB, rel=1e-6)
        assert np.sin(np.deg2rad(width / 2)) * KA == pytest.approx(HALF_PRESSURE, rel=0.003)  # 6 or 6.02 dB
        ten = np.sin(np.deg2rad(found.get(f"{orbit} beamwidth, -10 dB").value[1:] / 2)) * KA[1:]
        assert 20 * np.log10(2 * j1(ten) / ten) == pytest.approx(-10, abs=1e-5)


def test_cardioid() -> None:
    found = beamwidths(pattern_expansion(lambda unit: (1 + unit[:, :1]) / 2 + 0j, np.array([500.0]), 3))
    half_angle = np.rad2deg(np.arccos(2 * 10 ** (-6 / 20) - 1))
    assert found.get("vertical beamwidth, -6 dB").value[0] == pytest.approx(2 * half_angle, abs=1e-7)


def test_both_sides_count_each_for_itself() -> None:
    half_angle = np.arccos(10**-0.3)
    found = beamwidths(
        pattern_expansion(lambda unit: unit[:, :1] + 0j, np.array([500.0]), 3), Turn(toe_in_deg=20)
    )
    left = np.arccos(10**-0.3 * np.cos(np.deg2rad(20))) + np.deg2rad(20)
    right = np.arccos(10**-0.3 * np.cos(np.deg2rad(20))) - np.deg2rad(20)
    assert left + right != pytest.approx(2 * half_angle)
    assert found.get("horizontal beamwidth, -6 dB").value[0] == pytest.approx(
        np.rad2deg(left + right), abs=1e-7
    )


def test_a_null_on_the_axis_gives_no_warning_and_no_nonsense() -> None:
    found = beamwidths(pattern_expansion(lambda unit: unit[:, 1:2] + 0j, np.array([500.0]), 3))
    assert found.get("horizontal beamwidth, -6 dB").value[0] == 360
