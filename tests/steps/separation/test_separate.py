"""Outgoing and incoming sound told apart: against plain least squares, closed forms and workshop scans."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import spherical_jn, spherical_yn
from truth import rows

from scanproc.conventions import mode_degrees
from scanproc.errors import ScanDataError
from scanproc.records.scan import Scan, ScanSetup
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.field.view import relative_wavenumber, speed_of_sound, view_from
from scanproc.steps.fit.expand import fit
from scanproc.steps.separation.any_surface import split_on_any_surface
from scanproc.steps.separation.layers import depth_of_layers_m, two_shells
from scanproc.steps.separation.separate import separate, without_incoming
from scanproc.steps.separation.two_shells import split_on_shells
from scanproc.waves.directions import fibonacci_sphere, lebedev_grid
from scanproc.waves.harmonics import real_harmonics
from synthetic_scans import recipe as recipes
from synthetic_scans.surfaces import drum

SPEED = 343.0
SOURCE_M, IMAGE_M = np.array([0.05, -0.03, 0.08]), np.array([1.9, 1.2, -0.8])


def far_error_db(expansion, truth) -> np.ndarray:
    """Squared far-field error over the squared truth, whole sphere, dB (F,)."""
    direction, weight = lebedev_grid(35)
    want = truth(direction)
    missed = weight @ np.abs(far_field(expansion, direction) - want) ** 2
    return 10 * np.log10(missed / (weight @ np.abs(want) ** 2))


def monopole_far(direction, frequency):
    return np.exp(2j * np.pi * frequency / SPEED * (direction @ SOURCE_M)[:, None])


def two_monopoles(position, frequency, image=0.6, noise=0.0, **setup) -> Scan:
    """A source on the stand and one outside the scan: all that is outgoing, all that is incoming."""
    k = 2 * np.pi * frequency / SPEED
    pressure = np.zeros((len(position), len(frequency)), complex)
    for at, strength in ((SOURCE_M, 1.0), (IMAGE_M, image)):
        distance = np.linalg.norm(position - at, axis=1)[:, None]
        pressure += strength * np.exp(-1j * k * distance) / distance
    pair = np.random.default_rng(5).standard_normal((2, *pressure.shape))
    pressure += noise * np.sqrt(np.mean(np.abs(pressure) ** 2) / 2) * (pair[0] + 1j * pair[1])
    return Scan(ScanSetup(position, speed_of_sound_m_s=SPEED, **setup), frequency, pressure)


def shells(count=220, radii=(0.34, 0.42)):
    turn = np.linalg.qr(np.random.default_rng(1).standard_normal((3, 3)))[0]
    return np.concatenate([radii[0] * fibonacci_sphere(count), radii[1] * fibonacci_sphere(count) @ turn])


FREQUENCY = np.array([60.0, 200.0, 500.0, 900.0])


def by_lstsq(scan, order, column):
    """Outgoing and regular coefficients from scipy's Bessel functions and numpy's least squares."""
    radius = np.linalg.norm(scan.setup.position_m, axis=1)
    k, scaling = 2 * np.pi * scan.frequency_hz[column] / SPEED, np.median(radius)
    n = mode_degrees(order)
    hankel = spherical_jn(n, k * radius[:, None]) - 1j * spherical_yn(n, k * radius[:, None])
    size = np.abs(spherical_jn(n, k * scaling) - 1j * spherical_yn(n, k * scaling))
    regular = spherical_jn(n, k * radius[:, None])
    columns = np.abs(regular).max(axis=0)
    angular = real_harmonics(order, scan.setup.position_m / radius[:, None])
    basis = np.hstack([hankel / size * angular, regular / columns * angular])
    data = scan.pressure_pa[:, column]
    found = np.linalg.lstsq(basis, data, rcond=None)[0]
    hat = np.linalg.qr(basis)[0]
    left_out = (data - basis @ found) / (1 - np.sum(np.abs(hat) ** 2, axis=1))
    held_out = 10 * np.log10(np.sum(np.abs(left_out) ** 2) / np.sum(np.abs(data) ** 2))
    incoming = np.sum(np.abs(found[len(n) :] / columns * spherical_jn(n, k * scaling)) ** 2)
    level = 10 * np.log10(incoming / np.sum(np.abs(found[: len(n)]) ** 2))
    return found[: len(n)], held_out, level


@pytest.mark.parametrize("rough", [0.0, 0.01], ids=["two shells", "any surface"])
def test_agrees_with_plain_least_squares(rough: float) -> None:
    position = shells() * (1 + rough * np.random.default_rng(2).uniform(-1, 1, (440, 1)))
    scan = two_monopoles(position, FREQUENCY, noise=1e-2)
    found = separate(scan, order=6)
    for column in range(len(FREQUENCY)):
        want, held_out, level = by_lstsq(scan, 6, column)
        got = found.outgoing.coefficients_pa[:, column]
        np.testing.assert_allclose(got, want, rtol=0, atol=1e-8 * np.abs(want).max())
        assert found.outgoing.held_out_db[6, column] == pytest.approx(held_out, abs=1e-6)
        assert found.incoming_db[column] == pytest.approx(level, abs=1e-6)


def test_both_roads_give_the_same_split() -> None:
    scan = two_monopoles(shells(), FREQUENCY, noise=1e-2)
    view = view_from(scan.setup.position_m, (0, 0, 0))
    k = 2 * np.pi * FREQUENCY / SPEED
    fast = split_on_shells(scan, view, k, two_shells(view), 8, 6)
    slow = split_on_any_surface(scan, view, k, np.ones(scan.points), 8, 6, lambda _: None)
    np.testing.assert_allclose(fast.outgoing, slow.outgoing, atol=1e-9)
    np.testing.assert_allclose(fast.regular, slow.regular, atol=1e-9)
    np.testing.assert_allclose(fast.held_out_db[:9], slow.held_out_db[:9], atol=1e-7)
    seven = slice(0, 7)
    np.testing.assert_allclose(
        fast.uncertainty.variance_pa2[seven], slow.uncertainty.variance_pa2[seven], rtol=1e-6
    )
    np.testing.assert_allclose(
        fast.uncertainty.variance_pa2[7:9], slow.uncertainty.variance_pa2[7:9], rtol=1e-3
    )
    np.testing.assert_allclose(fast.noise_gain_db, slow.noise_gain_db, atol=0.5)


def test_a_monopole_is_freed_of_one_outside() -> None:
    scan = two_monopoles(shells(), FREQUENCY)
    found = separate(scan, order=11)
    assert far_error_db(found.outgoing, lambda u: monopole_far(u, FREQUENCY)).max() < -70
    assert far_error_db(fit(scan, order=11), lambda u: monopole_far(u, FREQUENCY)).min() > -25


@pytest.mark.parametrize("spread_k", [0.0, 4.0])
def test_the_pressures_without_the_incoming_sound_are_those_of_the_source_alone(spread_k: float) -> None:
    """Closed form: the monopole on the stand, at points that each have their own temperature or the same."""
    position = shells()
    draw = np.random.default_rng(8).uniform(-0.5, 0.5, len(position))
    speed = speed_of_sound(ScanSetup(position, point_temperature_c=20.0 + spread_k * draw))
    air = {"point_temperature_c": 20.0 + spread_k * draw}
    own = relative_wavenumber(ScanSetup(position, **air))
    k = 2 * np.pi * FREQUENCY / speed * own[:, None]
    alone, together = np.zeros((2, len(position), len(FREQUENCY)), complex)
    for at, strength in ((SOURCE_M, 1.0), (IMAGE_M, 0.6)):
        distance = np.linalg.norm(position - at, axis=1)[:, None]
        together += strength * np.exp(-1j * k * distance) / distance
        alone = together.copy() if strength == 1.0 else alone
    scan = Scan(ScanSetup(position, **air), FREQUENCY, together)
    found = without_incoming(scan, order=10)
    missed = np.sum(np.abs(found.pressure_pa - alone) ** 2, axis=0) / np.sum(np.abs(alone) ** 2, axis=0)
    before = np.sum(np.abs(together - alone) ** 2, axis=0) / np.sum(np.abs(alone) ** 2, axis=0)
    assert 10 * np.log10(before.min()) > -21
    # Regular terms cannot tell that sound from afar was slower all the way: a phase error of k·|image| times the
    # spread of the wave number, of what comes in.
    late = before * np.mean((k * (1 - 1 / own[:, None]) * np.linalg.norm(IMAGE_M)) ** 2, axis=0)
    assert np.all(missed < 1e-5 + 2 * late)


def test_a_drum_works_too() -> None:
    position, layer = drum([0.30, 0.38], [0.30, 0.38], 600)
    scan = two_monopoles(position, FREQUENCY, noise=1e-3, layer=layer)
    found = separate(scan)
    assert far_error_db(found.outgoing, lambda u: monopole_far(u, FREQUENCY)).max() < -50


def test_predicted_error_is_about_the_true_one() -> None:
    scan = two_monopoles(shells(), FREQUENCY, noise=1e-2)
    found = separate(scan)
    true = far_error_db(found.outgoing, lambda u: monopole_far(u, FREQUENCY))
    assert np.abs(found.outgoing.far_field_error_db - true).max() < 6


def test_noise_gain_follows_the_determinant_of_degree_zero() -> None:
    """Table two_radii: x1 x2 (j_0(x1) y_0(x2) - j_0(x2) y_0(x1)) = sin(x2 - x1). With m points on each shell
    the noise of a_0 grows by the inverse of 1 - correlation², (|h1|²+|h2|²)(j1²+j2²)/(that over x1 x2)²."""
    low = 40.0
    found = separate(two_monopoles(shells(), np.array([low])), order=0)
    x = 2 * np.pi * low / SPEED * np.array([0.34, 0.42])
    j = np.sin(x) / x
    det = np.sin(x[1] - x[0]) / (x[0] * x[1])
    gain = 10 * np.log10(np.sum(j**2) * np.sum(1 / x**2) / det**2)
    assert found.noise_gain_db[0] == pytest.approx(gain, abs=1e-3)
    zero = [row for row in rows("air_and_gate", "two_radii") if row[0] == 0]
    assert all(abs(float(row[3]) - np.sin(1.0)) < 1e-12 or abs(float(row[3])) < 1e-40 for row in zero)


def test_half_a_wavelength_between_layers_cannot_be_told_apart() -> None:
    half = SPEED / (2 * 0.08)
    found = separate(two_monopoles(shells(), np.array([500.0, half])), order=3)
    assert found.usable.tolist() == [True, False]


def test_layers_too_close_are_refused() -> None:
    scan = two_monopoles(shells(radii=(0.40, 0.41)), np.array([30.0]))
    with pytest.raises(ScanDataError, match=r"layers 10 mm apart .* at 30 Hz: noise would grow by 3\d dB"):
        separate(scan)


def test_one_layer_is_refused() -> None:
    one = two_monopoles(0.4 * fibonacci_sphere(300), FREQUENCY)
    with pytest.raises(ScanDataError, match="needs two layers of points, the scan has one"):
        separate(one)
    side = drum([0.3], [0.3], 400)[0]
    with pytest.raises(
        ScanDataError, match=r"needs two layers|mm apart cannot tell the device from the room"
    ):
        separate(two_monopoles(side, FREQUENCY))
    labelled = replace(one, setup=replace(one.setup, layer=np.zeros(300, int)))
    with pytest.raises(ScanDataError, match="needs two layers"):
        separate(labelled)


def test_too_few_points_are_refused() -> None:
    scan = two_monopoles(shells(count=20), FREQUENCY)
    with pytest.raises(
        ScanDataError, match="order 6 needs at least 54 points in each layer, the scan has 20"
    ):
        separate(scan, order=6)
    with pytest.raises(ScanDataError, match="order 1 needs at least 5 points in each layer, the scan has 3"):
        separate(two_monopoles(shells(count=3), FREQUENCY))


@pytest.mark.parametrize("labelled", [True, False])
def test_layers_are_found_from_labels_or_positions(labelled: bool) -> None:
    position, layer = drum([0.30, 0.38], [0.30, 0.38], 600)
    setup = ScanSetup(position, layer=layer if labelled else None)
    depth = depth_of_layers_m(setup, view_from(position, (0, 0, 0)))
    assert 0.05 < depth < 0.12


def workshop(**changes):
    """The workshop with two shells, made smaller: fewer points, images and details."""
    table = recipes.load("workshop-two-layer").model_dump(mode="json", exclude_none=True)
    table["device"]["detail"] = 0.25
    table["room"]["reflections"] = 4
    table["frequencies"] = {"spacing": "log", "start_hz": 50.0, "stop_hz": 1000.0, "count": 9}
    table |= {"temperature_drift_k": 0.0, "noise": {"snr_db": 60.0}}
    for section, values in changes.items():
        table[section] = table[section] | values if isinstance(values, dict) else values
    return recipes.parse(table)


@pytest.mark.parametrize("jitter_m", [0.0, 0.002], ids=["two shells", "known jitter"])
def test_workshop_scan_is_freed_of_the_room(jitter_m: float) -> None:
    """60 dB signal-to-noise, 50 Hz to 1 kHz: at most -50 dB; without separation 10 to 50 dB worse."""
    recipe = workshop(surface={"jitter_m": jitter_m, "points": 800})
    scan, truth = recipes.make_scan(recipe), recipes.truth(recipe)
    found = separate(scan)
    with_room = far_error_db(
        fit(scan, centre_m=(0.0, 0.0, 0.0), estimator="truncated"),
        lambda u: truth.far_field(u, scan.frequency_hz),
    )
    without = far_error_db(found.outgoing, lambda u: truth.far_field(u, scan.frequency_hz))
    assert without.max() < -50
    assert (with_room - without).min() > 10
    assert np.all(found.usable)
    assert np.all((found.incoming_db > -25) & (found.incoming_db < 5))


def test_a_rigid_sphere_keeps_what_it_scatters_of_the_room() -> None:
    """Scattered over incident is |j_n'(ka)/h_n'(ka)|, table rigid_scatter: small only while ka is."""
    table = recipes.load("sphere-in-workshop").model_dump(mode="json", exclude_none=True)
    table["frequencies"] = {"spacing": "linear", "start_hz": 136.5, "stop_hz": 546.0, "count": 2}
    table["room"]["reflections"] = 2
    recipe = recipes.parse(table)
    scan, truth = recipes.make_scan(recipe), recipes.truth(recipe)
    found = separate(scan)
    left = far_error_db(found.outgoing, lambda u: truth.far_field(u, scan.frequency_hz)) - found.incoming_db
    ka = 2 * np.pi * scan.frequency_hz * 0.2 / truth.speed_of_sound_m_s
    assert ka == pytest.approx([0.5, 2.0], rel=0.01)
    ceiling = [max(row[1:]) for row in rows("room", "rigid_scatter") if row[0] in ("0.5", "2")]
    assert np.all(left < np.array(ceiling) + 10)
    assert left[1] - left[0] > 10
