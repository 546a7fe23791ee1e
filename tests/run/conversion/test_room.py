"""The room taken out of whole scans: workshop scans with a known free field, converted from file."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from workshop_scans import far_error_db, workshop

from scanproc.errors import ScanDataError
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import open_scan, write_scan
from scanproc.records.fitted.room import RoomReport
from scanproc.records.measured.scan import Scan
from scanproc.run.conversion.pipeline import convert, without_room
from scanproc.run.conversion.room import taken_for
from scanproc.run.settings.conversion import Settings, parse_settings
from scanproc.steps.model.box import device_box
from synthetic_scans import recipe as recipes

FEW = {"frequencies": {"lowest_hz": 50, "highest_hz": 1600, "per_octave": 1}}
STEADY = {"temperature_drift_k": 0.0, "noise": {"snr_db": 60.0, "gain_drift_db": 0.0}}
SQUARES = {"estimator": "truncated"}
ROOM = {"size_m": [7.1, 5.2, 3.05], "origin_m": [2.9, 2.3, 1.35]}


@pytest.fixture(scope="module")
def two_layers(tmp_path_factory):
    """Impulse responses of the workshop on two layers, and the truth."""
    recipe = workshop(surface={"points": 160})
    path = tmp_path_factory.mktemp("workshop") / "scan.h5"
    write_scan(path, recipes.make_scan(recipe))
    return path, recipes.truth(recipe)


def converted(path: Path, **settings) -> tuple:
    with open_scan(path) as file:
        return without_room(file, parse_settings(FEW | settings))


@pytest.fixture(scope="module")
def freed(two_layers):
    """The expansion and the report of that scan."""
    return converted(two_layers[0])


@pytest.mark.slow
def test_modelled_below_and_gated_above(two_layers, freed) -> None:
    """160 points, 60 dB signal-to-noise, by octaves: as far off as predicted where one of the two works alone, and
    20 dB and more better than the same scan with the room left in."""
    path, truth = two_layers
    expansion, room = freed
    frequency = expansion.frequency_hz
    error = far_error_db(expansion, truth)
    left_in = far_error_db(converted(path, room={"method": "none"}, fit=SQUARES)[0], truth)
    assert room.method == "gate and model"
    assert room.shared_hz is not None
    below, above = frequency < room.shared_hz[0], frequency > 2 * room.shared_hz[1]
    assert np.all(error[below] < -35)
    assert np.all(error[above] < -50)
    assert np.all((error - expansion.far_field_error_db)[below | above] < 3)
    assert np.all((left_in - error)[below | above] > 20)
    assert np.all(left_in > error)


@pytest.mark.slow
def test_the_report_says_what_was_used_where(freed) -> None:
    _, room = freed
    start, end = room.shared_hz
    frequency = room.frequency_hz
    assert start == pytest.approx(room.lowest_valid_hz)
    assert end == pytest.approx(2 * start)
    assert np.all(room.gated_share[frequency >= end] == 1)
    assert np.all(room.gated_share[frequency <= start] == 0)
    assert np.all(room.modelled_share == 1)
    assert room.gate_source == "first_reflection_s of the file"
    assert np.all(np.isfinite(room.incoming_db))
    assert room.incoming_db[frequency >= end].max() < room.incoming_db[frequency < start].min() - 20


def test_blocks_of_frequencies_give_the_same(two_layers, monkeypatch: pytest.MonkeyPatch) -> None:
    path, _ = two_layers
    whole, report = converted(path, fit={"order": 5})
    monkeypatch.setattr("scanproc.run.conversion.pipeline.BLOCK_BYTES", 16 * 160 * 2)
    parts, same = converted(path, fit={"order": 5})
    np.testing.assert_allclose(parts.coefficients_pa, whole.coefficients_pa, atol=1e-9)
    np.testing.assert_allclose(same.gated_share, report.gated_share)


def test_convert_writes_down_what_was_done(two_layers, tmp_path: Path) -> None:
    path, _ = two_layers
    settings = FEW | {"points": {"in_convert": False}, "fit": SQUARES}
    summary = convert(path, tmp_path / "out", parse_settings(settings))
    assert any(line.startswith("Room: ") and "gated" in line for line in summary.lines())
    document = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert document["room"]["method"] == "gate"
    stored = read_result(tmp_path / "out" / "result.h5").room
    assert isinstance(stored, RoomReport)
    assert stored.shared_hz == tuple(document["room"]["shared_hz"])
    assert stored.gate_length_s == document["room"]["gate_length_s"]


def test_least_squares_is_gated_only_and_says_so(tmp_path: Path) -> None:
    recipe = workshop("workshop-one-layer-ir", surface={"points": 200})
    write_scan(tmp_path / "scan.h5", recipes.make_scan(recipe))
    expansion, room = converted(tmp_path / "scan.h5", room=ROOM, fit=SQUARES)
    error = far_error_db(expansion, recipes.truth(recipe))
    assert room.method == "gate"
    assert room.gate_source == "room dimensions"
    assert error[expansion.frequency_hz > 2 * room.lowest_valid_hz].max() < -30
    assert error[expansion.frequency_hz < room.lowest_valid_hz].min() > -20
    assert "what no gate cut off is in the results" in room.warnings[0]
    assert np.all(room.modelled_share == 0)
    with pytest.raises(ScanDataError, match="cannot be part of least squares"):
        converted(tmp_path / "scan.h5", room={"method": "model"}, fit=SQUARES)


@pytest.mark.slow
def test_uneven_spectra_on_two_layers_are_modelled_only(tmp_path: Path) -> None:
    table = {"spacing": "log", "start_hz": 80.0, "stop_hz": 900.0, "count": 4}
    surface = {"points": 200, "jitter_m": 0.0}
    recipe = workshop("workshop-two-layer", surface=surface, frequencies=table, **STEADY)
    write_scan(tmp_path / "scan.h5", recipes.make_scan(recipe))
    expansion, room = converted(tmp_path / "scan.h5")
    assert room.method == "model"
    error = far_error_db(expansion, recipes.truth(recipe))
    assert error.max() < -25
    assert np.all(error < expansion.far_field_error_db + 6)


def test_free_field_is_left_alone(tmp_path: Path) -> None:
    table = {"spacing": "log", "start_hz": 80.0, "stop_hz": 900.0, "count": 3}
    surface = {"points": 100, "jitter_m": 0.0}
    recipe = workshop("workshop-two-layer", surface=surface, frequencies=table, room=None, **STEADY)
    write_scan(tmp_path / "scan.h5", recipes.make_scan(recipe))
    with open_scan(tmp_path / "scan.h5") as file:
        _, room = without_room(file, Settings())
    assert room.method == "none"
    assert room.notes[0] == "the scan says that it was taken in free field"
    assert room.warnings == ()


def test_a_middle_that_is_stated_wrong_is_named(tmp_path: Path) -> None:
    recipe = recipes.load("demo")
    few = {"count": 4, "start_hz": 300.0, "stop_hz": 1500.0}
    recipe = recipe.model_copy(
        update={
            "surface": recipe.surface.model_copy(update={"points": 150}),
            "frequencies": recipe.frequencies.model_copy(update=few),
        }
    )
    scan = recipes.make_scan(recipe)
    for off_m, named in ((0.0, False), (0.15, True)):
        setup = replace(scan.setup, device_centre_m=np.array([0.0, off_m, 0.0]))
        write_scan(tmp_path / f"{off_m}.h5", replace(scan, setup=setup))
        _, room = converted(tmp_path / f"{off_m}.h5")
        assert any("the middle is stated 0.15 m off" in one for one in room.warnings) == named


@pytest.mark.parametrize(
    ("off_m", "notes", "warnings"), [(0.0, 0, 0), (-0.004, 0, 0), (0.03, 1, 0), (0.1, 1, 1)]
)
def test_only_a_device_elsewhere_by_centimetres_is_told(off_m: float, notes: int, warnings: int) -> None:
    setup = recipes.make_scan(workshop("workshop-two-layer", surface={"points": 60})).setup
    stated = device_box(setup)
    taken = SimpleNamespace(
        box_centre_m=stated.centre_m + np.array([0.0, off_m, 0.0]), box_size_m=stated.size_m
    )
    found = taken_for(SimpleNamespace(setup=setup), taken)  # type: ignore[arg-type]
    assert tuple(map(len, found)) == (notes, warnings)


def test_what_the_user_asks_for_and_the_scan_cannot_give(two_layers, tmp_path: Path) -> None:
    path, _ = two_layers
    with pytest.raises(
        ScanDataError, match=r"gate \(settings\) ends 1\.00 ms after the drive, but the direct sound"
    ):
        converted(path, room={"gate_end_s": 0.001})
    with pytest.raises(ScanDataError, match=r"ends 900\.00 ms after the drive, the record 1"):
        converted(path, room={"gate_end_s": 0.9})
    recipe = workshop("workshop-two-layer", surface={"points": 60, "radii_m": [0.44]})
    write_scan(tmp_path / "uneven.h5", recipes.make_scan(recipe))
    with pytest.raises(ScanDataError, match="uneven"):
        converted(tmp_path / "uneven.h5", room={"method": "gate"})


def test_even_spectra_are_gated_as_responses_are(tmp_path: Path) -> None:
    """The Fourier transform of the same responses, by NumPy, up to 2.8 kHz: both far-field errors below -30 dB."""
    recipe = workshop("workshop-one-layer-ir", surface={"points": 300}, temperature_drift_k=0.0)
    heard = recipes.make_scan(recipe)
    write_scan(tmp_path / "responses.h5", heard)
    samples = heard.impulse_response_pa.shape[1]
    hz = np.fft.rfftfreq(samples, 1 / heard.sampling_rate_hz)
    spectrum = np.fft.rfft(heard.impulse_response_pa) * np.exp(-2j * np.pi * hz * heard.time_zero_s)
    use = (hz > 40) & (hz < 2800)
    write_scan(tmp_path / "spectra.h5", Scan(heard.setup, hz[use], spectrum[:, use]))
    for name in ("responses", "spectra"):
        expansion, report = converted(tmp_path / f"{name}.h5", room=ROOM | {"method": "gate"}, fit=SQUARES)
        above = (expansion.frequency_hz > 2 * report.lowest_valid_hz) & (expansion.frequency_hz < 1500)
        assert far_error_db(expansion, recipes.truth(recipe))[above].max() < -30
        assert report.method == "gate"


def test_a_gate_without_a_reflection_is_refused(tmp_path: Path) -> None:
    recipe = workshop("workshop-one-layer-ir", surface={"points": 60}, room=None)
    heard = recipes.make_scan(recipe)
    write_scan(tmp_path / "scan.h5", replace(heard, setup=replace(heard.setup, first_reflection_s=None)))
    with pytest.raises(ScanDataError, match="no reflection was found in the responses: state the end"):
        converted(tmp_path / "scan.h5", room={"method": "gate"})
