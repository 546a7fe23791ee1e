"""Plans of scans: positions that may stop at any time, and numbers of points that do."""

from __future__ import annotations

import numpy as np
import pytest
from threadpoolctl import threadpool_limits

from scanproc.errors import SettingsError
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.report.words.scan_plan import plan_json, plan_lines
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.fit.expand import fit
from scanproc.steps.planning.positions import drum, shell, travel_m, travel_order
from scanproc.steps.planning.scan_plan import PlanChoices, plan_scan
from scanproc.waves.directions import lebedev_grid
from synthetic_scans.device import HORN_M, SIZE_M, paging_loudspeaker

SPEED_M_S = 343.2


@pytest.fixture(autouse=True)
def _one_thread():
    with threadpool_limits(1):
        yield


@pytest.fixture(scope="module")
def plan():
    with threadpool_limits(1):
        return plan_scan(PlanChoices(SIZE_M, 2000.0, source_m=tuple(HORN_M)))


def hole(position, chosen):
    return np.linalg.norm(position[:, None] - chosen[None], axis=2).min(axis=1).max()


@pytest.mark.parametrize("points", [shell(0.45, 600, 0), drum(0.3, 0.4, 600, 0)], ids=["shell", "drum"])
def test_every_beginning_is_spread_and_the_way_is_short(points):
    """No hole is wider than twice that of a triangular lattice of so many points; chance would travel twice as far."""
    found = travel_order(points, np.zeros(len(points), np.int64), np.random.default_rng(0)).position_m
    assert np.array_equal(np.unique(found, axis=0), np.unique(points, axis=0))
    area = (
        600
        * np.median([np.sort(np.linalg.norm(points - p, axis=1))[1] for p in points]) ** 2
        * np.sqrt(3)
        / 2
    )
    passes = range(36, 600, 36)
    for count in (*passes, 100, 250, 431):
        complete = count - count % 36  # a pass that is cut short adds to those before
        lattice = np.sqrt(2 * area / np.sqrt(3) / complete) / np.sqrt(3)
        assert hole(points, found[:count]) < 2 * lattice
    assert travel_m(found) < travel_m(np.random.default_rng(1).permutation(points)) / 2


def test_two_drums_share_the_points_and_clear_the_device():
    choices = PlanChoices(SIZE_M, 500.0, layers=2, surface="drum", room_up_to_hz=400.0)
    found = plan_scan(choices)
    position, layer = found.positions.position_m, found.positions.layer
    assert abs(np.sum(layer == 0) - np.sum(layer == 1)) <= 1
    beyond = np.abs(position) - np.array(SIZE_M) / 2
    assert np.all(beyond.max(axis=1) >= 0.05)
    assert np.diff(found.radii_m) == pytest.approx(SPEED_M_S / 400 / 4)


def test_a_scan_of_the_planned_points_meets_the_target(plan):
    """The invented paging loudspeaker, 60 dB signal-to-noise, at the plan's own positions."""
    position, frequency = plan.positions.position_m, np.array([500.0, 1000.0, 1600.0, 2000.0])
    device = paging_loudspeaker(0.3)
    rng = np.random.default_rng(2)
    pressure = device.pressure(position, frequency, SPEED_M_S)
    noise = rng.normal(size=(*pressure.shape, 2)) @ [1, 1j] * 10 ** (-60 / 20) / np.sqrt(2)
    pressure = pressure + noise * np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0))
    setup = ScanSetup(
        position, device_size_m=np.array(SIZE_M), device_centre_m=np.zeros(3), speed_of_sound_m_s=SPEED_M_S
    )
    found = fit(Scan(setup, frequency, pressure))
    direction, weight = lebedev_grid(71)
    exact = device.far_field(direction, frequency, SPEED_M_S)
    error = weight @ np.abs(far_field(found, direction) - exact) ** 2 / (weight @ np.abs(exact) ** 2)
    assert np.all(10 * np.log10(error) <= plan.target_db)


def test_numbers_rise_and_are_said_in_full(plan):
    assert np.all(np.diff(plan.points) >= 0)
    assert plan.total == plan.points[-1]
    document = plan_json(plan)
    assert document["verdict"] == plan_lines(plan)[0]
    assert document["bands"][-1]["nominal_hz"] == 2000
    assert len(document["cautions"]) >= 6
    assert np.all(plan.near >= plan.far)


@pytest.mark.parametrize(
    ("changes", "words"),
    [({"layers": 3}, "1 or 2 layers"), ({"source_m": (2.0, 0.0, 0.0)}, "must lie on the device")],
)
def test_impossible_wishes_are_refused(changes, words):
    with pytest.raises(SettingsError, match=words):
        plan_scan(PlanChoices(SIZE_M, 1000.0, **changes))
