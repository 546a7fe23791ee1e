"""The field near the device against boundary elements and a closed form: as good as predicted, or refused."""

from __future__ import annotations

from dataclasses import replace

import h5py
import numpy as np
import pytest
from truth import FOLDER

from scanproc.errors import ResultFileError, ScanDataError
from scanproc.files.stored.result_file import read_result, write_result
from scanproc.records.answers.result import Result
from scanproc.records.fitted.expansion import join
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.report.figures.clean import cloud
from scanproc.steps.field.crossfade import joined
from scanproc.steps.field.extrapolate import far_field, pressure_at, pressure_error_db, pressure_variance
from scanproc.steps.fit.expand import fit
from scanproc.steps.fit.near import outside
from scanproc.steps.model.box import Box
from scanproc.waves.directions import fibonacci_sphere
from synthetic_scans import recipe

WITHIN_DB = 3.0
DEMO = recipe.truth(recipe.load("demo"))
DEMO_BOX = Box(np.zeros(3), np.array([0.40, 0.30, 0.55]))


def power_db(error, reference):
    return 10 * np.log10(np.sum(error, axis=0) / np.sum(np.abs(reference) ** 2, axis=0))


def true_and_predicted_db(found, position, truth):
    error = np.abs(pressure_at(found, position) - truth) ** 2
    return power_db(error, truth), power_db(pressure_variance(found, position), truth)


@pytest.fixture(scope="module")
def demo():
    """350 points of the demo at six frequencies."""
    scan = recipe.make_scan(recipe.load("demo"))
    few = np.sort(np.random.default_rng(1).permutation(scan.points)[:350])
    wanted = [np.argmin(np.abs(scan.frequency_hz - hz)) for hz in (100, 300, 1000, 1600, 4000, 7000)]
    scan = scan.take_points(few).take_frequencies(np.array(wanted))
    return scan, fit(scan)


def box_scan(surface, points):
    """Random points of one of the box's surfaces at -50 dB of noise, and all of the other's."""
    with h5py.File(FOLDER / "bem-box.h5") as file:
        which = np.searchsorted(file["frequency_hz"][()], [200, 900, 2000])
        frequency, speed = file["frequency_hz"][which], float(file.attrs["speed_of_sound_m_s"])
        place = {name: file[f"{name}_position_m"][()] for name in ("shell", "cylinder")}
        heard = {name: file[f"{name}_pressure"][()][:, which] for name in place}
    rng = np.random.default_rng(3)
    rows = np.sort(rng.permutation(len(place[surface]))[:points])
    pressure = heard[surface][rows]
    noise = rng.standard_normal((*pressure.shape, 2)) @ [1, 1j] / np.sqrt(2)
    pressure = pressure + noise * np.sqrt(np.mean(np.abs(pressure) ** 2, axis=0)) * 10 ** (-50 / 20)
    setup = ScanSetup(
        place[surface][rows],
        speed_of_sound_m_s=speed,
        device_size_m=np.full(3, 0.3),
        device_centre_m=np.array([-0.15, 0.0, 0.0]),
    )
    other = "cylinder" if surface == "shell" else "shell"
    return Scan(setup, frequency, pressure), place[other][::20], heard[other][::20]


@pytest.mark.parametrize("surface", ["shell", "cylinder"])
def test_one_surface_predicts_the_other(surface):
    scan, position, truth = box_scan(surface, 300)
    true, predicted = true_and_predicted_db(fit(scan), position, truth)
    assert np.all(true < predicted + WITHIN_DB), f"{true} dB, predicted {predicted}"
    assert np.all(true > predicted - 8)
    assert np.all(true < [-45, -45, -35])


PLACES = {
    **{f"{d:g} m from the box": outside(DEMO_BOX, d, 60) for d in (0.002, 0.02, 0.05, 0.1, 0.2)},
    **{f"{r:g} m": fibonacci_sphere(40) * r for r in (0.4, 0.46, 0.7, 2.0, 100.0)},
}


def test_the_demo_from_two_centimetres_to_a_hundred_metres(demo):
    """Never more than 6 dB beyond the prediction, in nine of ten cases not 3; refused near, at high frequencies."""
    scan, found = demo
    beyond, refused = {}, []
    for index, hz in enumerate(scan.frequency_hz):
        one = found.take_frequencies(np.array([index]))
        for where, position in PLACES.items():
            if pressure_error_db(one, position).max() >= 0:
                with pytest.raises(ScanDataError, match=f"at {hz:.4g} Hz is not told by the points"):
                    pressure_at(one, position)
                refused.append((where, hz))
                continue
            true, predicted = true_and_predicted_db(one, position, DEMO.pressure(position, np.array([hz])))
            beyond[where, hz] = float(true[0] - predicted[0])
    assert max(beyond.values()) < 6, beyond
    assert np.mean(np.array([*beyond.values()]) < WITHIN_DB) >= 0.9, beyond
    assert {where[:5] for where, _ in refused} <= {"0.002", "0.02 ", "0.05 "}
    assert ("0.002 m from the box", scan.frequency_hz[-1]) in refused
    assert all(hz > 2000 for where, hz in refused if not where.startswith("0.002"))


def test_the_two_ways_agree_where_one_takes_over(demo):
    _, found = demo
    unit = fibonacci_sphere(30)
    for index in range(len(found.frequency_hz)):
        one = found.take_frequencies(np.array([index]))
        here = unit * float(one.valid_radius_m[0]) * 1.001
        nearer = replace(one, valid_radius_m=one.valid_radius_m * 1.01)
        predicted = pressure_error_db(nearer, here)[:, 0]
        here, predicted = here[predicted < 0], predicted[predicted < 0]
        coefficients, sources = pressure_at(one, here), pressure_at(nearer, here)
        assert len(here) > 20
        assert power_db(np.abs(sources - coefficients) ** 2, coefficients) < predicted.max() + WITHIN_DB


