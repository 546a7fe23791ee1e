"""A synthetic workshop scan against references whose faults are known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from references import (
    DISTANCE_M,
    HEIGHT_M,
    Faults,
    both_orbits,
    circle,
    direct_and_floor,
    quick_fit,
    responses,
    workshop_expansion,
    workshop_scan,
    workshop_truth,
)
from truth import rows

from scanproc.conventions import Real
from scanproc.errors import ScanDataError
from scanproc.records.answers.comparison import Cause, Comparison, Reference
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.compare.differences import CompareChoices, compare
from scanproc.steps.compare.reference import far_field_reference, floor_reflection_s, gated_reference
from scanproc.steps.field.extrapolate import pressure_at

SPEED_M_S = workshop_truth().speed_of_sound_m_s
FLOOR_S = floor_reflection_s(DISTANCE_M, HEIGHT_M, SPEED_M_S)
USABLE_HZ = 1500.0
"""Up to here the workshop scan has points enough."""


def labels(direction: Real) -> tuple[str, ...]:
    return tuple(f"microphone {index}" for index in range(len(direction)))


def gated(direction: Real, faults: Faults | None = None, gate_s: float = FLOOR_S) -> Reference:
    hz = workshop_expansion().frequency_hz
    return gated_reference("hall", labels(direction), responses(direction, faults), hz, gate_s)


def cause(found: Comparison, kind: str) -> Cause:
    named = [one for one in found.causes if one.kind == kind]
    assert named, f"{kind} is not among {[one.kind for one in found.causes]}"
    return named[0]


def exact_reach_hz(tolerance_db: float) -> float:
    """Up to where the far field of the scan is within the tolerance of the exact one at 2 m, without any gate."""
    expansion = workshop_expansion()
    hz = expansion.frequency_hz
    exact, _ = direct_and_floor(both_orbits(), hz, Faults())
    reference = Reference("exact", labels(both_orbits()), both_orbits(), np.full(22, DISTANCE_M), hz, exact)
    level = compare(expansion, reference, CompareChoices(tolerance_db)).difference_db
    good = np.all(np.abs(level) <= tolerance_db, axis=0)
    return float(hz[np.argmin(good) - 1])


@pytest.mark.parametrize("row", rows("air_and_gate", "gate_geometry"))
def test_gate_arithmetic(row: tuple[str, ...]) -> None:
    distance, height, _, _, delay_ms, lowest_hz, _ = (float(value) for value in row)
    late = floor_reflection_s(distance, height, 343.2)
    assert 1000 * late == pytest.approx(delay_ms, abs=5e-4)
    assert 1 / late == pytest.approx(lowest_hz, abs=0.05)


def test_lowest_valid_frequency_is_that_of_the_gate() -> None:
    found = compare(workshop_expansion(), gated(circle()))
    assert found.lowest_valid_hz == pytest.approx(1 / FLOOR_S)
    assert found.frequency_hz[found.judged][0] >= 1 / FLOOR_S
    assert found.frequency_hz[~found.judged].max() < 1 / FLOOR_S


def test_a_good_scan_matches_and_names_no_fault() -> None:
    found = compare(workshop_expansion(), gated(both_orbits()), CompareChoices(up_to_hz=USABLE_HZ))
    assert found.matches
    assert found.met_from_hz is not None
    assert found.met_from_hz < 330
    assert found.causes == ()


def test_the_verdict_reaches_as_far_as_the_truth() -> None:
    expansion = workshop_expansion()
    found = compare(expansion, gated(both_orbits()))
    assert not found.matches
    assert found.met_up_to_hz is not None
    steps = np.searchsorted(expansion.frequency_hz, [found.met_up_to_hz, exact_reach_hz(1.0)])
    assert abs(int(steps[0]) - int(steps[1])) <= 1  # the grid is 1/12 octave


def test_prediction_is_gated_as_the_reference_is() -> None:
    """The low end rings longer than the gate: ungated it would be off, gated alike it is not."""
    reference = gated(both_orbits())
    choices = CompareChoices(up_to_hz=500.0)
    alike = compare(workshop_expansion(), reference, choices)
    plain = compare(workshop_expansion(), replace(reference, gate_s=None), choices)
    assert np.all(alike.bands.actual_db < plain.bands.actual_db - 3)


def test_gain_is_named_and_sized() -> None:
    found = compare(workshop_expansion(), gated(both_orbits(), Faults(gain_db=0.5)))
    gain = cause(found, "gain")
    assert gain.size == pytest.approx(0.5, rel=0.2)
    assert gain.error < 0.1


def test_slope_is_named_and_sized() -> None:
    choices = CompareChoices(up_to_hz=USABLE_HZ)
    found = compare(workshop_expansion(), gated(both_orbits(), Faults(slope_db=-0.6)), choices)
    assert cause(found, "slope").size == pytest.approx(-0.6, rel=0.2)


def test_distance_is_named_as_delay_and_sized() -> None:
    found = compare(workshop_expansion(), gated(both_orbits(), Faults(distance_error_m=0.01)))
    assert cause(found, "delay").size * SPEED_M_S == pytest.approx(0.01, rel=0.2)


def test_yaw_is_named_sized_and_taken_out_on_request() -> None:
    reference = gated(both_orbits(), Faults(toe_in_deg=3.0))
    choices = CompareChoices(up_to_hz=USABLE_HZ)
    found = compare(workshop_expansion(), reference, choices)
    assert cause(found, "toe-in").size == pytest.approx(3.0, rel=0.2)
    assert not [one for one in found.causes if one.kind == "tilt"]
    turned = compare(workshop_expansion(), reference, replace(choices, apply=("delay", "turn")))
    assert turned.bands.actual_db.max() < found.bands.actual_db.max() - 6


def test_pitch_is_named_and_sized() -> None:
    choices = CompareChoices(up_to_hz=USABLE_HZ)
    found = compare(workshop_expansion(), gated(both_orbits(), Faults(tilt_deg=-2.5)), choices)
    assert cause(found, "tilt").size == pytest.approx(-2.5, rel=0.2)
    assert not [one for one in found.causes if one.kind == "toe-in"]


def test_several_faults_at_once_are_told_apart() -> None:
    faults = Faults(gain_db=-0.6, distance_error_m=-0.02, toe_in_deg=2.0)
    found = compare(workshop_expansion(), gated(both_orbits(), faults), CompareChoices(up_to_hz=USABLE_HZ))
    assert {one.kind for one in found.causes} == {"gain", "delay", "toe-in"}
    closer_db = 20 * np.log10(DISTANCE_M / (DISTANCE_M - 0.02))
    assert cause(found, "gain").size == pytest.approx(-0.6 + closer_db, rel=0.2)
    assert cause(found, "delay").size * SPEED_M_S == pytest.approx(-0.02, rel=0.2)
    assert cause(found, "toe-in").size == pytest.approx(2.0, rel=0.2)


@pytest.mark.parametrize("gate_s", [0.010, 0.0055, 0.0048, 0.0044])
def test_floor_inside_the_gate_is_named_and_sized(gate_s: float) -> None:
    """Also where the gate's falling end cuts most of it off."""
    faults = Faults(floor=True)
    choices = CompareChoices(up_to_hz=USABLE_HZ)
    found = compare(workshop_expansion(), gated(circle(), faults, gate_s), choices)
    heard = cause(found, "reflection")
    assert heard.at == pytest.approx(FLOOR_S, rel=0.2)
    hz = found.frequency_hz[found.judged]
    direct, floor = direct_and_floor(circle(), hz, faults)
    weight = np.gradient(hz) / np.mean(np.abs(direct) ** 2, axis=0)
    ratio = np.sum(weight * np.abs(floor) ** 2) / np.sum(weight * np.abs(direct) ** 2)
    assert 10 ** (heard.size / 20) == pytest.approx(np.sqrt(ratio), rel=0.2)


