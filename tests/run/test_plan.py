"""``scanproc plan`` through the command line: what it says, and the positions that it leaves for a robot."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest

from scanproc.cli.commands import run
from scanproc.files.stored.scan_file import write_scan
from scanproc.run.conversion.pipeline import convert
from scanproc.run.settings.conversion import Settings
from scanproc.steps.planning.scan_plan import PlanChoices, plan_scan
from scanproc.steps.points.subsets import spread_subset
from tests.benchmarks.fleet import Scenario, make

SMALL = Scenario("bem-box-f", "one", 900, 50.0, room=False, size_factor=1.0, shift_m=0.0)
"""A device of the fleet, off the middle of one shell."""
DEVICE = ("--size", "0.25", "0.20", "0.30", "--up-to", "1500")
Captured = pytest.CaptureFixture[str]


def planned(capsys: Captured, *more: object) -> tuple[int, dict[str, object]]:
    code = run(["plan", *DEVICE, *map(str, more), "--json"])
    return code, json.loads(capsys.readouterr().out)


def test_the_positions_are_those_of_the_plan(tmp_path: Path, capsys: Captured) -> None:
    code, found = planned(capsys, "--layers", 2, "-o", tmp_path / "positions.csv")
    assert code == 0
    with (tmp_path / "positions.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == found["points"]
    assert {row["layer"] for row in rows} == {"0", "1"}
    position = np.array([[float(row[name]) for name in ("x_m", "y_m", "z_m")] for row in rows])
    corner = np.linalg.norm([0.25, 0.20, 0.30]) / 2
    radius = np.linalg.norm(position, axis=1)
    assert radius.min() == pytest.approx(corner + 0.10, abs=1e-3)
    for layer in "01":
        here = radius[[row["layer"] == layer for row in rows]]
        assert np.ptp(here) < 1e-5


def test_hdf5_holds_the_same_as_csv(tmp_path: Path, capsys: Captured) -> None:
    planned(capsys, "-o", tmp_path / "a.csv")
    planned(capsys, "-o", tmp_path / "a.h5")
    table = np.loadtxt(tmp_path / "a.csv", delimiter=",", skiprows=1)
    with h5py.File(tmp_path / "a.h5") as file:
        np.testing.assert_allclose(file["position_m"][:], table[:, :3], atol=1e-6)
        np.testing.assert_array_equal(file["layer"][:], table[:, 3])


def test_people_are_told_the_number_the_time_and_the_cautions(capsys: Captured) -> None:
    assert run(["plan", *DEVICE]) == 0
    text = capsys.readouterr().out
    _, found = planned(capsys)
    assert f"{found['points']}" in text
    assert re.search(r": \d+ (min|h)\.", text)
    for word in ("hearing", "arm", "lift", "mains"):
        assert word in text.lower()


def test_a_file_that_is_there_is_kept_unless_forced(tmp_path: Path, capsys: Captured) -> None:
    place = tmp_path / "positions.csv"
    for content in ("mine", "x_m,y_m,z_m\n0,0,1\n"):  # the second one is a robot's table
        place.write_text(content)
        assert run(["plan", *DEVICE, "-o", str(place), "--force"]) == 1
        assert "is there already and is no positions file: choose another name" in capsys.readouterr().err
        assert place.read_text() == content
    place.write_text("x_m,y_m,z_m,layer\n0,0,1,0\n")
    assert run(["plan", *DEVICE, "-o", str(place)]) == 1
    assert "choose another name, or replace it with --force" in capsys.readouterr().err
    assert run(["plan", *DEVICE, "-o", str(place), "--force"]) == 0
    assert place.read_text().startswith("x_m,y_m,z_m,layer\n")


def test_a_source_beside_the_device_is_refused(tmp_path: Path, capsys: Captured) -> None:
    place = tmp_path / "positions.csv"
    assert run(["plan", *DEVICE, "--source", "0.5", "0", "0", "-o", str(place)]) == 2
    assert "the source must lie on the device" in capsys.readouterr().err
    assert not place.exists()


def test_another_ending_is_refused(tmp_path: Path, capsys: Captured) -> None:
    assert run(["plan", *DEVICE, "-o", str(tmp_path / "positions.xyz")]) == 1
    assert "written as .csv or .h5, not as '.xyz'" in capsys.readouterr().err


def test_the_end_of_a_long_plan_can_be_told_from_its_slowest_band_on() -> None:
    told: list[tuple[int, int]] = []
    plan_scan(PlanChoices((0.2, 0.2, 0.2), 500.0), lambda done, total: told.append((done, total)))
    assert told == [(done, 4) for done in range(5)]  # 500, 250 and 125 Hz, and the lowest


def test_a_plan_like_an_earlier_scan_says_what_points_says_of_it(tmp_path: Path, capsys: Captured) -> None:
    """Beyond its 150 even points within 15 %; among them, where only `points` fits parts, within 25 %."""
    scan, _, _ = make(SMALL, 3, 7)
    even = spread_subset(scan.setup, 150, np.random.default_rng(1))
    write_scan(tmp_path / "scan.h5", scan.take_frequencies(slice(5, 7)).take_points(even))
    settings = Settings.model_validate({"points": {"sizes": 8, "draws": 2}})
    convert(tmp_path / "scan.h5", tmp_path / "results", settings)
    study = json.loads((tmp_path / "results" / "summary.json").read_text(encoding="utf-8"))["points_study"]
    arguments = ["plan", "--like", str(tmp_path / "results"), "--up-to", "6000"]
    assert run([*arguments, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    told = {band["nominal_hz"]: band["points"] for band in found["bands"]}
    needed = {band["nominal_hz"]: band["needed"] for band in study["bands"]}
    assert needed[6300.0] > 150 > needed[3150.0]
    assert told[6300.0] == pytest.approx(needed[6300.0], rel=0.15)
    assert told[3150.0] == pytest.approx(needed[3150.0], rel=0.25)
    assert "By the weights of an earlier scan" in found["verdict"]
    assert run([*arguments[:-1], "9000"]) == 2
    assert "the earlier scan holds 3129 to 6000 Hz, the plan goes up to 9000 Hz" in capsys.readouterr().err


def test_a_plain_plan_says_that_it_is_a_guess(capsys: Captured) -> None:
    _, found = planned(capsys)
    assert "A guess from usual weights" in str(found["verdict"])
    assert run(["plan", "--up-to", "1500"]) == 2
    assert "the size of the device is needed: give --size, or --like" in capsys.readouterr().err


def test_an_arm_that_will_not_do_is_told_beforehand_and_so_is_one_that_will(capsys: Captured) -> None:
    device = ("--size", "0.15", "0.12", "0.18", "--up-to", "2000", "--target-db", "-48", "--json")

    def with_arm(arm_mm: float) -> dict[str, Any]:
        assert run(["plan", *device, "--arm-mm", str(arm_mm)]) == 0
        found: dict[str, Any] = json.loads(capsys.readouterr().out)
        return found

    coarse = with_arm(1.0)
    limit = coarse["limit"]
    assert limit["cause"] == "places"
    assert coarse["bands"][-1]["points"] == 0
    assert f"An arm of {limit['needed'] ** 0.5:.2g} mm would do" in coarse["lever"]
    fine = with_arm(0.99 * limit["needed"] ** 0.5)
    met = {band["nominal_hz"]: band["points"] for band in fine["bands"]}
    assert 0 < met[limit["band_hz"]] <= limit["points"]


@pytest.fixture(scope="module")
def half_scanned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """150 even points of a device of the fleet at 3.2 and 6 kHz, converted."""
    place = tmp_path_factory.mktemp("half")
    scan, _, _ = make(SMALL, 3, 7)
    even = spread_subset(scan.setup, 150, np.random.default_rng(1))
    write_scan(place / "scan.h5", scan.take_frequencies(slice(5, 7)).take_points(even))
    convert(
        place / "scan.h5", place / "results", Settings.model_validate({"points": {"sizes": 8, "draws": 2}})
    )
    return place


def test_a_scan_is_continued_where_that_helps_most(half_scanned: Path, capsys: Captured) -> None:
    """Said of the scan and of its result alike, the path written; nothing is said twice, nothing where all is met."""

    def asked(path: str, *more: str) -> tuple[int, dict[str, Any], str]:
        code = run(["plan", "--continue", str(half_scanned / path), "--up-to", "6000", *more, "--json"])
        out, err = capsys.readouterr()
        return code, json.loads(out), err

    place = half_scanned / "next.csv"
    code, found, _ = asked("results", "--points", "40", "-o", str(place))
    assert code == 0
    position = np.loadtxt(place, delimiter=",", skiprows=1)[:, :3]
    assert len(position) == found["points"] == 40
    low, high = found["bands"]
    assert low["now_db"] < -25 < high["now_db"]
    assert high["then_db"] < high["now_db"] - 1
    assert low["then_db"] < low["now_db"]
    scanned = make(SMALL, 3, 7)[0].setup.position_m
    middle = scanned.mean(axis=0)
    radius = np.linalg.norm(position - middle, axis=1)
    assert np.ptp(radius) < 0.1 * np.median(radius)
    _, again, _ = asked("scan.h5", "--points", "40")
    assert [band["now_db"] for band in again["bands"]] == pytest.approx(
        [band["now_db"] for band in found["bands"]], abs=0.05
    )
    assert again["bands"][1]["then_db"] == pytest.approx(high["then_db"], abs=0.5)
    assert asked("results", "--target-db", "-2")[0] == 2
    assert asked("results", "--size", "1", "1", "1")[0] == 2
