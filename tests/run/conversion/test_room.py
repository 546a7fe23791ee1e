"""The room taken out of whole scans: workshop scans with a known free field, converted from file."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from workshop_scans import DIRECTION, far_error_db, workshop

from scanproc.errors import ScanDataError
from scanproc.files.stored.result_file import read_result
from scanproc.files.stored.scan_file import open_scan, write_scan
from scanproc.records.room import RoomReport
from scanproc.records.scan import Scan
from scanproc.run.conversion.pipeline import convert, without_room
from scanproc.run.settings.conversion import Settings, parse_settings
from scanproc.steps.field.extrapolate import far_field
from synthetic_scans import recipe as recipes

TO_2_KHZ = {"frequencies": {"lowest_hz": 50, "highest_hz": 2000, "per_octave": 4}}
STEADY = {"temperature_drift_k": 0.0, "noise": {"snr_db": 60.0, "gain_drift_db": 0.0}}


@pytest.fixture(scope="module")
def two_layers(tmp_path_factory):
    """Impulse responses of the workshop on two layers, and the truth."""
    recipe = workshop(surface={"points": 760})
    path = tmp_path_factory.mktemp("workshop") / "scan.h5"
    write_scan(path, recipes.make_scan(recipe))
    return path, recipes.truth(recipe)


def converted(path: Path, **settings) -> tuple:
    with open_scan(path) as file:
        return without_room(file, parse_settings(TO_2_KHZ | settings))


@pytest.fixture(scope="module")
def freed(two_layers):
    """The expansion and the report of that scan."""
    return converted(two_layers[0])


def test_separated_below_and_gated_above(two_layers, freed) -> None:
    """60 dB signal-to-noise: at most -50 dB from 50 Hz to 1 kHz, at most -30 dB to the top of the band, no step
    over 0.3 dB at the blend; the same scan without removal is 10 dB to 40 dB worse."""
    path, truth = two_layers
    expansion, room = freed
    frequency = expansion.frequency_hz
    error = far_error_db(expansion, truth)
    left_in = far_error_db(converted(path, room={"method": "none"})[0], truth)
    assert room.method == "gate and separate"
    assert error[frequency <= 1000].max() < -50
    assert error.max() < -30
    assert (left_in - error).min() > 10
    assert room.blend_hz is not None
    level = np.abs(far_field(expansion, DIRECTION)) / np.abs(truth.far_field(DIRECTION, frequency))
    loud = np.abs(truth.far_field(DIRECTION, frequency))
    loud = np.all(loud > 0.1 * loud.max(axis=0), axis=1)
    near = (frequency > room.blend_hz[0] / 1.5) & (frequency < room.blend_hz[1] * 1.5)
    steps = np.diff(20 * np.log10(level[loud][:, near]), axis=1)
    assert np.abs(steps).max() < 0.3


def test_the_report_says_what_was_used_where(freed) -> None:
    _, room = freed
    start, end = room.blend_hz
    frequency = room.frequency_hz
    assert np.all(room.gated_share[frequency >= end] == 1)
    assert np.all(room.separated_share[frequency <= start] == 1)
    np.testing.assert_allclose(room.gated_share + room.separated_share, 1)
    assert room.gate_source == "first_reflection_s of the file"
    assert np.all(np.isfinite(room.incoming_db[frequency < end]))
    assert np.all(np.isnan(room.incoming_db[frequency >= end]))
    assert start >= room.lowest_valid_hz


def test_blocks_of_frequencies_give_the_same(two_layers, monkeypatch: pytest.MonkeyPatch) -> None:
    path, _ = two_layers
    whole, report = converted(path, fit={"order": 8})
    monkeypatch.setattr("scanproc.run.conversion.pipeline.BLOCK_BYTES", 16 * 760 * 6)
    parts, same = converted(path, fit={"order": 8})
    np.testing.assert_allclose(parts.coefficients_pa, whole.coefficients_pa, atol=1e-9)
    np.testing.assert_allclose(same.gated_share, report.gated_share)


def test_convert_writes_down_what_was_done(two_layers, tmp_path: Path) -> None:
    path, _ = two_layers
    settings = TO_2_KHZ | {"points": {"in_convert": False}}
    summary = convert(path, tmp_path / "out", parse_settings(settings))
    assert summary.lines()[1].startswith("Room: taken out by two layers up to ")
    document = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    assert document["room"]["method"] == "gate and separate"
    assert -25 < document["room"]["incoming_db"]["500"] < 5
    stored = read_result(tmp_path / "out" / "result.h5").room
    assert isinstance(stored, RoomReport)
    assert stored.blend_hz == tuple(document["room"]["blend_hz"])
    assert stored.gate_length_s == document["room"]["gate_length_s"]


def test_one_layer_is_gated_only(tmp_path: Path) -> None:
    recipe = workshop("workshop-one-layer-ir", surface={"points": 300})
    write_scan(tmp_path / "scan.h5", recipes.make_scan(recipe))
    expansion, room = converted(
        tmp_path / "scan.h5", room={"size_m": [7.1, 5.2, 3.05], "origin_m": [2.9, 2.3, 1.35]}
    )
    error = far_error_db(expansion, recipes.truth(recipe))
    above = (expansion.frequency_hz > 2 * room.lowest_valid_hz) & (expansion.frequency_hz < 1500)
    assert room.method == "gate"
    assert room.gate_source == "room dimensions"
    assert error[above].max() < -30
    assert "below" in room.warnings[0]
    assert room.notes == ("one layer of points",)


def test_uneven_spectra_on_two_layers_are_separated_only(tmp_path: Path) -> None:
    table = {"spacing": "log", "start_hz": 60.0, "stop_hz": 2600.0, "count": 20}
    recipe = workshop(
        "workshop-two-layer", surface={"points": 600, "jitter_m": 0.0}, frequencies=table, **STEADY
    )
    write_scan(tmp_path / "scan.h5", recipes.make_scan(recipe))
    expansion, room = converted(tmp_path / "scan.h5")
    assert room.method == "separate"
    below = expansion.frequency_hz < room.blend_hz[0]
    assert far_error_db(expansion, recipes.truth(recipe))[below].max() < -45
    assert "above" in room.warnings[0]


def test_free_field_is_left_alone(tmp_path: Path) -> None:
    recipe = workshop("workshop-two-layer", surface={"points": 300, "jitter_m": 0.0}, room=None, **STEADY)
    write_scan(tmp_path / "scan.h5", recipes.make_scan(recipe))
    with open_scan(tmp_path / "scan.h5") as file:
        _, room = without_room(file, Settings())
    assert room.method == "none"
    assert "below the device's" in room.notes[-1]


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
    with pytest.raises(ScanDataError, match="two layers"):
        converted(tmp_path / "uneven.h5", room={"method": "separate"})


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
    room = {"size_m": [7.1, 5.2, 3.05], "origin_m": [2.9, 2.3, 1.35], "method": "gate"}
    for name in ("responses", "spectra"):
        expansion, report = converted(tmp_path / f"{name}.h5", room=room)
        above = (expansion.frequency_hz > 2 * report.lowest_valid_hz) & (expansion.frequency_hz < 1500)
        assert far_error_db(expansion, recipes.truth(recipe))[above].max() < -30
        assert report.method == "gate"


def test_layers_too_far_apart_and_points_too_few_are_refused(tmp_path: Path) -> None:
    """Shells at 0.42 and 0.50 m: half a wavelength apart at 343 / 0.16 = 2.1 kHz."""
    table = {"spacing": "log", "start_hz": 2500.0, "stop_hz": 3000.0, "count": 4}
    surface = {"points": 200, "jitter_m": 0.0}
    recipe = workshop("workshop-two-layer", surface=surface, frequencies=table, **STEADY)
    write_scan(tmp_path / "high.h5", recipes.make_scan(recipe))
    with pytest.raises(
        ScanDataError, match=r"half a wavelength apart at 21\d\d Hz, the lowest frequency is 25"
    ):
        converted(
            tmp_path / "high.h5",
            room={"method": "separate"},
            frequencies={"lowest_hz": 2400, "highest_hz": 3000, "per_octave": 4},
        )
    table |= {"start_hz": 1400.0, "stop_hz": 1900.0}
    recipe = workshop("workshop-two-layer", surface=surface | {"points": 60}, frequencies=table, **STEADY)
    write_scan(tmp_path / "few.h5", recipes.make_scan(recipe))
    with pytest.raises(
        ScanDataError, match=r"would leave a far-field error of .* at best, at most .* add points"
    ):
        converted(tmp_path / "few.h5", room={"method": "separate"})


def test_a_gate_without_a_reflection_is_refused(tmp_path: Path) -> None:
    recipe = workshop("workshop-one-layer-ir", surface={"points": 60}, room=None)
    heard = recipes.make_scan(recipe)
    write_scan(tmp_path / "scan.h5", replace(heard, setup=replace(heard.setup, first_reflection_s=None)))
    with pytest.raises(ScanDataError, match="no reflection was found in the responses: state the end"):
        converted(tmp_path / "scan.h5", room={"method": "gate"})
