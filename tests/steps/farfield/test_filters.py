"""A filtered expansion is the expansion of a filtered scan."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import freqz
from small_scans import monopole_scan
from truth import rows

from scanproc.errors import ScanDataError
from scanproc.steps.farfield.filters import Air, Biquad, Simple, Tabulated, chain_response, filtered
from scanproc.steps.farfield.sets import direction_set, named_set
from scanproc.steps.fit.expand import fit
from scanproc.waves.biquads import biquad

SCAN = monopole_scan(points=200)
HZ = SCAN.frequency_hz
TABLE_HZ = np.geomspace(90, 1300, 40)
CHAIN = (
    Biquad("peaking", 500.0, 2.0, 6.0),
    Biquad("high_pass", 150.0, 0.7),
    Biquad("low_shelf", 300.0, 0.7, -4.0),
    Simple(gain_db=-3.0, delay_s=0.7e-3, inverted=True),
    Tabulated(TABLE_HZ, 1 / (1 + 1j * TABLE_HZ / 400)),
)


def independent_response(hz: np.ndarray) -> np.ndarray:
    value = -(10 ** (-3 / 20)) * np.exp(-2j * np.pi * hz * 0.7e-3)
    for kind, corner, q, gain in (
        ("peaking", 500, 2, 6),
        ("high_pass", 150, 0.7, 0),
        ("low_shelf", 300, 0.7, -4),
    ):
        value = value * freqz(*biquad(kind, corner, q, gain, 48000.0), worN=hz, fs=48000.0)[1]
    size = np.interp(np.log(hz), np.log(TABLE_HZ), -10 * np.log10(1 + (TABLE_HZ / 400) ** 2))
    turn = np.interp(np.log(hz), np.log(TABLE_HZ), -np.arctan(TABLE_HZ / 400))
    return value * 10 ** (size / 20) * np.exp(1j * turn)


def test_response_of_the_chain() -> None:
    np.testing.assert_allclose(chain_response(CHAIN, HZ), independent_response(HZ), rtol=1e-10)


@pytest.mark.parametrize(("order", "error"), [(None, 1e-5), (6, 1e-9)])
def test_filtered_directions_are_those_of_a_filtered_scan(order: int | None, error: float) -> None:
    """Weights of the whole model are sought step by step until little changes, and its quiet columns are rounded; least
    squares has neither."""
    drive = independent_response(HZ)
    before = fit(replace(SCAN, pressure_pa=SCAN.pressure_pa * drive), order=order)
    after = filtered(fit(SCAN, order=order), CHAIN)
    wanted, found = (
        direction_set(before, named_set("orbits-10")),
        direction_set(after, named_set("orbits-10")),
    )
    np.testing.assert_allclose(found.pressure_pa_m, wanted.pressure_pa_m, rtol=error)
    np.testing.assert_allclose(found.standard_error_db, wanted.standard_error_db, rtol=100 * error)
    np.testing.assert_allclose(after.far_field_error_db, before.far_field_error_db, atol=1000 * error)


def test_a_delay_is_a_falling_phase() -> None:
    value = chain_response([Simple(delay_s=1e-3)], np.array([250.0]))
    assert value[0] == pytest.approx(-1j)


def test_a_table_that_is_too_short_is_refused() -> None:
    with pytest.raises(ScanDataError, match="curve covers 90 to 1300 Hz, the scan 50 to 2000 Hz"):
        chain_response([replace(CHAIN[-1], name="curve")], np.array([50.0, 2000.0]))


def test_beyond_half_the_rate_is_refused() -> None:
    with pytest.raises(
        ScanDataError, match="ends at 4000 Hz, the scan reaches 5000 Hz: raise sampling_rate_hz"
    ):
        chain_response([Biquad("peaking", 500.0, sampling_rate_hz=8000.0)], np.array([100.0, 5000.0]))


@pytest.mark.parametrize("row", rows("air_and_gate", "absorption"))
def test_air_takes_what_the_standard_says(row) -> None:
    """A kilometre against the table of ISO 9613-2 (from memory, see the table's origin)."""
    celsius, humidity, _, frequency, _, published = row
    value = Air(1000.0, celsius, humidity).at(np.array([frequency]))[0]
    rounding = 0.5 if float(published) >= 100 else 0.06
    assert -20 * np.log10(abs(value)) == pytest.approx(float(published), abs=rounding)
    assert np.angle(value) == 0


def test_twice_the_distance_takes_twice_the_decibels() -> None:
    one, two = (20 * np.log10(np.abs(Air(d, 15.0, 30.0, 98.0).at(HZ))) for d in (20.0, 40.0))
    np.testing.assert_allclose(two, 2 * one, rtol=1e-12)
