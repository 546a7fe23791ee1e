"""More points on the same surface: where they would lie, and what the informed fit's posterior says they bring."""

from __future__ import annotations

from dataclasses import replace

import h5py
import numpy as np
import pytest
from threadpoolctl import threadpool_limits
from truth import FOLDER

from scanproc.records.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import pressure_at
from scanproc.steps.fit.expand import fit_planned
from scanproc.steps.fit.plan import prepare
from scanproc.steps.points.more_points import by_posterior, complete_with_more_points, like_these
from scanproc.steps.points.subsets import spread_subset
from scanproc.waves.directions import fibonacci_sphere

SPEED_M_S = 343.2
TARGET_DB = -40.0


@pytest.fixture(autouse=True)
def _one_thread():
    with threadpool_limits(1):
        yield


def drum(count):
    direction = fibonacci_sphere(count)
    flat = np.maximum(np.hypot(direction[:, 0], direction[:, 1]) / 0.4, np.abs(direction[:, 2]) / 0.5)
    return direction / flat[:, None]


def test_more_points_lie_on_the_surface_that_was_scanned():
    """Of a drum 0.4 m in radius and 0.5 m in half height: inside by the sag of a curve between neighbours at most."""
    found = like_these(ScanSetup(drum(600), speed_of_sound_m_s=SPEED_M_S), 900)
    assert len(found) == 900
    out = np.maximum(np.hypot(found[:, 0], found[:, 1]) / 0.4, np.abs(found[:, 2]) / 0.5)
    assert np.all(np.abs(out - 1) < 0.07)
    assert abs(np.median(out) - 1) < 0.01


def test_gaps_stay_gaps_and_layers_keep_their_shares():
    shell = fibonacci_sphere(400)
    kept = shell[:, 2] > -0.6
    position = np.concatenate([0.3 * shell[kept], 0.4 * shell[kept]])
    layer = np.repeat([0, 1], kept.sum())
    found = like_these(ScanSetup(position, layer=layer, speed_of_sound_m_s=SPEED_M_S), 1000)
    middle = position.mean(axis=0)
    direction = (found - middle) / np.linalg.norm(found - middle, axis=1)[:, None]
    scanned = (position - middle) / np.linalg.norm(position - middle, axis=1)[:, None]
    nearest = np.arccos(np.clip((direction @ scanned.T).max(axis=1), -1, 1))
    assert np.degrees(nearest.max()) < 1.5 * np.degrees(np.sqrt(4 * np.pi / kept.sum())) + 1
    assert len(found) < 950
    radius = np.linalg.norm(found, axis=1)
    assert abs(np.mean(radius < 0.35) - 0.5) < 0.05


def box_scan(points, seed):
    """The boundary-element box of tests/truth at 2.4 kHz, well-spread points of its two shells, 50 dB noise."""
    rng = np.random.default_rng(seed)
    with h5py.File(FOLDER / "bem-box.h5") as file:
        setup = ScanSetup(
            file["shell_position_m"][:],
            speed_of_sound_m_s=SPEED_M_S,
            device_size_m=file.attrs["box_size_xyz_m"],
            device_centre_m=file.attrs["box_centre_m"],
        )
        pressure, far = file["shell_pressure"][:, -2], file["far_pressure"][:, -2]
        frequency, far_m = file["frequency_hz"][-2], file["far_position_m"][:]
    chosen = spread_subset(setup, points, rng)
    level = np.sqrt(np.mean(np.abs(pressure) ** 2)) * 10 ** (-50 / 20)
    noise = level * (rng.standard_normal(points) + 1j * rng.standard_normal(points)) / np.sqrt(2)
    scan = Scan(
        setup.take(chosen), np.array([frequency]), (pressure[chosen] + noise)[:, None], np.array([level])
    )
    return scan, far_m, far


def true_error_db(scan, plan, far_m, far):
    error = pressure_at(fit_planned(scan, plan), far_m)[:, 0] - far
    return 10 * np.log10(np.sum(np.abs(error) ** 2) / np.sum(np.abs(far) ** 2))


def test_the_number_told_is_where_the_true_error_meets_the_target():
    """Told from 180 points of the boundary-element box; the truth with a quarter fewer and a quarter more."""
    scan, *_ = box_scan(180, 1)
    plan = prepare(scan, estimator="informed")
    error_db = float(fit_planned(scan, plan).far_field_error_db[0])
    assert error_db > TARGET_DB + 3
    told = by_posterior(scan.setup, plan, float(scan.frequency_hz[0]), error_db, TARGET_DB)
    assert told is not None
    assert told.low < told.points < told.high
    fewer, more = (
        np.median([true_error_db(*taken(round(share * told.points), seed)) for seed in (2, 3, 4)])
        for share in (0.75, 1.25)
    )
    assert more < TARGET_DB < fewer


def taken(points, seed):
    scan, far_m, far = box_scan(points, seed)
    return scan, prepare(scan, estimator="informed"), far_m, far


def test_nothing_is_told_where_the_fit_explains_too_little_or_no_weights_are_known():
    scan, *_ = box_scan(150, 1)
    plan = prepare(scan, estimator="truncated", centre_m=(0, 0, 0))
    assert by_posterior(scan.setup, plan, float(scan.frequency_hz[0]), -20.0, TARGET_DB) is None
    learnt = prepare(scan, estimator="informed", centre_m=(0, 0, 0))
    assert by_posterior(scan.setup, learnt, float(scan.frequency_hz[0]), -1.0, TARGET_DB) is None
    assert by_posterior(scan.setup, learnt, float(scan.frequency_hz[0]), -30.0, -200.0) is None


def test_nothing_is_told_where_columns_do_not_hold_all_that_the_device_radiates():
    """The same weights at ten times the frequency: the box of 0.3 m is neither rigid nor complete there."""
    scan, *_ = box_scan(150, 1)
    hz = 10 * scan.frequency_hz
    learnt = prepare(scan, estimator="informed", centre_m=(0, 0, 0))
    high = replace(learnt, frequency_hz=hz, sample_hz=hz)
    assert by_posterior(scan.setup, high, float(hz[0]), -20.0, TARGET_DB) is None
    assert not complete_with_more_points(scan.setup, high, float(hz[0]))
    assert complete_with_more_points(scan.setup, learnt, float(scan.frequency_hz[0]))
    truncated = replace(high, informed=np.zeros(1))
    assert complete_with_more_points(scan.setup, truncated, float(hz[0]))
