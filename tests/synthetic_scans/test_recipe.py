"""Recipes: what they make, and what they refuse."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from scanproc.errors import SettingsError
from scanproc.records.measured.scan import ImpulseScan, Scan
from synthetic_scans import device, noise, recipe, surfaces
from synthetic_scans.room import InRoom

SMALL = {
    "name": "small",
    "seed": 3,
    "device": {
        "kind": "sources",
        "source": [{"position_m": [0.0, 0.0, 0.1]}, {"dipole_axis": [0.0, 1.0, 0.0]}],
    },
    "surface": {"kind": "shells", "points": 60, "radii_m": [0.4, 0.5]},
    "frequencies": {"spacing": "log", "start_hz": 100.0, "stop_hz": 4000.0, "count": 5},
}

IMPULSE = {
    "frequencies": None,
    "impulse": {"sampling_rate_hz": 16000.0, "length_s": 0.1},
    "device": {"kind": "paging_loudspeaker", "detail": 0.1},
    "surface": {"kind": "shells", "points": 6, "radii_m": [0.5]},
}
ROOM = {"size_m": [5.0, 4.0, 3.0], "origin_m": [2.1, 1.9, 1.4], "reflection": [0.7] * 6, "reflections": 2}


def small(**changes: object) -> recipe.Recipe:
    return recipe.parse(SMALL | changes)


def test_scan_without_faults_is_the_field_at_its_points() -> None:
    wanted = small()
    scan = recipe.make_scan(wanted)
    assert isinstance(scan, Scan)
    np.testing.assert_array_equal(
        scan.pressure_pa, recipe.truth(wanted).pressure(scan.setup.position_m, scan.frequency_hz)
    )
    np.testing.assert_allclose(np.unique(np.linalg.norm(scan.setup.position_m, axis=1).round(12)), [0.4, 0.5])
    np.testing.assert_allclose(np.diff(scan.setup.time_s), 10.0)
    assert np.bincount(scan.setup.layer).tolist() == [30, 30]


def test_same_seed_same_scan_other_seed_other_noise() -> None:
    noisy = {"noise": {"snr_db": 30.0}, "surface": SMALL["surface"] | {"jitter_m": 0.003}}
    first, again = (recipe.make_scan(small(**noisy)) for _ in range(2))
    other = recipe.make_scan(small(**noisy, seed=4))
    np.testing.assert_array_equal(first.pressure_pa, again.pressure_pa)
    np.testing.assert_array_equal(first.setup.position_m, again.setup.position_m)
    assert np.abs(first.pressure_pa - other.pressure_pa).max() > 0


@pytest.mark.parametrize("reference", ["frequency", "overall"])
def test_noise_lies_where_it_was_asked_for(reference: str) -> None:
    surface = SMALL["surface"] | {"points": 4000}
    clean = recipe.make_scan(small(surface=surface))
    noisy = recipe.make_scan(small(surface=surface, noise={"snr_db": 30.0, "reference": reference}))
    difference = np.mean(np.abs(noisy.pressure_pa - clean.pressure_pa) ** 2, axis=0)
    signal = np.mean(np.abs(clean.pressure_pa) ** 2, axis=0)
    if reference == "overall":
        signal = np.full_like(signal, signal.mean())
    np.testing.assert_allclose(10 * np.log10(signal / difference), 30, atol=0.3)
    np.testing.assert_allclose(noisy.noise_pa**2, signal * 1e-3, rtol=1e-9)


def test_unreported_position_errors_and_gain_drift_show_in_the_pressure_only() -> None:
    clean = recipe.make_scan(small())
    moved = recipe.make_scan(small(surface=SMALL["surface"] | {"position_error_m": 0.002}))
    drifted = recipe.make_scan(small(noise={"gain_drift_db": 1.0}))
    np.testing.assert_array_equal(moved.setup.position_m, clean.setup.position_m)
    assert np.abs(moved.pressure_pa / clean.pressure_pa - 1).max() > 1e-3
    gain = 20 * np.log10(np.abs(drifted.pressure_pa / clean.pressure_pa))
    np.testing.assert_allclose(gain, np.linspace(0, -1, 60)[:, None] * np.ones(5), atol=1e-9)


def test_gain_drift_of_a_single_point_is_none() -> None:
    np.testing.assert_array_equal(noise.gain_drift(np.zeros(1), 3.0), [1.0])


@pytest.mark.parametrize("name", recipe.names())
def test_recipes_that_come_along_load_and_keep_clear_of_the_device(name: str) -> None:
    wanted = recipe.load(name)
    position, _ = recipe.make_points(wanted.surface, np.random.default_rng(0))
    assert len(position) == wanted.surface.points
    if wanted.device.kind == "paging_loudspeaker":
        beyond = np.abs(position) - np.array(device.SIZE_M) / 2
        assert beyond.max(axis=1).min() > 0.02


def test_paging_loudspeaker_has_a_plausible_level_and_lies_in_its_box() -> None:
    speaker = device.paging_loudspeaker(0.3)
    level = 20 * np.log10(
        np.abs(speaker.far_field(np.eye(3)[:1], np.array([300.0, 1000.0, 4000.0]), 343.2)) / 20e-6
    )
    assert np.all((level > 88) & (level < 100))
    for part in speaker.parts:
        assert np.all(np.abs(part.position_m) <= np.array(device.SIZE_M) / 2 + 1e-12)


def test_drum_points_lie_on_side_and_lids_in_proportion_to_area() -> None:
    position, layer = surfaces.drum([0.3], [0.4], 700)
    radius, height = np.hypot(position[:, 0], position[:, 1]), np.abs(position[:, 2])
    lid = np.isclose(height, 0.4)
    assert np.all(lid | np.isclose(radius, 0.3))
    assert lid.mean() == pytest.approx(0.3 / (0.3 + 2 * 0.4), abs=0.01)
    assert not layer.any()


def test_spiral_is_even_and_leaves_its_gap() -> None:
    position, _ = surfaces.spiral(0.5, 400, 30.0)
    np.testing.assert_allclose(np.linalg.norm(position, axis=1), 0.5)
    assert np.rad2deg(np.arccos(position[:, 2].min() / 0.5)) == pytest.approx(150.0)
    apart = np.linalg.norm(position[:, None] - position, axis=2) + np.eye(400)
    nearest = apart.min(axis=1)
    assert nearest.min() > 0.5 * np.median(nearest)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"surfaces": {}}, "surfaces"),
        ({"seed": "7"}, "seed"),
        ({"surface": {"kind": "drum", "points": 60, "radii_m": [0.4]}}, "half_heights_m"),
        ({"surface": {"kind": "spiral", "points": 60, "radii_m": [0.4, 0.5]}}, "one radius"),
        ({"device": {"kind": "capped_sphere"}}, "device"),
        ({"frequencies": None}, "either"),
        ({"impulse": {"sampling_rate_hz": 8000.0, "length_s": 0.1}}, "either"),
        ({"room": ROOM | {"reflection": [0.5]}}, "reflection"),
        ({"frequencies": {"spacing": "log", "start_hz": 10.0, "stop_hz": 1.0, "count": 3}}, "stop_hz"),
    ],
)
def test_bad_recipes_are_refused_with_the_key(changes: dict[str, object], words: str) -> None:
    with pytest.raises(SettingsError, match=words) as caught:
        small(**changes)
    assert "\n" not in str(caught.value)


def test_bad_files_are_refused_with_their_name(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="demo"):
        recipe.load("dema")
    broken = tmp_path / "broken.toml"
    broken.write_text("name = ")
    with pytest.raises(SettingsError, match=r"broken\.toml"):
        recipe.load(broken)
    broken.write_text('name = "x"')
    with pytest.raises(SettingsError, match=r"broken\.toml.*surface"):
        recipe.load(broken)


def impulses(**changes: object) -> ImpulseScan:
    scan = recipe.make_scan(small(**IMPULSE, **changes))
    assert isinstance(scan, ImpulseScan)
    return scan


@pytest.mark.parametrize("room", [None, ROOM], ids=["free field", "room"])
def test_spectrum_of_the_impulse_responses_is_the_field(room: dict[str, object] | None) -> None:
    scan = impulses(room=room)
    frequency = np.array([100.0, 990.0, 5000.0, 7190.0])
    time = scan.time_zero_s + np.arange(1600) / 16000.0
    spectrum = scan.impulse_response_pa @ np.exp(-2j * np.pi * np.outer(time, frequency))
    device_there = recipe.in_its_room(small(**IMPULSE, room=room))
    want = device_there.pressure(scan.setup.position_m, frequency, scan.setup.speed_of_sound_m_s)
    assert np.abs(spectrum - want).max() < 1e-9 * np.abs(want).max()


def test_impulse_responses_are_quiet_before_the_sound_can_arrive() -> None:
    scan = impulses()
    time = scan.time_zero_s + np.arange(1600) / 16000.0
    response = np.abs(scan.impulse_response_pa) / np.abs(scan.impulse_response_pa).max()
    nearest = (0.5 - 0.375) / 343.2
    assert response[:, time < nearest - 0.001].max() < 0.01
    assert response[:, time > 0.08].max() < 1e-3


def test_reflections_arrive_when_they_should() -> None:
    added = impulses(room=ROOM).impulse_response_pa - impulses().impulse_response_pa
    scan = impulses(room=ROOM)
    time = scan.time_zero_s + np.arange(1600) / 16000.0
    size = np.abs(added) / np.abs(added).max()
    first = scan.setup.first_reflection_s
    assert size[:, time < first - 0.002].max() < 0.01
    assert size[:, np.abs(time - first) < 0.002].max() > 0.1


def test_temperature_drift_gives_each_point_its_own_speed_of_sound() -> None:
    scan = recipe.make_scan(small(temperature_c=18.0, temperature_drift_k=2.0))
    assert scan.setup.point_temperature_c[[0, -1]] == pytest.approx([19.0, 17.0])
    assert scan.setup.speed_of_sound_m_s is None
    speed = recipe.speed_of_sound_m_s(scan.setup.point_temperature_c)
    want = recipe.make_device(small()).pressure(scan.setup.position_m, scan.frequency_hz, speed)
    np.testing.assert_array_equal(scan.pressure_pa, want)
    unlogged = recipe.make_scan(small(temperature_c=18.0, temperature_drift_k=2.0, temperature_logged=False))
    np.testing.assert_array_equal(unlogged.pressure_pa, want)
    assert unlogged.setup.point_temperature_c is None


def test_speed_of_sound_is_343_2_at_20_degrees() -> None:
    assert recipe.speed_of_sound_m_s(20.0) == pytest.approx(343.2)
    assert recipe.speed_of_sound_m_s(0.0) == pytest.approx(331.3, abs=0.05)  # from memory, any textbook


def test_sphere_in_a_room_scatters() -> None:
    caps = {
        "kind": "capped_sphere",
        "radius_m": 0.2,
        "cap": [{"axis": [1.0, 0.0, 0.0], "half_angle_deg": 30.0}],
    }
    one = {"spacing": "log", "start_hz": 500.0, "stop_hz": 500.0, "count": 1}
    wanted = small(device=caps, room=ROOM, frequencies=one)
    scan = recipe.make_scan(wanted)
    transparent = InRoom(recipe.make_device(wanted), recipe.make_room(wanted))
    without = transparent.pressure(scan.setup.position_m, scan.frequency_hz, 343.2)
    change = np.abs(scan.pressure_pa - without).max() / np.abs(without).max()
    assert 0.003 < change < 0.5
    with pytest.raises(SettingsError, match="temperature_drift_k"):
        small(device=caps, room=ROOM, temperature_drift_k=1.0)
