"""Measured pressures with phase: part of the directions fitted, the rest predicted; and the closed form beside them.

The limits are 3 dB above what was seen when this was first tried with other code (-37 dB held out at 400 Hz to
1.25 kHz, -33 at 2 kHz, -26 at 4 kHz, -19 at 10 kHz; against the closed form -28 dB at 1.25 kHz and -19 at 4 kHz).
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from measured_sphere import DISTANCE_M, RADIUS_M, SPEED_M_S, capsule, closed_form

from scanproc.conventions import Complex, Real
from scanproc.records.answers.comparison import Comparison, Reference
from scanproc.records.fitted.expansion import Expansion
from scanproc.records.fitted.room import Gate
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from scanproc.steps.compare.differences import CompareChoices, compare
from scanproc.steps.compare.reference import reference_of
from scanproc.steps.farfield.sets import Turn, turned_back
from scanproc.steps.field.extrapolate import pressure_at
from scanproc.steps.fit.expand import fit
from scanproc.steps.sound.gate import gate
from scanproc.steps.sound.spectra import spectra

pytestmark = pytest.mark.dataset

FREQUENCY_HZ = 1000 * 2 ** (np.arange(-16, 41) / 12)
GATE = (80, 110)
"""Samples between which the window falls: behind them the room it was measured in is heard."""
CAPSULES = (0, 9, 20)


def measured(index: int, frequency_hz: Real = FREQUENCY_HZ) -> Scan:
    one = capsule(index)
    setup = ScanSetup(one.direction * DISTANCE_M, speed_of_sound_m_s=SPEED_M_S)
    whole = ImpulseScan(setup, one.response, one.rate_hz)
    end, fall = GATE[1] / one.rate_hz, (GATE[1] - GATE[0]) / one.rate_hz
    return spectra(gate(whole, Gate(np.full(480, end), fall, end, "samples")), frequency_hz)


@cache
def held_out(index: int) -> Comparison:
    """70 % of the directions fitted, the other 30 % as the reference."""
    scan = measured(index)
    shuffled = np.random.default_rng(3).permutation(scan.points)
    known, rest = np.sort(shuffled[:336]), np.sort(shuffled[336:])
    expansion = fit(scan.take_points(known), centre_m=(0.0, 0.0, 0.0), estimator="truncated")
    others = reference_of("the rest", tuple(map(str, rest)), scan.take_points(rest))
    return compare(expansion, replace(others, clock_known=False), CompareChoices(tolerance_db=2.0))


def at(found: Comparison, hz: float, values: Real) -> float:
    return float(values[np.argmin(np.abs(np.log(found.bands.band_hz / hz)))])


def test_the_rest_is_predicted_as_well_as_it_was_before() -> None:
    found = held_out(0)
    low = (found.bands.band_hz > 390) & (found.bands.band_hz < 1300)
    assert np.all(found.bands.actual_db[low] < -34)
    for hz, limit in ((2000.0, -30.0), (4000.0, -23.0), (10000.0, -16.0)):
        assert at(found, hz, found.bands.actual_db) < limit


@pytest.mark.parametrize("index", CAPSULES)
def test_the_held_out_error_is_an_honest_predictor(index: int) -> None:
    found = held_out(index)
    assert np.abs(found.bands.actual_db - found.bands.held_out_db).max() < 2
    assert found.alignment.toe_in_deg == pytest.approx(0, abs=0.2)
    assert found.alignment.gain_db == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("index", [0, pytest.param(9, marks=pytest.mark.slow), 20])
def test_the_closed_form_is_near_once_the_mounting_is_found(index: int) -> None:
    """The array's response over frequency is not in the file, so each frequency has a free complex factor, which the
    reference is given."""
    one, scan = capsule(index), measured(index)
    expansion = fit(scan, centre_m=(0.0, 0.0, 0.0), estimator="truncated")
    exact = closed_form(one.direction, one.at, FREQUENCY_HZ)
    reference = Reference(
        "rigid sphere",
        tuple(map(str, range(480))),
        one.direction,
        np.full(480, DISTANCE_M),
        FREQUENCY_HZ,
        exact * np.sum(scan.pressure_pa * exact.conj(), axis=0) / np.sum(np.abs(exact) ** 2, axis=0),
        relative=True,
        clock_known=False,
    )
    alignment = compare(expansion, reference, CompareChoices(up_to_hz=4500.0)).alignment
    back = Turn(-alignment.toe_in_deg, -alignment.tilt_deg)
    assert np.hypot(alignment.toe_in_deg, alignment.tilt_deg) < 6
    ahead = one.direction @ np.nan_to_num(alignment.offset_m)  # the sphere stood elsewhere for the array
    away = np.exp(-2j * np.pi / SPEED_M_S * ahead[:, None] * FREQUENCY_HZ)
    turned = closed_form(turned_back(one.direction, back), one.at, FREQUENCY_HZ) * away
    error = _free_factor_error_db(scan.pressure_pa, turned)
    assert error[_nearest(1250.0)] < -25
    assert error[_nearest(4000.0)] < -16
    before = _free_factor_error_db(scan.pressure_pa, exact)
    # a turn or move that is not clear of its error is not taken out: of capsule 20 that leaves 0.5 dB on the table
    assert error[_nearest(4000.0)] < before[_nearest(4000.0)] - (0.5 if index == CAPSULES[-1] else 1.0)
    for wrong in (turned.conj(), closed_form(one.direction * [1, 1, -1], one.at, FREQUENCY_HZ)):
        assert _free_factor_error_db(scan.pressure_pa, wrong)[_nearest(4000.0)] > error[_nearest(4000.0)] + 6


def _free_factor_error_db(measured_pa: Complex, exact: Complex) -> Real:
    factor = np.sum(measured_pa * exact.conj(), axis=0) / np.sum(np.abs(exact) ** 2, axis=0)
    rest = np.sum(np.abs(measured_pa - factor * exact) ** 2, axis=0) / np.sum(
        np.abs(measured_pa) ** 2, axis=0
    )
    return 10 * np.log10(rest)


def _nearest(hz: float) -> int:
    return int(np.argmin(np.abs(np.log(FREQUENCY_HZ / hz))))


def test_about_the_capsule_the_rest_is_predicted_better_than_about_the_sphere() -> None:
    """At 14 kHz and above, where the middle of the sphere takes more degrees than 70 % of the directions carry."""
    one = capsule(0)
    scan = measured(0, np.array([14000.0, 15000.0, 16000.0]))
    shuffled = np.random.default_rng(3).permutation(scan.points)
    known, rest = np.sort(shuffled[:336]), np.sort(shuffled[336:])
    training, sits = scan.take_points(known), one.at * RADIUS_M
    np.testing.assert_allclose(sits, [0.0392, 0.0, 0.0151], atol=1e-4)
    others = reference_of("the rest", tuple(map(str, rest)), scan.take_points(rest))
    error = [
        _rest_error_db(fit(training, centre_m=centre, estimator="truncated"), others)
        for centre in (sits, np.zeros(3))
    ]
    assert np.all(error[0] < error[1] - 4)


def _rest_error_db(expansion: Expansion, others: Reference) -> Real:
    assert others.distance_m is not None
    predicted = pressure_at(expansion, others.direction * others.distance_m[:, None])
    missed = np.sum(np.abs(predicted - others.pressure_pa) ** 2, axis=0)
    level: Real = 10 * np.log10(missed / np.sum(np.abs(others.pressure_pa) ** 2, axis=0))
    return level
