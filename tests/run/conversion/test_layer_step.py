"""Two layers scanned one after the other with a step of gain between them, in a workshop with a known free field."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_scans import monopole_scan
from workshop_scans import far_error_db, workshop

from scanproc.files.stored.scan_file import open_scan, write_scan
from scanproc.records.scan import Scan
from scanproc.run.conversion.heard import Heard
from scanproc.run.conversion.pipeline import without_room
from scanproc.run.conversion.preparation import hearing, prepare
from scanproc.run.settings.conversion import Settings, parse_settings
from scanproc.steps.separation.gain_step import match_layers, with_layers_matched
from scanproc.steps.separation.separate import separate
from synthetic_scans import recipe as recipes

STEP_DB = 0.05
MATCHED = parse_settings({"room": {"match_layers": True}})


@pytest.fixture(scope="module")
def recipe():
    """A seed on which nothing was tuned."""
    return workshop(
        "workshop-two-layer",
        seed=77,
        surface={"points": 640},
        frequencies={"count": 12, "stop_hz": 1000.0},
        noise={"snr_db": 60.0, "gain_drift_db": 0.0},
        temperature_drift_k=0.0,
    )


@pytest.fixture(scope="module")
def clean(recipe) -> Scan:
    scan = recipes.make_scan(recipe)
    assert isinstance(scan, Scan)
    return scan


@pytest.fixture(scope="module")
def stepped(clean: Scan) -> Scan:
    outer = clean.setup.layer == clean.setup.layer.max()
    gain = np.where(outer, 10 ** (STEP_DB / 20), 1.0)
    return replace(clean, pressure_pa=clean.pressure_pa * gain[:, None])


@pytest.fixture
def file_of_it(stepped: Scan, tmp_path: Path) -> Path:
    write_scan(tmp_path / "scan.h5", stepped)
    return tmp_path / "scan.h5"


def test_the_step_is_found_and_taken_out(recipe, clean: Scan, stepped: Scan) -> None:
    order = separate(stepped).outgoing.order
    found, none = match_layers(stepped, order), match_layers(clean, order)
    assert found is not None
    assert none is not None
    assert found.found
    assert not none.found
    assert abs(found.gain_db[0] - STEP_DB) < 3 * found.error_db[0]
    assert found.error_db[0] < 0.25 * STEP_DB
    truth = recipes.truth(recipe)
    spoilt = far_error_db(separate(stepped).outgoing, truth)
    matched = far_error_db(separate(with_layers_matched(stepped, found)).outgoing, truth)
    assert spoilt.max() > -32
    assert matched.max() < spoilt.max() - 10


def test_the_shells_are_layers_without_labels(stepped: Scan) -> None:
    order = np.full(12, 11)
    told = match_layers(stepped, order)
    seen = match_layers(replace(stepped, setup=replace(stepped.setup, layer=None)), order)
    assert told is not None
    assert seen is not None
    assert seen.gain_db == pytest.approx(told.gain_db)


def test_one_layer_has_no_step() -> None:
    scan = monopole_scan(100)
    assert match_layers(scan, np.full(len(scan.frequency_hz), 4)) is None
    spread = np.linspace(0.9, 1.1, 100)[:, None]
    rough = replace(scan, setup=replace(scan.setup, position_m=scan.setup.position_m * spread))
    assert match_layers(rough, np.full(len(scan.frequency_hz), 4)) is None


def test_no_low_frequency_shows_no_step(stepped: Scan) -> None:
    high = replace(stepped, frequency_hz=stepped.frequency_hz * 100)
    assert match_layers(high, np.full(12, 11)) is None


def test_a_conversion_warns_with_the_error_that_it_leaves(recipe, file_of_it: Path) -> None:
    with open_scan(file_of_it) as file:
        expansion, report = without_room(file, Settings())
    said = [line for line in report.warnings if "against the first" in line]
    assert len(said) == 1
    assert float(said[0].split("layer 1 is ")[1].split(" dB")[0]) == pytest.approx(STEP_DB, abs=0.025)
    assert "room.match_layers" in said[0]
    told = float(said[0].split("an error of about ")[1].split(" dB")[0])
    truth = far_error_db(expansion, recipes.truth(recipe))
    assert told == pytest.approx(np.median(truth), abs=5)


def test_a_conversion_takes_it_out_on_request(recipe, file_of_it: Path) -> None:
    with open_scan(file_of_it) as file:
        expansion, report = without_room(file, MATCHED)
    assert not any("against the first" in line for line in report.warnings)
    assert any("taken out, as asked (room.match_layers)" in line for line in report.notes)
    with open_scan(file_of_it) as file:
        left, _ = without_room(file, Settings())
    truth = recipes.truth(recipe)
    assert far_error_db(expansion, truth).max() < far_error_db(left, truth).max() - 10


def test_whoever_fits_a_part_later_hears_the_same(file_of_it: Path) -> None:
    with open_scan(file_of_it) as file:
        first = Heard(file)
        plan = prepare(first, MATCHED)
        assert plan.layers is not None
        again = hearing(file, MATCHED, plan)
        assert np.array_equal(
            again.whole(plan.frequency_hz[:2]).pressure_pa, first.whole(plan.frequency_hz[:2]).pressure_pa
        )