def test_far_away_the_pressure_is_the_far_field(demo):
    _, found = demo
    unit, k = fibonacci_sphere(20), found.wavenumber_rad_m
    np.testing.assert_allclose(
        pressure_at(found, unit * 1e5) * 1e5 * np.exp(1e5j * k), far_field(found, unit), atol=2e-3
    )


def test_inside_the_box_is_refused(demo):
    _, found = demo
    with pytest.raises(
        ScanDataError, match=r"position \(0.100, 0.000, 0.200\) m: it lies inside the device's box"
    ):
        pressure_at(found, [[1.0, 0, 0], [0.1, 0.0, 0.2]])
    assert np.all(np.isinf(pressure_error_db(found, [0.1, 0.0, 0.2])))


def test_coefficients_alone_are_refused_inside_the_sphere_that_holds_the_device(demo):
    scan, _ = demo
    found = fit(scan.take_frequencies(slice(0, 1)), order=6)
    assert found.near_field is None
    np.testing.assert_allclose(found.valid_radius_m, np.linalg.norm(DEMO_BOX.size_m) / 2)
    with pytest.raises(
        ScanDataError, match=r"inside the sphere of 0.372 m that holds the device: at 97.51 Hz"
    ):
        pressure_at(found, [0.3, 0.0, 0.0])
    assert np.isfinite(pressure_at(found, [0.38, 0.0, 0.0])).all()


def test_the_file_gives_the_same_field_and_residuals(demo, tmp_path):
    _, found = demo
    write_result(tmp_path / "result.h5", Result(found))
    again = read_result(tmp_path / "result.h5").expansion
    near = outside(DEMO_BOX, 0.1, 20)
    np.testing.assert_allclose(pressure_at(again, near), pressure_at(found, near), atol=1e-5)
    np.testing.assert_array_equal(again.valid_radius_m, found.valid_radius_m)
    np.testing.assert_allclose(again.residual.error_db, found.residual.error_db, rtol=1e-6)
    write_result(tmp_path / "again.h5", Result(again))
    assert (tmp_path / "again.h5").read_bytes() == (tmp_path / "result.h5").read_bytes()
    with h5py.File(tmp_path / "result.h5", "r+") as file:
        for name in ("near_field", "valid_radius_m", "residual"):
            del file[name]
    old = read_result(tmp_path / "result.h5").expansion
    assert old.near_field is None
    assert old.residual is None
    assert not old.valid_radius_m.any()


def test_counts_that_do_not_fit_are_named(demo, tmp_path):
    write_result(tmp_path / "result.h5", Result(demo[1]))
    with h5py.File(tmp_path / "result.h5", "r+") as file:
        file["near_field/source_count"][0] += 1
    with pytest.raises(ResultFileError, match=r"near_field/source_m has .* entries, its counts say"):
        read_result(tmp_path / "result.h5")


def test_it_travels_with_the_frequencies(demo):
    _, found = demo
    near = outside(DEMO_BOX, 0.1, 20)
    parts = [found.take_frequencies(np.arange(0, 2)), found.take_frequencies(np.arange(2, 5))]
    together = join(parts)
    np.testing.assert_array_equal(pressure_at(together, near), pressure_at(found, near)[:, :5])
    np.testing.assert_array_equal(together.residual.frequency_hz, found.frequency_hz[:5])
    mixed = joined(found.take_frequencies(np.arange(0, 3)), found.take_frequencies(np.arange(1, 6)))
    np.testing.assert_allclose(pressure_at(mixed, near), pressure_at(found, near), rtol=1e-9)
    np.testing.assert_allclose(pressure_error_db(mixed, near), pressure_error_db(found, near), atol=1e-6)
    np.testing.assert_array_equal(mixed.residual.error_db, found.residual.error_db)


def test_no_point_of_a_clean_scan_is_accused(demo):
    scan, found = demo
    assert np.all(found.residual.error_db < -35)
    assert (
        cloud(found.residual).text.finding
        == "No point of 350 stands more than 15 dB above the median residual."
    )
    np.testing.assert_array_equal(found.residual.position_m, scan.setup.position_m)


def test_residuals_leave_out_the_rooms_sound_and_show_a_bad_point():
    """Sound from far outside at -15 dB, as loud as a wall's, belongs to the room, not to the residual."""
    scan = box_scan("shell", 250)[0].take_frequencies(slice(0, 2))
    k = 2 * np.pi * scan.frequency_hz / scan.setup.speed_of_sound_m_s
    distance = np.linalg.norm(scan.setup.position_m - [3.0, 1.0, 0.5], axis=1)[:, None]
    wave = (
        np.exp(-1j * k * distance)
        * np.sqrt(np.mean(np.abs(scan.pressure_pa) ** 2, axis=0))
        * 10 ** (-15 / 20)
    )
    pressure = scan.pressure_pa + wave
    clean = fit(Scan(scan.setup, scan.frequency_hz, pressure), room=True).residual.error_db
    assert np.all(np.median(clean, axis=0) < -35)
    spoilt = pressure.copy()
    spoilt[17] *= 1.5
    bad = fit(Scan(scan.setup, scan.frequency_hz, spoilt), room=True).residual.error_db
    assert np.all(bad.argmax(axis=0) == 17)
    assert np.all(bad[17] > np.median(bad, axis=0) + 15)
