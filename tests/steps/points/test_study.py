"""How many points are enough, against boundary elements: numbers among the points taken, beyond them, and refusals."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from box_scans import taken, true_db
from small_scans import monopole_scan
from threadpoolctl import threadpool_limits

from scanproc.records.measured.scan import ScanSetup
from scanproc.report.words.points import points_answer
from scanproc.steps.fit.expand import fit_planned
from scanproc.steps.fit.plan import prepare
from scanproc.steps.points.curve import crossing
from scanproc.steps.points.study import StudyChoices, pace_s, study
from scanproc.steps.points.subsets import spread_subset
from tests.benchmarks.fleet import Scenario, make

FEW = StudyChoices(sizes=4, draws=2)
TARGET_DB = -25.0
SEVEN = Scenario("bem-box-f", "two", 250, 50.0, room=False, size_factor=1.0, shift_m=0.0)


@pytest.fixture(autouse=True)
def _one_thread():
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module")
def studied():
    """150 points of the box: two bands where they are enough and one, at 3 kHz, where they are not."""
    with threadpool_limits(1):
        scan = taken(150, 1)
        plan = prepare(scan)
        return scan, plan, study([(scan, plan)], target_db=TARGET_DB, choices=FEW)


def fresh_db(points, band):
    """True error of fresh scans of that size, middle of three."""
    errors = []
    for seed in (5, 6, 7):
        scan = taken(points, seed).take_frequencies(np.arange(3)[[band]])
        errors.append(true_db(fit_planned(scan, prepare(scan)), band))
    return np.median(errors)


def test_all_points_have_the_error_that_the_conversion_states(studied):
    scan, plan, found = studied
    np.testing.assert_allclose(found.predicted_db[-1], fit_planned(scan, plan).far_field_error_db, atol=1e-9)


@pytest.mark.slow
def test_numbers_told_are_where_the_true_error_meets_the_target(studied):
    """Beyond the points taken at 3 kHz, among them at 2 kHz: not with a quarter fewer, surely with a quarter more."""
    _, _, found = studied
    assert found.needed[-1] > 150 > found.needed[-2]
    for band in (-1, -2):
        fewer, more = (round(share * found.needed[band]) for share in (0.75, 1.25))
        assert fresh_db(fewer, band) > TARGET_DB >= fresh_db(more, band)


def test_fits_of_parts_stand_beside_what_is_told_for_them(studied):
    """Interval and refits agree: twice as far off, twice as wide, or nearly."""
    _, _, found = studied
    assert len(found.refit_db) >= 4
    assert set(found.refit_size) <= set(found.size[:-1])
    off = np.sqrt(np.mean((found.refit_db - found.refit_told_db) ** 2))
    assert 0 < off < 4
    known = np.isfinite(found.needed_high)
    assert known.any()
    assert np.all(found.needed_low <= found.needed)
    assert np.all(found.needed_high[known] >= found.needed[known])
    assert np.all(found.needed_low[-1:] < found.needed[-1:])


def test_errors_told_are_those_of_parts_fitted_anew_where_there_are_any(studied):
    """With one part of each size, the curve goes through what its fit found."""
    scan, plan, _ = studied
    found = study([(scan, plan)], target_db=TARGET_DB, choices=StudyChoices(sizes=4, draws=1))
    assert len(found.refit_db) >= 4
    for size, hz, error in zip(found.refit_size, found.refit_band_hz, found.refit_db, strict=True):
        told = found.predicted_db[found.size == size, found.band_hz == hz]
        assert told == pytest.approx(error, abs=1e-9)


def test_a_part_fitted_anew_errs_as_it_does_in_truth(studied):
    """The error against the fit of all points is the true one, within 3 dB."""
    scan, _, found = studied
    size = int(found.refit_size[-1])
    part = scan.take_points(spread_subset(scan.setup, size, np.random.default_rng([0, size, 0])))
    true = true_db(fit_planned(part, prepare(part)))
    band = int(np.abs(found.band_hz - found.refit_band_hz[-1]).argmin())
    assert found.refit_db[-1] == pytest.approx(true[band], abs=3)


def test_parts_are_fitted_anew_where_the_plan_moves_points(studied):
    """Moved by nothing, the refits are the same; each part takes the displacements of its own points."""
    scan, plan, found = studied
    moved = replace(plan, moved_m=np.zeros((150, 3)), moved_variance_m2=np.zeros((150, 3)))
    again = study([(scan, moved)], target_db=TARGET_DB, choices=FEW)
    np.testing.assert_allclose(again.refit_db, found.refit_db, atol=1e-6)
    some = np.array([3, 5, 8])
    assert np.array_equal(
        replace(plan, moved_m=scan.setup.position_m).of_points(some).moved_m, scan.setup.position_m[some]
    )


def test_nothing_is_told_where_the_points_explain_too_little(studied):
    """Sound that is noise and nothing else."""
    scan, _, _ = studied
    rng = np.random.default_rng(0)
    noise = replace(scan, pressure_pa=rng.normal(size=(*scan.pressure_pa.shape, 2)) @ [1, 1j])
    found = study([(noise, prepare(noise))], choices=FEW)
    assert np.all(np.isnan(found.needed))
    assert all(found.reason)
    assert len(found.refit_db) == 0


def test_a_target_out_of_reach_is_refused_with_what_is_reached(studied):
    scan, plan, _ = studied
    one = scan.take_frequencies(slice(0, 1))
    found = study([(one, plan)], target_db=-100.0, choices=FEW)
    assert np.isnan(found.needed[0])
    assert "434 points would bring -" in found.reason[0]


@pytest.mark.parametrize("fault", ["places", "noise"])
def test_where_no_number_will_the_fault_that_was_put_in_is_named(fault):
    """Points 1 mm off in each axis, of a scan of seven frequencies, since fewer do not tell that; or 15 dB of
    signal-to-noise. What that leaves is less than what is reached."""
    rng = np.random.default_rng(3)
    if fault == "places":
        scan = make(SEVEN, 3, 7)[0]
        moved = scan.setup.position_m + 1e-3 * rng.normal(size=(250, 3))
        spoilt = replace(scan, setup=replace(scan.setup, position_m=moved))
    else:
        scan = taken(200, 1)
        rms = np.sqrt(np.mean(np.abs(scan.pressure_pa) ** 2, axis=0))
        noise = rng.normal(size=(*scan.pressure_pa.shape, 2)) @ [1, 1j] * 10 ** (-15 / 20) / np.sqrt(2)
        spoilt = replace(scan, pressure_pa=scan.pressure_pa + rms * noise)
    plan = prepare(spoilt)
    number = 4 if fault == "places" else 1
    found = study([(spoilt.take_frequencies(slice(number, number + 1)), plan)], target_db=-50.0, choices=FEW)
    assert found.limit == (fault,)
    assert -50 < found.left_db[0] <= np.nanmin(found.curve_db)
    answer = points_answer(found, "default")
    words = {
        "places": "the error of the points' places (1.1 mm along each axis) leaves -4",
        "noise": "noise leaves -",
    }
    assert answer.bands[0].never.startswith(words[fault])
    name = {"places": "1.6 kHz", "noise": "2 kHz"}[fault]
    assert f"at {name} no number will do: {answer.bands[0].never}" in answer.verdict


def test_least_squares_alone_tell_nothing_beyond():
    """The orders that the plan has, the error that the conversion states, and no number above the points."""
    scan = taken(150, 1)
    plan = prepare(scan, estimator="truncated")
    found = study([(scan, plan)], target_db=TARGET_DB, choices=FEW)
    np.testing.assert_array_equal(found.order[-1], plan.order)
    np.testing.assert_allclose(found.predicted_db[-1], fit_planned(scan, plan).far_field_error_db, atol=0.5)
    missed = found.predicted_db[-1] > TARGET_DB
    assert missed.any()
    assert np.array_equal(np.isnan(found.needed), missed)
    assert all(reason for reason, without in zip(found.reason, missed, strict=True) if without)


def test_orders_stand_in_a_table(studied):
    """Every order that a size can carry has errors, with all points the best order is no worse than its neighbours."""
    _, _, found = studied
    last = found.held_out_db[-1]
    for band, order in enumerate(found.order[-1]):
        assert np.isfinite(last[: order + 1, band]).all()
        assert last[order, band] <= np.nanmin(last[:, band]) + 2
    assert np.isfinite(found.predicted_by_order_db[-1, 1]).all()


def test_the_same_study_twice_is_the_same():
    scan = monopole_scan().take_frequencies(slice(-2, None))
    plan = prepare(scan)
    one, two = (study([(scan, plan)], choices=FEW) for _ in range(2))
    assert points_answer(one, "default").as_json() == points_answer(two, "default").as_json()


def test_a_target_is_crossed_between_sizes():
    size, error = np.array([100.0, 200.0, 400.0]), np.array([-10.0, -20.0, -40.0])
    assert crossing(size, error, -30.0) == pytest.approx(200 * 2**0.5)
    assert crossing(size, error, -5.0) == 100
    assert np.isnan(crossing(size, error, -41.0))
    assert crossing(size, np.array([-30.0, -20.0, -40.0]), -30.0) > 200


def test_the_pace_ignores_pauses():
    time = np.cumsum(np.r_[0.0, np.full(98, 9.0), 4000.0])
    scan = monopole_scan()
    assert pace_s(ScanSetup(scan.setup.position_m, time_s=time)) == 9.0
    assert pace_s(scan.setup) is None
