"""The error told by points and weights alone, against fits of other points and the truth of boundary elements."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from box_scans import taken, true_db
from threadpoolctl import threadpool_limits

from scanproc.steps.fit.expand import fit_one, fit_planned
from scanproc.steps.fit.plan import prepare
from scanproc.steps.model.box import device_box
from scanproc.steps.model.field_model import Device, make_model, model_at
from scanproc.steps.model.room_waves import Scattering
from scanproc.steps.points.formula import far_error, mean_prior, mean_variance
from scanproc.steps.points.subsets import spread_subset


@pytest.fixture(autouse=True)
def _one_thread():
    with threadpool_limits(1):
        yield


def formula_of(scan, plan, index):
    return far_error(fit_one(scan, plan, index))


@pytest.fixture(scope="module")
def fitted():
    """220 points of two shells, their plan, and the formula at each frequency."""
    with threadpool_limits(1):
        scan = taken(220, 1)
        plan = prepare(scan)
        return scan, plan, [formula_of(scan, plan, index) for index in range(3)]


def refitted_db(points):
    """True errors of scans of that size with weights of their own, mean of three, (F,)."""
    errors = []
    for seed in (5, 6, 7):
        scan = taken(points, seed)
        errors.append(10 ** (true_db(fit_planned(scan, prepare(scan))) / 10))
    return 10 * np.log10(np.mean(errors, axis=0))


def test_all_points_have_the_error_of_the_conversion(fitted):
    scan, plan, formulas = fitted
    told = [one.error_db for one in formulas]
    np.testing.assert_array_equal(told, fit_planned(scan, plan).far_field_error_db)
    for one in formulas:
        again = [*one.with_parts([np.arange(scan.points)]), one.at(one.model.position_m)]
        np.testing.assert_allclose(again, one.error_db, atol=0.01)


def test_fewer_points_are_told_as_they_turn_out(fitted):
    """Within 5 dB at a half and a quarter of the points, where errors run from -45 to -7 dB."""
    scan, _, formulas = fitted
    for points in (110, 55):
        part = spread_subset(scan.setup, points, np.random.default_rng(3))
        told = [one.with_parts([part])[0] for one in formulas]
        np.testing.assert_allclose(told, refitted_db(points), atol=5)


def test_blocks_are_as_loud_elsewhere_as_at_the_scan(fitted):
    """Some of the points, moved there or sliced: the same covariance; a model of their own has other shares."""
    scan, _, formulas = fitted
    model, weight = formulas[0].model, formulas[0].weight
    some = model.position_m[::3]
    moved = model_at(model, some)
    np.testing.assert_allclose(moved.columns, model.columns[::3], atol=1e-12)
    assert np.array_equal(moved.share, model.share)
    near, far = (
        mean_variance(model_at(model, model.position_m * s), weight, np.full(scan.points, 1e-4))
        for s in (1.0, 1.3)
    )
    assert far > near


def test_a_room_goes_along():
    """The room's waves at other points are those of a model made there."""
    scan = taken(80, 1)
    device = Device(device_box(scan.setup), np.zeros((1, 3)))
    model = make_model(scan.setup.position_m, 10.0, device, Scattering())
    moved = model_at(model, model.position_m[::2])
    assert moved.room is not None
    np.testing.assert_allclose(
        moved.room.covariance(), model.room.covariance(slice(None, None, 2), slice(None, None, 2)), atol=1e-6
    )


def test_before_any_point_all_is_open(fitted):
    """One point far away tells nothing, all points nearly everything."""
    _, _, formulas = fitted
    one = formulas[0]
    prior = mean_prior(one.model, one.weight)
    nowhere = model_at(one.model, np.array([[1e6, 0.0, 0.0]]))
    assert mean_variance(nowhere, one.weight, np.ones(1)) == pytest.approx(prior)
    assert one.variance < 1e-3 * prior


def test_noise_limits_what_points_bring(fitted):
    _, _, formulas = fitted
    loud = replace(formulas[0], noise=np.full(220, 0.1))
    assert loud.at(loud.model.position_m) > formulas[0].error_db + 10
