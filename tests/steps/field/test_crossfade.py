"""Two expansions crossfaded: fields in closed form before and after, no step between."""

from __future__ import annotations

import numpy as np
import pytest
from small_scans import even_points

from scanproc.errors import ScanDataError
from scanproc.records.scan import Scan, ScanSetup
from scanproc.steps.field.crossfade import about, best_octave, blend, mismatch_db, upper_share
from scanproc.steps.field.extrapolate import far_field, pressure_at
from scanproc.steps.fit.expand import fit
from scanproc.waves.directions import fibonacci_sphere

SPEED, SOURCE_M = 343.0, np.array([0.04, -0.02, 0.05])
FREQUENCY = np.geomspace(200.0, 1600.0, 19)
LOOK = fibonacci_sphere(60)


def monopole(position, frequency, gain=1.0):
    distance = np.linalg.norm(position - SOURCE_M, axis=1)[:, None]
    return gain * np.exp(-2j * np.pi * frequency / SPEED * distance) / distance


def expansion(frequency=FREQUENCY, centre=(0, 0, 0), gain=1.0, radius=0.4, points=300):
    position = even_points(points, radius)
    setup = ScanSetup(position, speed_of_sound_m_s=SPEED)
    return fit(Scan(setup, frequency, monopole(position, frequency, gain)), order=11, centre_m=centre)


def far(frequency, gain=1.0):
    return gain * np.exp(2j * np.pi * frequency / SPEED * (LOOK @ SOURCE_M)[:, None])


@pytest.mark.parametrize("centre", [(0, 0, 0), (0.06, -0.05, 0.03)], ids=["one centre", "two centres"])
@pytest.mark.parametrize("radius", [0.4, 0.46])
def test_two_fits_of_one_field_blend_to_that_field(centre, radius: float) -> None:
    low, high = expansion(), expansion(centre=centre, radius=radius)
    mixed = blend(low, high, 400.0, 800.0)
    np.testing.assert_array_equal(mixed.frequency_hz, FREQUENCY)
    np.testing.assert_allclose(far_field(mixed, LOOK), far(FREQUENCY), atol=2e-5)
    outside = even_points(20, 0.7)
    np.testing.assert_allclose(pressure_at(mixed, outside), monopole(outside, FREQUENCY), atol=5e-5)
    assert np.all(np.isfinite(mixed.far_field_error_db))
    used = np.take_along_axis(mixed.held_out_db, mixed.order[None], axis=0)
    assert np.all(np.isfinite(used))


def test_a_difference_is_crossfaded_without_a_step() -> None:
    mixed = blend(expansion(), expansion(gain=1.1), 400.0, 800.0)
    level = 20 * np.log10(np.abs(far_field(mixed, LOOK)[0]))
    assert level[0] == pytest.approx(0.0, abs=1e-3)
    assert level[-1] == pytest.approx(20 * np.log10(1.1), abs=1e-3)
    assert np.diff(level).min() > -1e-3
    assert np.diff(level).max() < 0.3


def test_the_share_of_the_upper_side() -> None:
    share = upper_share(np.array([100.0, 400.0, 400.0 * 2**0.5, 800.0, 2000.0]), 400.0, 800.0)
    np.testing.assert_allclose(share, [0, 0, 0.5, 1, 1], atol=1e-12)


def test_a_moved_centre_is_the_same_field() -> None:
    low, high = expansion(), expansion(centre=(0.06, -0.05, 0.03))
    moved = about(low, high)
    np.testing.assert_array_equal(moved.centre_m, high.centre_m)
    outside = even_points(20, 0.7)
    np.testing.assert_allclose(pressure_at(moved, outside), pressure_at(low, outside), atol=1e-8)
    assert mismatch_db(moved, low).max() < -140


def test_mismatch_is_the_relative_power_of_the_difference() -> None:
    np.testing.assert_allclose(mismatch_db(expansion(gain=1.1), expansion()), -20.0, atol=1e-6)


def test_the_octave_with_the_least_difference_is_taken() -> None:
    frequency = 100.0 * 2 ** np.linspace(0, 4, 17)
    difference = -40 + 8 * np.abs(np.log2(frequency / 500.0))
    start, end = best_octave(frequency, difference)
    assert end == 2 * start
    assert start < 500.0 < end
    assert best_octave(frequency[:3], difference[:3]) == (frequency[0], frequency[2])


def test_frequencies_must_agree() -> None:
    with pytest.raises(ScanDataError, match="same frequencies"):
        blend(expansion(FREQUENCY * 1.01), expansion(), 400.0, 800.0)
