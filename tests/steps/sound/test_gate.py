"""Impulse responses cut before the first reflection."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from truth import rows

from scanproc.errors import ScanDataError
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.fit.expand import fit
from scanproc.steps.sound.gate import (
    gate,
    gate_after,
    gate_in_room,
    gate_until,
    latency_s,
    wall_reflection_s,
)
from scanproc.steps.sound.reflections import gap_s
from scanproc.steps.sound.responses import responses
from scanproc.steps.sound.spectra import spectra
from scanproc.waves.directions import lebedev_grid
from synthetic_scans import recipe as recipes

ROOM_M, ORIGIN_M = (7.1, 5.2, 3.05), (2.9, 2.3, 1.35)
SPEED, RATE = 343.2, 48000.0


def echoes(position, delays, latency=0.0, samples=1200, size=None) -> ImpulseScan:
    """Unit samples at the direct sound, and at further delays (points,) after it."""
    response = np.zeros((len(position), samples))
    direct = latency + np.linalg.norm(position, axis=1) / SPEED
    for late in (np.zeros(len(position)), *delays):
        response[np.arange(len(position)), np.rint((direct + late) * RATE).astype(int)] += 1.0
    setup = ScanSetup(position, speed_of_sound_m_s=SPEED, device_size_m=size, device_centre_m=np.zeros(3))
    return ImpulseScan(setup, response, RATE)


def ring(count=8, radius=1.0):
    turn = 2 * np.pi * np.arange(count) / count
    return radius * np.stack([np.cos(turn), np.sin(turn), 0 * turn], axis=1)


@pytest.mark.parametrize("row", rows("air_and_gate", "gate_geometry"))
def test_first_reflection_off_the_floor(row: tuple[str, ...]) -> None:
    """Source and microphone d apart, both h above the floor, all other walls far away."""
    apart, height, path, _, delay_ms, lowest_hz, _ = (float(value) for value in row)
    scan = echoes(np.array([[apart, 0.0, 0.0]]), [], size=np.full(3, 1e-9), samples=4800)
    room = (200.0, 200.0, 100.0), (100.0, 100.0, height)
    assert wall_reflection_s(scan.setup, *room)[0] == pytest.approx(path / 343.2, rel=1e-7)
    window = gate_in_room(scan.setup, *room)
    assert 1000 * window.length_s == pytest.approx(delay_ms, abs=1e-3)
    assert window.lowest_valid_hz == pytest.approx(lowest_hz, rel=1e-3)


def test_what_comes_after_the_end_is_gone_and_what_comes_before_the_taper_is_whole() -> None:
    scan = echoes(ring(), [np.full(8, 0.004), np.full(8, 0.001)])
    end = 1 / SPEED + 0.0038
    window = gate_until(scan.setup, end, "user")
    cut = gate(scan, window).impulse_response_pa
    time = np.arange(1200) / RATE
    assert not cut[:, time >= end].any()
    kept = time <= end - window.taper_s
    np.testing.assert_array_equal(cut[:, kept], scan.impulse_response_pa[:, kept])
    assert cut.sum() == pytest.approx(16.0)
    assert window.lowest_valid_hz == pytest.approx(1 / 0.0038)


def test_latency_moves_the_gate() -> None:
    late = echoes(ring(), [], latency=0.003)
    assert latency_s(late) == pytest.approx(0.003, abs=2 / RATE)
    window = gate_in_room(late.setup, (8.0, 8.0, 8.0), (4.0, 4.0, 4.0), latency_s(late))
    same = gate_in_room(echoes(ring(), []).setup, (8.0, 8.0, 8.0), (4.0, 4.0, 4.0))
    np.testing.assert_allclose(window.end_s, same.end_s + 0.003, atol=2 / RATE)


def test_an_end_before_the_direct_sound_is_refused() -> None:
    scan = echoes(ring(), [])
    with pytest.raises(
        ScanDataError, match=r"ends 2.00 ms after the drive, but the direct sound reaches point"
    ):
        gate_until(scan.setup, 0.002, "user")


def test_an_end_after_the_record_is_refused() -> None:
    scan = echoes(ring(), [])
    with pytest.raises(ScanDataError, match=r"ends 30.00 ms after the drive, the record 24.98 ms"):
        gate(scan, gate_until(scan.setup, 0.030, "user"))


def test_a_room_that_does_not_hold_the_points_is_refused() -> None:
    with pytest.raises(ScanDataError, match=r"points lie outside the room of 1\.5 x 8 x 8 m"):
        gate_in_room(echoes(ring(), []).setup, (1.5, 8.0, 8.0), (0.7, 4.0, 4.0))


def test_silence_is_refused() -> None:
    silent = replace(echoes(ring(), []), impulse_response_pa=np.zeros((8, 1200)))
    with pytest.raises(ScanDataError, match="silence"):
        latency_s(silent)


def workshop(seed_points=240, room=True):
    """The workshop with impulse responses, made smaller."""
    table = recipes.load("workshop-one-layer-ir").model_dump(mode="json", exclude_none=True)
    table["device"]["detail"] = 0.2
    table["surface"]["points"] = seed_points
    table["impulse"] |= {"sampling_rate_hz": 14400.0, "length_s": 0.10}
    table["room"]["reflections"] = 3
    if not room:
        del table["room"]
    return recipes.parse(table)


@pytest.fixture(scope="module")
def in_room():
    recipe = workshop()
    return recipes.make_scan(recipe), recipes.truth(recipe)


def far_error_db(scan, truth) -> np.ndarray:
    direction, weight = lebedev_grid(35)
    want = truth.far_field(direction, scan.frequency_hz)
    missed = (
        weight
        @ np.abs(far_field(fit(scan, centre_m=(0.0, 0.0, 0.0), estimator="truncated"), direction) - want) ** 2
    )
    return 10 * np.log10(missed / (weight @ np.abs(want) ** 2))


@pytest.mark.parametrize("source", ["file", "room"])
def test_gated_workshop_scan(in_room, source: str) -> None:
    """One layer, above twice the lowest valid frequency: at most -30 dB; without a gate 15 dB worse."""
    scan, truth = in_room
    if source == "file":
        window = gate_until(scan.setup, scan.setup.first_reflection_s, "file")
    else:
        window = gate_in_room(scan.setup, ROOM_M, ORIGIN_M)
    frequency = np.geomspace(2 * window.lowest_valid_hz, 1500.0, 9)
    gated = far_error_db(spectra(gate(scan, window), frequency), truth)
    whole = far_error_db(spectra(scan, frequency), truth)
    assert gated.max() < -30
    assert np.mean(whole - gated) > 15


def test_the_first_reflection_is_found_in_the_responses(in_room) -> None:
    scan, truth = in_room
    gap = gap_s(scan)
    assert gap is not None
    window = gate_after(scan.setup, gap, "estimated")
    soonest = gate_in_room(scan.setup, ROOM_M, ORIGIN_M).length_s
    assert 0.6 * soonest < window.length_s < 1.02 * soonest
    frequency = np.geomspace(2 * window.lowest_valid_hz, 1500.0, 7)
    assert far_error_db(spectra(gate(scan, window), frequency), truth).max() < -30


def test_without_a_room_no_reflection_is_found() -> None:
    recipe = workshop(seed_points=60, room=False)
    assert gap_s(recipes.make_scan(recipe)) is None


def test_spectra_on_an_even_grid_can_be_gated(in_room) -> None:
    scan, truth = in_room
    even = spectra(scan, 10.0 * np.arange(4, 651))
    back = responses(even)
    again = spectra(back, even.frequency_hz[::50])
    np.testing.assert_allclose(again.pressure_pa, even.pressure_pa[:, ::50], atol=1e-10)
    window = gate_in_room(back.setup, ROOM_M, ORIGIN_M)
    frequency = np.geomspace(2 * window.lowest_valid_hz, 1500.0, 7)
    assert far_error_db(spectra(gate(back, window), frequency), truth).max() < -30


@pytest.mark.parametrize(
    ("frequency", "said"),
    [
        (np.geomspace(50, 5000, 120), "not evenly spaced"),
        (np.arange(1000.0, 2000.0, 30.0) + 7.0, "not evenly spaced"),
        (np.arange(100.0, 1000.0, 100.0), "9 frequencies, too few"),
    ],
)
def test_other_spectra_cannot_be_gated(frequency, said: str) -> None:
    scan = Scan(ScanSetup(ring()), frequency, np.ones((8, len(frequency)), complex))
    with pytest.raises(ScanDataError, match=said):
        responses(scan)
