"""The recipe: from a result to filters that an export takes, and back to the curves that were promised."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from patterns import pattern_expansion
from scipy.signal import freqz
from written_curves import read_curves

import scanproc as sp
from scanproc.cli.commands import run
from scanproc.conventions import Complex, Real
from scanproc.errors import InputError, SettingsError
from scanproc.records.answers.curves import Curves
from scanproc.steps.farfield.curves import derived_curves

HZ = np.geomspace(100, 4000, 40)
RATE = 48000.0
Captured = pytest.CaptureFixture[str]


def bump(hz: Real) -> Real:
    """+5 dB at 800 Hz, half an octave wide."""
    return 5 * np.exp(-((np.log2(hz / 800) / 0.35) ** 2))


def pattern(direction: Real) -> Complex:
    return 10 ** (bump(HZ) / 20) * (1 + 0.5 * direction[:, :1]) * np.ones(len(HZ))


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("boatshed") / "result.h5"
    expansion = pattern_expansion(pattern, HZ, 3, relative_variance=1e-6)
    sp.write_result(place, sp.Result(expansion, provenance={"device": "paging horn"}))
    return place


def in_room(curves: Curves) -> Real:
    return curves["estimated in-room response"].value


def test_an_export_with_the_filters_shows_what_was_promised(
    result: Path, tmp_path: Path, capsys: Captured
) -> None:
    out, files = tmp_path / "advice", tmp_path / "files"
    assert run(["advise", str(result), "-o", str(out), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    filters = ["--filter", str(out / "filters.toml")]
    assert run(["export", str(result), "-o", str(files), "--directions", "orbits-90", *filters]) == 0
    promised, exported = read_curves(out / "curves.csv"), read_curves(files / "curves.csv")
    np.testing.assert_allclose(in_room(promised), in_room(exported), atol=1e-9)
    before = read_curves(out / "curves_before.csv")
    np.testing.assert_allclose(in_room(before) - in_room(before)[0], bump(HZ), atol=0.01)
    assert np.ptp(in_room(exported)) < 1.0 < np.ptp(in_room(before))
    assert document["effects"][0]["after_db"] < 0.3 < document["effects"][0]["before_db"]
    assert document["directivity_changes_by_db"] < 1e-6
    assert document["verdict"].startswith("No resonances from 100 Hz to 4 kHz.")
    assert json.loads((out / "advice.json").read_text())["filters"] == document["filters"]


def test_the_coefficients_make_that_response(result: Path, tmp_path: Path) -> None:
    """By scipy.signal.freqz, from the CSV alone."""
    assert run(["advise", str(result), "-o", str(tmp_path / "a"), "--rate", "44100"]) == 0
    rows = list(csv.DictReader((tmp_path / "a" / "sections.csv").read_text().splitlines()))
    assert rows
    gain = json.loads((tmp_path / "a" / "sections.json").read_text())["gain_db"]
    total = np.full(len(HZ), gain)
    for row in rows:
        top, bottom = [float(row[key]) for key in ("b0", "b1", "b2")], [1, float(row["a1"]), float(row["a2"])]
        assert np.abs(np.roots(bottom)).max() < 1
        total += 20 * np.log10(np.abs(freqz(top, bottom, worN=HZ, fs=44100.0)[1]))
    before, after = (read_curves(tmp_path / "a" / f"{name}.csv") for name in ("curves_before", "curves"))
    np.testing.assert_allclose(in_room(after) - in_room(before), total, atol=1e-9)
    assert total.max() <= 1e-6  # headroom: nowhere louder


def test_errors_and_directivity_stay(result: Path) -> None:
    found = sp.advise(result)
    for curve in found.before.curves:
        after = found.after.get(curve.name)
        np.testing.assert_allclose(after.standard_error, curve.standard_error, rtol=1e-6)
        if "directivity index" in curve.name:
            np.testing.assert_allclose(after.value, curve.value, atol=1e-9)


def test_seats_and_toe_in(result: Path) -> None:
    """A seat that the device is turned to hears what the axis sends: 20 lg 2 less than at 1 m."""
    seat = (2 * np.cos(np.deg2rad(25)), 2 * np.sin(np.deg2rad(25)), 0.0)
    found = sp.advise(result, seats_m=[seat, (3.0, -1.0, 0.0)], toe_in_deg=25.0, together="minimax", bands=2)
    straight = derived_curves(sp.read_result(result).expansion)["on axis"].value
    high = HZ > 1500  # where 2 m are far
    np.testing.assert_allclose(found.before["seat 1"].value[high], straight[high] - 6.02, atol=0.1)
    assert found.departures.curve == "minimax of 2 seats"
    effect = {one.name: one for one in found.effects}
    assert effect["seat 2"].after_db < 0.5 * effect["seat 2"].before_db


def test_seats_from_the_sets_of_an_export(result: Path, capsys: Captured, tmp_path: Path) -> None:
    hall = Path(__file__).parents[2] / "configs" / "export" / "waiting-hall.toml"
    assert run(["advise", str(result), "-c", str(hall), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["curve"] == "mean of 3 seats"
    (tmp_path / "none.toml").write_text('[about]\nlicense = "CC0-1.0"\n')
    assert run(["advise", str(result), "-c", str(tmp_path / "none.toml")]) == 2
    assert "needs sets of kind seats" in capsys.readouterr().err


def test_targets(result: Path, tmp_path: Path) -> None:
    table = tmp_path / "target.csv"
    rows = (f"{hz},{level}" for hz, level in zip(HZ, bump(HZ), strict=True))
    table.write_text("frequency_hz,level_db\n" + "\n".join(rows))
    assert sp.advise(result, target=table).proposal.bands == ()
    sloped = sp.advise(result, target=-1.0, bands=0).departures
    rest = sloped.off_db - bump(sloped.frequency_hz)
    assert np.polyfit(np.log2(sloped.frequency_hz), rest, 1)[0] == pytest.approx(1, abs=0.02)
    table.write_text("hz,db\n1,2\n")
    with pytest.raises(
        InputError, match=r"target.csv: needs the columns frequency_hz and level_db, got hz, db"
    ):
        sp.advise(result, target=table)


@pytest.mark.parametrize(
    ("choices", "words"),
    [
        ({"rate_hz": 6000.0}, "filters at 6000 Hz end at 3000 Hz, the result reaches 4000 Hz: raise"),
        ({"rate_hz": float("nan")}, "rate_hz must be a finite number, got nan"),
        ({"up_to_hz": 9000.0}, "filters must act within the result's 100 to 4000 Hz, got"),
        ({"bands": 99}, "bands must be from 0 to 12, got 99"),
        ({"seats_m": [(1.0, 2.0)]}, "each seat must be three finite numbers"),
        ({"target": 40.0}, "the target must be within ±12 dB per octave, got 40"),
        ({"gain": 3}, "advise has no setting 'gain': known are target, bands"),
    ],
)
def test_impossible_choices_are_refused(result: Path, choices: dict[str, object], words: str) -> None:
    with pytest.raises(SettingsError, match=words):
        sp.advise(result, **choices)


def test_the_lines_for_people(result: Path, capsys: Captured) -> None:
    assert run(["advise", str(result)]) == 0
    said = capsys.readouterr().out
    for words in (
        "Resonances: none",
        "serves all",
        "Left of the mendable part",
        "Directivity stays",
        "rules come first",
    ):
        assert words in said
