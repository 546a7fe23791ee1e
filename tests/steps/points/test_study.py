"""A study of the number of points, against fields in closed form."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from small_scans import even_points, monopole_scan
from threadpoolctl import threadpool_limits

from scanproc.records.fit_plan import FitPlan
from scanproc.records.scan import Scan, ScanSetup
from scanproc.report.words.points import points_answer
from scanproc.steps.field.extrapolate import far_field, pressure_at
from scanproc.steps.fit.expand import fit as fit_of
from scanproc.steps.fit.expand import fit_planned
from scanproc.steps.fit.plan import prepare
from scanproc.steps.points.neighbours import groups
from scanproc.steps.points.study import EASY_DB, StudyChoices, band_frequencies, pace_s
from scanproc.steps.points.study import study as study_of
from scanproc.steps.points.subsets import farthest_first, spread_subset, subset_sizes
from scanproc.waves.bands import third_octave_index
from scanproc.waves.directions import lebedev_grid
from synthetic_scans.recipe import load, make_scan, truth

TRUNCATED = {"centre_m": (0.0, 0.0, 0.0), "estimator": "truncated"}
"""Quick; what the study adds is the same for either estimator."""
study, fit = partial(study_of, **TRUNCATED), partial(fit_of, **TRUNCATED)


@pytest.fixture(autouse=True)
def _one_thread():
    with threadpool_limits(1):
        yield


def horn(points, count=30, stop_hz=4000.0, seed=11):
    """The invented paging loudspeaker on an even shell, fewer diaphragm points, 60 dB signal-to-noise."""
    recipe = load("demo")
    return recipe.model_copy(
        update={
            "seed": seed,
            "surface": recipe.surface.model_copy(update={"points": points}),
            "device": recipe.device.model_copy(update={"detail": 0.3}),
            "frequencies": recipe.frequencies.model_copy(
                update={"count": count, "start_hz": 200.0, "stop_hz": stop_hz}
            ),
        }
    )


def true_error_db(recipe, scan):
    """Far-field error of a fit over the sphere by band, by a Lebedev rule and the closed form, (bands,)."""
    direction, weight = lebedev_grid(71)
    exact = truth(recipe).far_field(direction, scan.frequency_hz)
    error = far_field(fit(scan, centre_m=(0.0, 0.0, 0.0), estimator="truncated"), direction) - exact
    ratio = weight @ np.abs(error) ** 2 / (weight @ np.abs(exact) ** 2)
    band = third_octave_index(scan.frequency_hz)
    return 10 * np.log10([ratio[band == one].mean() for one in np.unique(band)])


def test_a_fresh_scan_of_the_size_called_enough_meets_the_target():
    """Within 1.5 dB, in every band; with half of that some band fails.

    The middle of three fresh scans of nearly that size: an even shell of just one size may lie badly (-20.5 dB with 804
    points where 790 and 815 give -24).
    """
    recipe = horn(860)
    choices = StudyChoices(sizes=7, draws=3, per_band=2)
    found = study(make_scan(recipe), target_db=-25.0, choices=choices)
    assert np.all(found.needed <= 860)
    for points, enough in ((found.needed.max(), True), (0.5 * found.needed.max(), False)):
        fresh = [horn(round(points) + more, seed=99) for more in (-12, 0, 12)]
        error = np.median([true_error_db(one, make_scan(one)) for one in fresh], axis=0)
        assert (error.max() <= -25 + 1.5) == enough


def between(recipe, start_hz):
    """The recipe from a frequency on."""
    frequencies = recipe.frequencies.model_copy(update={"start_hz": start_hz})
    return recipe.model_copy(update={"frequencies": frequencies})


def fresh_error_db(recipe, points):
    """Far-field error of both fits over three fresh scans, their directions and frequencies."""
    direction, weight = lebedev_grid(71)
    errors = []
    for seed in (5, 6, 7):
        surface = recipe.surface.model_copy(update={"points": points})
        fresh = recipe.model_copy(update={"surface": surface, "seed": seed})
        scan = make_scan(fresh)
        exact = truth(fresh).far_field(direction, scan.frequency_hz)
        error = far_field(fit_of(scan), direction) - exact
        errors.append(weight @ np.abs(error) ** 2 / (weight @ np.abs(exact) ** 2))
    return 10 * np.log10(np.mean(errors))


def test_fewer_points_decide_for_themselves():
    """At 2.4 to 2.7 kHz 700 points do best by truncation about the device's middle, 260 by the informed fit about the
    source: the error told for 260 is that of fresh scans."""
    recipe = between(horn(700, count=3, stop_hz=2700.0), 2400.0)
    choices = StudyChoices(sizes=2, draws=2, per_band=3, smallest_share=260 / 700)
    found = study_of(make_scan(recipe), choices=choices)
    assert found.size.tolist() == [260, 700]
    assert found.predicted_db[0, 0] == pytest.approx(fresh_error_db(recipe, 260), abs=3)


def test_a_study_of_half_the_points_says_what_more_would_take():
    """Carried on from 300 points, a band that takes more is told within 25 % of what the full series shows."""
    choices = StudyChoices(sizes=9, draws=3, per_band=1, smallest_share=0.15)
    small = study(make_scan(horn(300)), choices=choices)
    full = study(make_scan(horn(1100)), choices=StudyChoices(sizes=14, draws=3, per_band=1))
    beyond = (small.needed > 300) & (full.needed <= 1100)
    assert beyond.sum() >= 1
    assert small.needed[beyond] == pytest.approx(full.needed[beyond], rel=0.25)
    assert np.all(small.needed_low[beyond] >= 300)


def test_a_band_that_all_points_serve_asks_for_no_more():
    """As the conversion of the same scan says: a target half a decibel above what all points reach is met by them,
    one below it is not."""
    scan, choices = make_scan(horn(300)), StudyChoices(sizes=4, draws=2, per_band=1)
    reached = study(scan, choices=choices).predicted_db[-1]
    band = int(np.argmin(np.abs(reached + 15)))
    met = study(scan, choices=choices, target_db=float(reached[band]) + 0.5)
    missed = study(scan, choices=choices, target_db=float(reached[band]) - 0.1)
    assert met.needed[band] == met.needed_high[band] == 300
    assert not met.reason[band]
    assert not missed.needed[band] <= 300


def test_all_points_have_the_error_that_the_conversion_states() -> None:
    """Where truncation alone beats the target with ease and the plan has a better fit."""
    scan = make_scan(between(horn(300, count=3, stop_hz=2400.0), 1500.0))
    plan = prepare(scan)
    plain, planned = (fit_planned(scan, one).far_field_error_db for one in (without_informed(plan), plan))
    target_db = float(plain.max()) + EASY_DB + 1
    assert np.max(plain - planned) > 2
    choices = StudyChoices(sizes=2, draws=1, per_band=1, smallest_share=0.8)
    found = study_of(scan, choices=choices, plan=plan, target_db=target_db)
    np.testing.assert_allclose(found.predicted_db[-1], planned, atol=0.01)


def test_no_curve_is_carried_on_where_no_fit_is_complete(monkeypatch: pytest.MonkeyPatch) -> None:
    """One band, half a decibel short: its curve tells how many more, but not where errors level off."""
    scan, choices = make_scan(between(horn(300, count=2, stop_hz=2400.0), 2000.0)), StudyChoices(2, 1, 0.7, 1)
    reached = float(study(scan, choices=choices).predicted_db[-1, -1])
    assert study(scan, choices=choices, target_db=reached - 0.5).needed[-1] > 300
    monkeypatch.setattr("scanproc.steps.points.study.complete_with_more_points", lambda *_: False)
    refused = study(scan, choices=choices, target_db=reached - 0.5)
    assert np.isnan(refused.needed[-1])
    assert refused.reason[-1]


def without_informed(plan: FitPlan) -> FitPlan:
    return replace(plan, informed=np.zeros_like(plan.informed))


def test_the_informed_fit_needs_fewer_points():
    """The same scan, one band that truncation about the origin does not serve: fewer points, and they are enough."""
    recipe = between(horn(300, count=2, stop_hz=3200.0), 3000.0)
    choices = StudyChoices(sizes=2, draws=1, per_band=1, smallest_share=0.7)
    scan = make_scan(recipe)
    plain, found = study(scan, choices=choices), study_of(scan, choices=choices)
    assert np.isnan(plain.needed[-1])
    assert found.needed[-1] <= 300
    assert fresh_error_db(recipe, int(np.ceil(found.needed[-1]))) <= -25 + 1.5


def test_a_third_of_the_points_serve_the_horn():
    """At 6.1 to 6.5 kHz, far off the scan's centre: a plain fit about that centre still fails with three times as
    many."""
    direction, weight = lebedev_grid(131)
    errors = []
    for points, way in ((650, fit_of), (3 * 650, fit)):
        recipe = between(horn(points, count=2, stop_hz=6500.0), 6100.0)
        recipe = recipe.model_copy(update={"device": recipe.device.model_copy(update={"detail": 1.0})})
        scan = make_scan(recipe)
        exact = truth(recipe).far_field(direction, scan.frequency_hz)
        error = far_field(way(scan), direction) - exact
        errors.append(weight @ np.abs(error) ** 2 / (weight @ np.abs(exact) ** 2))
    few, many = 10 * np.log10(np.mean(errors, axis=1))
    assert few < -25
    assert many > -25


def test_the_same_study_twice_is_the_same():
    scan, choices = monopole_scan(), StudyChoices(sizes=4, draws=2)
    one, two = study(scan, choices=choices), study(scan, choices=choices)
    assert points_answer(one, "default").as_json() == points_answer(two, "default").as_json()


def test_twins_do_not_flatter():
    """Each point measured twice, 2 mm apart: leaving out one at a time sees the noise of its twin only."""
    recipe = horn(260, count=8, stop_hz=2500.0)
    single = make_scan(recipe)
    outer = single.setup.position_m * (1 + 0.002 / 0.46)
    pressure = truth(recipe).pressure(np.concatenate([single.setup.position_m, outer]), single.frequency_hz)
    rng = np.random.default_rng(1)
    noise = rng.normal(size=(*pressure.shape, 2)) @ [1, 1j] * 10 ** (-50 / 20)
    position = np.concatenate([single.setup.position_m, outer])
    speed = single.setup.speed_of_sound_m_s
    layer = np.repeat([0, 1], 260)
    pressure = pressure + noise * np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0) / 2)
    scan = Scan(ScanSetup(position, layer=layer, speed_of_sound_m_s=speed), single.frequency_hz, pressure)
    both = study(scan, choices=StudyChoices(sizes=3, draws=1, per_band=1))
    plain = fit(scan, centre_m=(0.0, 0.0, 0.0), estimator="truncated")
    last = -1
    order = int(plain.order[last])
    one_at_a_time = plain.held_out_db[order, last]
    with_twins = both.held_out_db[-1, order, last]
    elsewhere = even_points(500, 0.46)
    exact = truth(recipe).pressure(elsewhere, single.frequency_hz)[:, last]
    error = pressure_at(plain, elsewhere)[:, last] - exact
    true = 10 * np.log10(np.sum(np.abs(error) ** 2) / np.sum(np.abs(exact) ** 2))
    assert one_at_a_time < true - 3
    assert with_twins > true - 3


def test_bands_are_judged_at_a_few_of_their_frequencies():
    frequency = np.arange(40.0, 19201.0, 40.0)
    picked = band_frequencies(frequency, 3)
    assert len(picked) <= 3 * 27
    assert np.all(np.diff(picked) > 0)


def test_sizes_rise_to_all():
    size = subset_sizes(3800, 8)
    assert size[0] == 380
    assert size[-1] == 3800
    assert np.all(np.diff(np.log(size)) == pytest.approx(np.log(10) / 7, rel=0.01))


@pytest.mark.parametrize("kind", ["shell", "drum", "gap"])
def test_subsets_are_spread(kind):
    """The widest hole, from any scanned point to the nearest chosen one, is far smaller than in a plain draw."""
    position = even_points(1000, 0.4)
    if kind == "gap":
        position = position[position[:, 2] > -0.3]
    if kind == "drum":
        position = position * [1, 1, 1.8]
    setup = ScanSetup(position)
    rng = np.random.default_rng(0)
    for size in (100, 400):
        chosen = spread_subset(setup, size, rng)
        assert len(np.unique(chosen)) == size
        plain = rng.permutation(len(position))[:size]
        assert hole(position, chosen) < 0.75 * hole(position, plain)


def hole(position, chosen):
    return np.linalg.norm(position[:, None] - position[None, chosen], axis=2).min(axis=1).max()


def nearest(position):
    distance = np.linalg.norm(position[:, None] - position[None], axis=2) + 9 * np.eye(len(position))
    return distance.min(axis=1)


def test_layers_give_their_shares():
    position = np.concatenate([even_points(300, 0.4), even_points(100, 0.5)])
    setup = ScanSetup(position, layer=np.repeat([0, 1], [300, 100]))
    chosen = spread_subset(setup, 81, np.random.default_rng(0))
    assert len(chosen) == 81
    assert np.sum(chosen >= 300) in (20, 21)


def test_every_beginning_of_farthest_first_is_spread():
    position = even_points(600, 0.4)
    order = farthest_first(position, 300, np.random.default_rng(2))
    assert len(np.unique(order)) == 300
    for count in (30, 100, 300):
        ideal = 0.4 * np.sqrt(8 * np.pi / np.sqrt(3) / count)  # spacing of a triangular lattice
        assert nearest(position[order[:count]]).min() > 0.5 * ideal


def test_no_neighbours_on_an_even_layer_and_twins_across_layers():
    inner, outer = even_points(300, 0.40), even_points(300, 0.405)
    tested = np.arange(0, 300, 7)
    alone = groups(ScanSetup(inner), tested, 1.0)
    assert alone.shape == (len(tested), 1)
    setup = ScanSetup(np.concatenate([inner, outer]), layer=np.repeat([0, 1], 300))
    pairs = groups(setup, tested, 1.0)
    assert np.array_equal(pairs, np.stack([tested, tested + 300], axis=1))
    assert groups(setup, tested, 0.008).shape[1] == 1  # half a wavelength is less than the gap


def test_the_pace_ignores_pauses():
    time = np.cumsum(np.r_[0.0, np.full(98, 9.0), 4000.0])
    scan = monopole_scan()
    stamped = Scan(ScanSetup(scan.setup.position_m, time_s=time), scan.frequency_hz, scan.pressure_pa)
    assert pace_s(stamped) == 9.0
    assert pace_s(scan) is None