@cache
def with_fewer_points(share: float) -> Expansion:
    scan = workshop_scan()
    kept = np.random.default_rng(1).permutation(scan.points)[: round(share * scan.points)]
    return quick_fit(scan.take_points(np.sort(kept)))


def reach_hz(expansion: Expansion) -> float:
    """The last frequency before the predicted far-field error passes 1 dB."""
    hz, limit = expansion.frequency_hz, 10 ** (1 / 20) - 1
    return float(hz[np.argmax(10 ** (expansion.far_field_error_db / 20) > limit) - 1])


def exact_error(expansion: Expansion) -> Real:
    """Relative error of the pressures at 2 m (F,)."""
    exact, _ = direct_and_floor(both_orbits(), expansion.frequency_hz, Faults())
    missed = np.abs(pressure_at(expansion, both_orbits() * DISTANCE_M) - exact)
    error: Real = np.linalg.norm(missed, axis=0) / np.linalg.norm(exact, axis=0)
    return error


def test_a_third_of_the_points_missing_is_named_with_the_frequency_where_it_starts() -> None:
    fewer = with_fewer_points(2 / 3)
    found = compare(fewer, gated(both_orbits()))
    start_hz = fewer.frequency_hz[np.argmax(exact_error(fewer) > 10 ** (1 / 20) - 1)]
    assert cause(found, "points").size == pytest.approx(start_hz, rel=0.2)
    whole = compare(workshop_expansion(), gated(both_orbits()))
    assert cause(whole, "points").size > 1.1 * cause(found, "points").size


