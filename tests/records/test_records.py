"""Records refuse what cannot be used, in words that help, and cannot be changed afterwards."""

import dataclasses
import pickle

import numpy as np
import pytest

from scanproc.errors import ScanDataError
from scanproc.records.answers.directions import DirectionSet
from scanproc.records.fitted.expansion import Expansion, join
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup

SETUP = ScanSetup(np.arange(9.0).reshape(3, 3), time_s=[0, 1, 2], layer=[0, 0, 1])


def scan(**other):
    fields = {"setup": SETUP, "frequency_hz": [1.0, 2.0], "pressure_pa": np.arange(6).reshape(3, 2) * 1j}
    return Scan(**(fields | other))


def expansion(count=2, order=1, orders=3, **other):
    fields = {
        "frequency_hz": np.arange(1.0, count + 1),
        "order": np.full(count, order),
        "centre_m": np.zeros((count, 3)),
        "scaling_radius_m": np.ones(count),
        "wavenumber_rad_m": np.ones(count),
        "coefficients_pa": np.full(((order + 1) ** 2, count), 1 + order * 1j),
        "held_out_db": np.full((orders, count), -10.0 * orders),
        "far_field_error_db": np.full(count, np.nan),
        "coefficient_variance_pa2": np.ones((orders, count)),
        "variance_pattern": np.ones((1, count)),
        "estimator": np.zeros(count, int),
        "points": 50,
    }
    return Expansion(**(fields | other))


def directions(**other):
    fields = {
        "name": "s",
        "direction": np.eye(3),
        "frequency_hz": [1.0],
        "pressure_pa_m": np.ones((3, 1)),
        "standard_error_db": np.full((3, 1), np.nan),
    }
    return DirectionSet(**(fields | other))


@pytest.mark.parametrize(
    ("build", "words"),
    [
        (lambda: ScanSetup([1, 2, 3]), "position_m must have the shape points x 3, got 3"),
        (lambda: ScanSetup([[1, 2, 3], [1, 2]]), "position_m must hold real numbers, got rows of unequal"),
        (lambda: ScanSetup([["1", "2", "3"]]), "position_m must hold real numbers, got <U1"),
        (lambda: ScanSetup([[1j, 2, 3]]), "position_m must hold real numbers, got complex128"),
        (lambda: ScanSetup([[1, 2, None]]), "position_m must hold real numbers, got object"),
        (lambda: ScanSetup([[True] * 3]), "position_m must hold real numbers, got bool"),
        (lambda: ScanSetup([[1, 2, np.nan]]), r"position_m holds 1 values .* first at entry \(0, 2\): drop"),
        (lambda: ScanSetup(np.eye(3), time_s=[1, 2]), "time_s must have the shape 3, got 2"),
        (lambda: ScanSetup(np.eye(3), time_s=[1, np.inf, 2]), "time_s holds 1 values .* at entry 1"),
        (lambda: ScanSetup(np.eye(3), layer=[1.0, 2, 3]), "layer must hold whole numbers, got float64"),
        (lambda: ScanSetup(np.eye(3), device_size_m=[1, 2]), "device_size_m must have the shape 3, got 2"),
        (lambda: ScanSetup(np.eye(3), device_size_m=[1, 2, 0]), "device_size_m must be above zero in depth"),
        (lambda: ScanSetup(np.eye(3), drive_voltage_v=0), "drive_voltage_v must be above zero, got 0"),
        (lambda: ScanSetup(np.eye(3), drive_voltage_v="3"), "drive_voltage_v must be a number, got '3'"),
        (lambda: ScanSetup(np.eye(3), drive_voltage_v=True), "drive_voltage_v must be a number, got True"),
        (lambda: ScanSetup(np.eye(3), temperature_c=np.nan), "temperature_c must be finite, got nan"),
        (lambda: ScanSetup(np.eye(3), first_reflection_s=-1), "first_reflection_s must be above zero"),
        (lambda: scan(frequency_hz=[]), "frequency_hz is empty: a scan needs at least one"),
        (lambda: scan(frequency_hz=[0, 1]), "frequency_hz must be above zero, starts at 0"),
        (lambda: scan(frequency_hz=[2, 2]), "frequency_hz must increase, but entry 1 is 2 after 2: sort"),
        (lambda: scan(frequency_hz=[1, 2, 3]), "pressure_pa must have the shape 3 x 3, got 3 x 2"),
        (lambda: scan(pressure_pa=1.0), "pressure_pa must have the shape 3 x 2, got a single value"),
        (lambda: scan(noise_pa=[1.0]), "noise_pa must have the shape 2, got 1"),
        (lambda: scan(noise_pa=np.ones((2, 2))), "noise_pa must have the shape 3 x 2, got 2 x 2"),
        (lambda: ImpulseScan(SETUP, np.ones((2, 8)), 1.0), "must have the shape 3 x samples, got 2 x 8"),
        (lambda: ImpulseScan(SETUP, np.ones((3, 8)), 0.0), "sampling_rate_hz must be above zero"),
        (lambda: ImpulseScan(SETUP, np.ones((3, 8)), 1.0, np.nan), "time_zero_s must be finite"),
        (
            lambda: expansion(order=2, coefficients_pa=np.ones((4, 2))),
            "coefficients_pa has 4 modes, order 2 needs 9",
        ),
        (lambda: expansion(centre_m=np.zeros((2, 2))), "centre_m must have the shape 2 x 3, got 2 x 2"),
        (lambda: directions(direction=2 * np.eye(3)), "direction must hold unit vectors"),
        (lambda: directions(orbit=("h", "h", "h")), "orbit and angle_deg belong together"),
        (lambda: directions(orbit=("h",), angle_deg=[1, 2, 3]), "orbit must name all 3 angles, got 1"),
    ],
)
def test_what_cannot_be_used_is_said(build, words):
    with pytest.raises(ScanDataError, match=words) as caught:
        build()
    assert "\n" not in str(caught.value)


