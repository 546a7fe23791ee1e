"""Two expansions of one device joined by their predicted errors."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_scans import even_points

from scanproc.records.fitted.budget import Budget
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.field.crossfade import joined, with_cut_off
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.fit.expand import fit
from scanproc.waves.directions import fibonacci_sphere

SPEED, SOURCE_M = 343.0, np.array([0.04, -0.02, 0.05])
FREQUENCY = np.geomspace(200.0, 1600.0, 10)
LOOK = fibonacci_sphere(60)


def expansion(frequency=FREQUENCY, gain=1.0):
    """Of a monopole e^{-jkR}/R."""
    position = even_points(300, 0.4)
    distance = np.linalg.norm(position - SOURCE_M, axis=1)[:, None]
    pressure = gain * np.exp(-2j * np.pi * frequency / SPEED * distance) / distance
    setup = ScanSetup(position, speed_of_sound_m_s=SPEED)
    return fit(Scan(setup, frequency, pressure), order=11)


def far(frequency, gain=1.0):
    return gain * np.exp(2j * np.pi * frequency / SPEED * (LOOK @ SOURCE_M)[:, None])


def test_two_fits_of_one_field_join_to_that_field() -> None:
    both = joined(expansion(FREQUENCY[:6]), expansion(FREQUENCY[4:]))
    np.testing.assert_array_equal(both.frequency_hz, FREQUENCY)
    np.testing.assert_allclose(far_field(both, LOOK), far(FREQUENCY), atol=2e-5)
    used = np.take_along_axis(both.held_out_db, both.order[None], axis=0)
    assert np.all(np.isfinite(used))


def sides(low_gain: float, low_db: float, high_db: float):
    """Both of two frequencies, with gains and predicted errors."""
    low = replace(expansion(FREQUENCY[:2], gain=low_gain), far_field_error_db=np.full(2, low_db))
    return low, replace(expansion(FREQUENCY[:2]), far_field_error_db=np.full(2, high_db))


def test_the_better_told_side_weighs_more() -> None:
    """Errors 20 dB apart: a hundredth of the worse side's gain of 1.05 is taken."""
    both = joined(*sides(1.05, -20.0, -40.0))
    np.testing.assert_allclose(far_field(both, LOOK), far(FREQUENCY[:2], 1 + 0.05 / 101), rtol=1e-4)


def test_a_gated_side_that_differs_by_more_than_both_predict_is_not_believed() -> None:
    """Half as much again, -6 dB, where both predict -40 dB: then the whole side's gain stands."""
    both = joined(*sides(1.5, -40.0, -40.0))
    np.testing.assert_allclose(far_field(both, LOOK), far(FREQUENCY[:2], 1.5), rtol=1e-3)


def test_sides_that_share_nothing_stand_beside_each_other() -> None:
    low, high = expansion(FREQUENCY[:4]), expansion(FREQUENCY[4:], gain=2.0)
    both = joined(low, high)
    np.testing.assert_array_equal(both.frequency_hz, FREQUENCY)
    np.testing.assert_array_equal(
        both.coefficients_pa, np.hstack([low.coefficients_pa, high.coefficients_pa])
    )
    error = np.concatenate([low.far_field_error_db, high.far_field_error_db])
    np.testing.assert_array_equal(both.far_field_error_db, error)


def test_what_a_gate_cuts_off_counts_as_the_rooms() -> None:
    """Shares of powers: -20 dB told and 0.99 more make 1; the room's 0.2 of 0.01 grows to 0.992."""
    both = replace(expansion(FREQUENCY[:3]), far_field_error_db=np.array([0.0, -20.0, 0.0]))
    share = np.tile([[0.5], [0.2], [0.0], [0.0], [0.3]], 3)
    cured = np.tile([[-23.0], [-21.0], [-20.0], [-20.0], [-np.inf]], 3)
    told = Budget(FREQUENCY[:3], np.full(3, -20.0), share, cured)
    found = with_cut_off(told, both, (FREQUENCY[0], FREQUENCY[2]))
    np.testing.assert_allclose(found.error_db, [0.0, -20.0, -20.0], atol=1e-12)
    np.testing.assert_allclose(found.share[:, 0], [0.005, 0.992, 0.0, 0.0, 0.003])
    np.testing.assert_allclose(found.share[:, 1:], share[:, 1:])
    assert found.cured_db[1, 0] == pytest.approx(-21.0)
    assert found.cured_db[4, 0] == pytest.approx(10 * np.log10(0.99))
    assert found.limiting() == ["room", "points", "points"]