def test_near_field_terms_at_one_metre() -> None:
    """The device is 0.4 m deep: at 1 m its field is not the far field over r, and the prediction knows."""
    hz, source = workshop_expansion().frequency_hz, workshop_truth()
    near = source.pressure(both_orbits(), hz)
    far = source.far_field(both_orbits(), hz)
    choices = CompareChoices(up_to_hz=USABLE_HZ, floor_db=60.0)
    reference = Reference("1 m", labels(both_orbits()), both_orbits(), np.ones(22), hz, near)
    found = compare(workshop_expansion(), reference, choices)
    assert found.matches
    k = 2 * np.pi * hz / source.speed_of_sound_m_s
    at_infinity = compare(
        workshop_expansion(), replace(reference, distance_m=None, pressure_pa=near * np.exp(1j * k)), choices
    )
    exact = np.abs(20 * np.log10(np.abs(far / near)))[:, hz <= USABLE_HZ].max()
    assert exact > 1.5  # dB, what the far field would be off by at 1 m
    assert found.bands.largest_db.max() < exact / 10
    assert at_infinity.bands.largest_db.max() == pytest.approx(exact, rel=0.2)
    assert not at_infinity.matches


def test_magnitudes_alone_show_gain_and_yaw() -> None:
    full = gated(both_orbits(), Faults(gain_db=-0.8, toe_in_deg=-4.0))
    reference = replace(full, pressure_pa=np.abs(full.pressure_pa), has_phase=False)
    found = compare(workshop_expansion(), reference, CompareChoices(up_to_hz=USABLE_HZ))
    assert cause(found, "gain").size == pytest.approx(-0.8, rel=0.2)
    assert cause(found, "toe-in").size == pytest.approx(-4.0, rel=0.2)
    assert np.isnan(found.alignment.delay_s)
    assert np.all(np.isnan(found.bands.complex_db))


def test_inverted_polarity_is_named() -> None:
    reference = gated(both_orbits())
    found = compare(workshop_expansion(), replace(reference, pressure_pa=-reference.pressure_pa))
    assert cause(found, "polarity").size == -1
    assert found.alignment.residual_db < -15


def test_relative_units_give_the_gain_free_and_blame_nothing() -> None:
    reference = gated(both_orbits(), Faults(gain_db=17.0))
    found = compare(
        workshop_expansion(), replace(reference, relative=True), CompareChoices(up_to_hz=USABLE_HZ)
    )
    assert found.matches
    assert "gain" in found.alignment.applied
    assert found.alignment.gain_db == pytest.approx(17.0, abs=0.1)


def test_one_angle_tells_gain_but_no_turn() -> None:
    reference = gated(both_orbits()[[6]], Faults(gain_db=0.5))
    found = compare(workshop_expansion(), reference, CompareChoices(up_to_hz=USABLE_HZ))
    assert found.alignment.gain_db == pytest.approx(0.5, rel=0.2)
    assert np.isnan(found.alignment.toe_in_deg)


def test_a_result_matches_itself_within_its_error_bars() -> None:
    found = compare(workshop_expansion(), far_field_reference("itself", workshop_expansion()))
    assert found.matches
    assert np.abs(found.difference_db).max() < 1e-6
    assert np.all(found.bands.within == 1)


def test_the_reference_is_compared_at_its_own_frequencies() -> None:
    hz = np.geomspace(310.0, 1400.0, 300)
    exact = workshop_truth().pressure(both_orbits() * DISTANCE_M, hz)
    reference = Reference("fine", labels(both_orbits()), both_orbits(), np.full(22, DISTANCE_M), hz, exact)
    found = compare(workshop_expansion(), reference)
    assert np.isin(found.frequency_hz, hz).all()
    assert len(found.frequency_hz) == pytest.approx(48 * np.log2(1400 / 310), abs=2)  # four to a 1/12 octave
    assert np.abs(found.difference_db).max() < 0.2


def test_no_common_band_is_an_error() -> None:
    reference = gated(circle())
    with pytest.raises(
        ScanDataError, match="no common band: the result has 150 to 2400 Hz, the reference 3000"
    ):
        compare(workshop_expansion(), replace(reference, frequency_hz=reference.frequency_hz * 20))


def test_a_gate_too_short_for_the_band_is_an_error() -> None:
    with pytest.raises(ScanDataError, match="nothing left to judge between 5000 and 2400 Hz"):
        compare(workshop_expansion(), gated(circle(), gate_s=0.0002))


def test_a_gate_past_the_end_of_the_record_is_an_error() -> None:
    with pytest.raises(
        ScanDataError, match=r"gate of 150.00 ms ends past the record, which holds 11\d\.\d\d ms"
    ):
        gated(circle(), gate_s=0.15)
