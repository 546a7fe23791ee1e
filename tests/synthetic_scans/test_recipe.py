"""Recipes: what they make, and what they refuse."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from scanproc.errors import SettingsError
from scanproc.records.scan import Scan
from synthetic_scans import device, noise, recipe, surfaces

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
    np.testing.assert_allclose(np.diff(scan.setup.time_s), 11.0)
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