def test_records_cannot_be_changed_and_do_not_follow_their_source():
    pressure = np.ones((3, 2), complex)
    made = scan(pressure_pa=pressure, noise_pa=np.ones(2))
    pressure[0, 0] = 7
    assert made.pressure_pa[0, 0] == 1
    with pytest.raises(ValueError, match="read-only"):
        made.pressure_pa[0, 0] = 2
    with pytest.raises(dataclasses.FrozenInstanceError):
        made.noise_pa = None


def test_read_only_arrays_are_shared_not_copied():
    pressure = np.ones((3, 2), complex)
    pressure.flags.writeable = False
    assert np.shares_memory(scan(pressure_pa=pressure).pressure_pa, pressure)


def test_records_travel_between_processes():
    sent = pickle.loads(pickle.dumps(scan(noise_pa=[0.5, 0.25])))
    assert np.array_equal(sent.pressure_pa, scan().pressure_pa)
    assert np.array_equal(sent.noise_pa, [0.5, 0.25])


def test_taking_points_takes_everything_of_a_point():
    part = scan(noise_pa=np.arange(1.0, 7).reshape(3, 2)).take_points(np.array([2, 0]))
    assert part.points == 2
    assert part.setup.time_s.tolist() == [2, 0]
    assert part.setup.layer.tolist() == [1, 0]
    assert part.setup.position_m.tolist() == [[6, 7, 8], [0, 1, 2]]
    assert part.pressure_pa.tolist() == [[4j, 5j], [0, 1j]]
    assert part.noise_pa.tolist() == [[5, 6], [1, 2]]


@pytest.mark.parametrize(
    ("noise", "taken"), [([3.0, 4.0], [4.0]), (np.ones((3, 2)), [[1.0]] * 3), (None, None)]
)
def test_taking_frequencies(noise, taken):
    part = scan(noise_pa=noise).take_frequencies(slice(1, 2))
    assert part.frequency_hz.tolist() == [2.0]
    assert part.pressure_pa.tolist() == [[1j], [3j], [5j]]
    assert (part.noise_pa if taken is None else part.noise_pa.tolist()) == taken


def test_blocks_of_unequal_order_join_padded():
    low = expansion(count=2, order=1, orders=2)
    high = expansion(count=1, order=2, orders=4, frequency_hz=[3.0])
    whole = join([low, high])
    assert whole.frequency_hz.tolist() == [1, 2, 3]
    assert whole.order.tolist() == [1, 1, 2]
    assert whole.max_order == 2
    assert np.array_equal(whole.coefficients_pa[:4, :2], low.coefficients_pa)
    assert not whole.coefficients_pa[4:, :2].any()
    assert np.array_equal(whole.coefficients_pa[:, 2:], high.coefficients_pa)
    assert np.isnan(whole.held_out_db[2:, :2]).all()
    assert np.array_equal(whole.held_out_db[:2, :2], low.held_out_db)
    assert not whole.coefficient_variance_pa2[2:, :2].any()
    assert whole.points == 50
