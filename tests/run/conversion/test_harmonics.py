"""Harmonics from recorded sweeps to the far field, against sources whose harmonics have closed far fields."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import soundfile
from inline_workers import run_inline
from small_scans import monopole_scan
from swept import IMPORT, harmonic_far_field, recorded
from workshop_scans import workshop

from scanproc.errors import ScanDataError, ScanFileError
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import open_scan, read_scan, write_scan
from scanproc.records.answers.distortion import PLACES
from scanproc.records.measured.scan import ImpulseScan
from scanproc.run.conversion.fitting import in_threads, make_plan, make_plan_like
from scanproc.run.conversion.harmonics import fit_harmonics
from scanproc.run.conversion.pipeline import convert
from scanproc.run.conversion.preparation import hearing, prepare
from scanproc.run.incoming.import_scan import import_scan
from scanproc.run.night import inspection, tasks
from scanproc.run.night.batch import Wanted
from scanproc.run.settings.conversion import parse_settings
from scanproc.run.settings.imports import ImportSettings
from scanproc.run.synth import synth
from scanproc.steps.each import in_turn
from scanproc.steps.farfield.distortion import harmonic_ratio, total_ratio
from scanproc.steps.field.extrapolate import far_field
from scanproc.steps.fit.expand import fit_planned
from scanproc.steps.sound.harmonics import window_of
from scanproc.steps.sound.spectra import spectra
from scanproc.waves.directions import lebedev_grid
from synthetic_scans import recipe as recipes

AXIS = np.array([[1.0, 0.0, 0.0]])
DIRECTION, WEIGHT = lebedev_grid(41)
BAND = {
    "frequencies": {"lowest_hz": 70, "highest_hz": 1700, "per_octave": 2},
    "points": {"in_convert": False},
}
SQUARES = BAND | {"fit": {"order": 4}, "check": {"run": False}, "room": {"method": "none"}}


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("quay")
    import_scan(
        recorded(folder / "in", noise=2e-5), folder / "scan.h5", ImportSettings.model_validate(IMPORT)
    )
    return folder / "scan.h5"


@pytest.fixture(scope="module")
def converted(imported: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out") / "result"
    convert(imported, out, parse_settings(SQUARES))
    return out


def decibels(pressure: np.ndarray) -> np.ndarray:
    return 20 * np.log10(np.abs(pressure) / 2e-5)


def test_the_scan_file_holds_harmonics_with_their_bands(imported: Path, tmp_path: Path) -> None:
    with open_scan(imported) as file:
        assert file.warnings == ()
        assert list(file.harmonics) == [2, 3]
        assert all(50 < low < high <= 1800 for low, high in file.harmonics.values())
        file.use(np.array([3, 5]), gain=np.array([1.0, 2.0]))
        second = file.harmonic(2).read()
        assert isinstance(second, ImpulseScan)
        assert second.points == 2
        assert file.read().impulse_response_pa.shape[1] == round(0.2 * 12000)
    with h5py.File(imported) as file:
        assert second.impulse_response_pa[1] == pytest.approx(2.0 * file["harmonic_2"][5])
    whole = read_scan(imported)
    assert isinstance(whole, ImpulseScan)
    write_scan(tmp_path / "again.h5", whole, {2: (whole, (100.0, 900.0))})
    with open_scan(tmp_path / "again.h5") as file:
        assert file.harmonics == {2: (100.0, 900.0)}
    with h5py.File(tmp_path / "again.h5", "r+") as file:
        file["harmonic_2"].attrs["highest_hz"] = 50.0
    with pytest.raises(
        ScanFileError, match="harmonic_2 must state lowest_hz below highest_hz, got 100 and 50"
    ):
        open_scan(tmp_path / "again.h5")


def test_a_drive_that_is_no_log_sweep_is_refused(tmp_path: Path) -> None:
    folder = recorded(tmp_path / "in", points=6)
    time = np.arange(24000) / 12000
    soundfile.write(folder / "drive.wav", np.sin(2 * np.pi * (100 + 500 * time) * time), 12000, "FLOAT")
    with pytest.raises(ScanDataError, match=r"drive.wav: the drive signal is no logarithmic sweep"):
        import_scan(folder, tmp_path / "scan.h5", ImportSettings.model_validate(IMPORT))
    assert not (tmp_path / "scan.h5").exists()


def test_levels_of_two_sources_with_a_curve_each(converted: Path) -> None:
    """Least squares, order 4; monopoles with squares and cubes of their drives: cos² and cos³ by hand. Both references
    have known values, since the fundamental is known at both frequencies."""
    found = read_result(converted / "result.h5").distortion
    assert found is not None
    hz = found.excitation_hz
    fundamental = decibels(harmonic_far_field(1, AXIS, hz))[0]
    for row, order in enumerate(found.order.tolist()):
        exact = decibels(harmonic_far_field(order, AXIS, order * hz))[0]
        own = decibels(harmonic_far_field(1, AXIS, order * hz))[0]
        known = np.isfinite(found.level_db[row, 0]) & (order * hz < 800)  # above, order 4 truncates
        assert np.count_nonzero(known) >= 3
        assert np.abs(found.level_db[row, 0] - exact)[known].max() < 0.1
        assert np.all(found.level_db[row, 0][known] > found.floor_db[row, 0][known])
        for reference, base in (("excitation", fundamental), ("own", own)):
            ratio = harmonic_ratio(found, row, 0, reference).value_db
            assert ratio[known] == pytest.approx((exact - base)[known], abs=0.2)


def test_table_summary_and_page_say_the_same(converted: Path) -> None:
    with (converted / "distortion.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    summary = json.loads((converted / "summary.json").read_text(encoding="utf-8"))["distortion"]
    found = read_result(converted / "result.h5").distortion
    assert found is not None
    for place, name in enumerate(PLACES):
        told = summary["places"][name]["total_harmonic_distortion"]["percent"]
        table = [row for row in rows if row["place"] == name and row["harmonic"] == "total"]
        percent = 100 * 10 ** (total_ratio(found, place, "excitation").value_db / 20)
        assert [one is None for one in told] == np.isnan(percent).tolist()
        assert [one for one in told if one is not None] == pytest.approx(
            percent[np.isfinite(percent)], abs=1e-4
        )
        assert [float(row["distortion_percent"]) for row in table] == percent[np.isfinite(percent)].tolist()
    assert summary["sentence"].startswith("On the axis harmonics 2 to 3 add up to at most 0.6")


def test_a_batch_makes_the_same_of_it(
    imported: Path, converted: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tasks, "inspect", inspection.read_all)
    config = tmp_path / "squares.toml"
    config.write_text(
        "[frequencies]\nlowest_hz = 70\nhighest_hz = 1700\nper_octave = 2\n[points]\nin_convert = false\n"
        '[fit]\norder = 4\n[check]\nrun = false\n[room]\nmethod = "none"\n',
        encoding="utf-8",
    )
    done = run_inline(Wanted((str(imported),), tmp_path / "out", config, settle_s=0.0))
    assert [row.state for row in done.rows] == ["done"]
    same = tmp_path / "out" / "scan" / "distortion.csv"
    assert same.read_bytes() == (converted / "distortion.csv").read_bytes()


def test_a_recipe_with_harmonics_holds_the_device_at_their_own_frequencies(tmp_path: Path) -> None:
    """-40 and -50 dB re the fundamental there, by the closed form of the device; noise 60 dB below the fundamental."""
    synth("demo-harmonics", tmp_path / "scan.h5")
    hz, truth = np.array([300.0, 600.0, 1200.0]), recipes.truth(recipes.load("demo-harmonics"))
    with open_scan(tmp_path / "scan.h5") as file:
        assert file.harmonics == {2: (120.0, 3600.0), 3: (180.0, 3600.0)}
        for order, level in ((2, -40.0), (3, -50.0)):
            heard = spectra(file.harmonic(order).read(), hz).pressure_pa
            exact = truth.pressure(file.setup.position_m, hz) * 10 ** (level / 20)
            off = np.sum(np.abs(heard - exact) ** 2, axis=0) / np.sum(np.abs(exact) ** 2, axis=0)
            assert 10 * np.log10(off) == pytest.approx(-60 - level, abs=2.5)


@pytest.mark.slow
def test_the_demo_with_harmonics_tells_what_was_planted(tmp_path: Path) -> None:
    """As equivalent input distortion -40 and -50 dB at every place and frequency. The second stands 20 dB above the
    noise at the points and must be right to 0.3 dB; the third, 10 dB above it, only to 1.5 dB."""
    synth("demo-harmonics", tmp_path / "scan.h5")
    convert(tmp_path / "scan.h5", tmp_path / "out", parse_settings(BAND))
    found = read_result(tmp_path / "out" / "result.h5").distortion
    assert found is not None
    for row, (level, near) in enumerate(((-40.0, 0.3), (-50.0, 1.5))):
        for place in range(3):
            ratio = harmonic_ratio(found, row, place, "own")
            known = np.isfinite(ratio.value_db)
            assert np.count_nonzero(known) >= 4
            assert np.all(ratio.value_db[known] > ratio.floor_db[known])
            assert np.abs(ratio.value_db - level)[known].max() < near


@pytest.mark.slow
@pytest.mark.parametrize("linear", [False, True])
def test_the_whole_model_in_free_field(tmp_path: Path, linear: bool) -> None:
    """Level within 0.3 dB where 20 dB above the floor; a linear device shows nothing above it but by chance: one value
    in a hundred by design, here of fifty none by more than 1 dB and at most one at all."""
    import_scan(
        recorded(tmp_path / "in", linear=linear), tmp_path / "scan.h5", ImportSettings.model_validate(IMPORT)
    )
    convert(tmp_path / "scan.h5", tmp_path / "out", parse_settings(BAND))
    found = read_result(tmp_path / "out" / "result.h5").distortion
    assert found is not None
    above = found.level_db - found.floor_db
    if linear:
        assert np.nanmax(above) < 1
        assert np.count_nonzero(above > 0) <= 1
        return
    for row, order in enumerate(found.order.tolist()):
        exact = decibels(harmonic_far_field(order, AXIS, order * found.excitation_hz))[0]
        clear = above[row, 0] > 20
        assert np.count_nonzero(clear) >= 4
        assert np.abs(found.level_db[row, 0] - exact)[clear].max() < 0.3


@pytest.mark.slow
def test_levels_and_phases_in_the_workshop(tmp_path: Path) -> None:
    """Two layers in the boat shed; the harmonics are clusters of their own, at their own frequencies. Noise 40 dB and
    20 dB below them at the points; judged where a harmonic is 20 dB above the noise floor, which is that of 99 %."""
    steady = {"surface": {"points": 160}, "temperature_drift_k": 0.0}
    steady["impulse"] = {"length_s": 0.25, "before_s": 0.03}
    scan = recipes.make_scan(workshop(**steady, noise={"snr_db": 60.0, "gain_drift_db": 0.0}))
    assert isinstance(scan, ImpulseScan)
    harmonics, truth = {}, {}
    for order, level, noise in ((2, 50.0, 40.0), (3, 40.0, 20.0)):
        sources = [
            {"position_m": [0.2, 0.01, 0.2], "level_db": level},
            {"position_m": [0.2, 0.0, -0.09], "level_db": level - 6},
        ]
        recipe = workshop(
            **steady,
            device={"kind": "sources", "source": sources},
            noise={"snr_db": noise, "gain_drift_db": 0.0},
        )
        heard = recipes.make_scan(recipe)
        assert isinstance(heard, ImpulseScan)
        response = heard.impulse_response_pa
        silent = response - response[:, :120].mean(
            axis=1, keepdims=True
        )  # the recipe takes 0 Hz out everywhere
        window = window_of(response.shape[1], round(0.03 * heard.sampling_rate_hz))
        same = replace(heard, setup=scan.setup, impulse_response_pa=silent * window)
        harmonics[order], truth[order] = (same, (60.0, 2400.0)), recipes.truth(recipe)
    write_scan(tmp_path / "scan.h5", scan, harmonics)
    band = {"lowest_hz": 50, "highest_hz": 1600, "per_octave": 1}
    settings = parse_settings({"frequencies": band, "check": {"run": False}})
    with open_scan(tmp_path / "scan.h5") as file:
        plan = prepare(hearing(file, settings), settings, in_threads)
        found = fit_harmonics(hearing(file, settings, plan), settings, plan, in_threads)
    for order, one in found.items():
        hz = one.expansion.frequency_hz
        ratio = far_field(one.expansion, AXIS)[0] / truth[order].far_field(AXIS, hz)[0]
        exact = truth[order].far_field(DIRECTION, hz)
        missed = (
            WEIGHT @ np.abs(far_field(one.expansion, DIRECTION) - exact) ** 2 / (WEIGHT @ np.abs(exact) ** 2)
        )
        clear = one.expansion.far_field_error_db + 10 * np.log10(np.log(100)) < -20
        assert np.count_nonzero(clear) >= 2
        assert np.abs(20 * np.log10(np.abs(ratio)))[clear].max() < 0.3
        assert np.abs(np.degrees(np.angle(ratio)))[clear].max() < 5
        assert np.median(10 * np.log10(missed) - one.expansion.far_field_error_db) < 3


def test_displacements_are_those_of_the_fundamental() -> None:
    """A harmonic heard at displaced points is fitted better at the places that the fundamental told."""
    scan = monopole_scan(60, noise=1e-4).take_frequencies(np.array([3, 5, 6]))
    moved = 0.01 * np.random.default_rng(4).standard_normal((60, 3))
    heard = replace(scan, setup=replace(scan.setup, position_m=scan.setup.position_m - moved))
    settings = parse_settings({}).fit
    plain = make_plan(heard, heard.frequency_hz, settings, None, in_turn)
    told = replace(plain, moved_m=moved, moved_variance_m2=np.full((60, 3), 1e-12), position_error_m=1e-6)
    known = make_plan_like(heard, heard.frequency_hz, settings, told, in_turn)
    assert np.array_equal(known.moved_m, moved)
    assert known.position_error_m == 1e-6
    found, blind = (fit_planned(heard, plan) for plan in (known, replace(plain, moved_m=np.empty((0, 3)))))
    assert np.nanmax(found.held_out_db) < np.nanmax(blind.held_out_db) - 10
