"""What convert, points and watch say of the same scan is the same, to the last digit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from box_scans import taken

from scanproc.cli.commands import run
from scanproc.files.stored.scan_file import write_scan
from scanproc.run.conversion.pipeline import convert
from scanproc.run.incoming.watch import WatchChoices, watch
from scanproc.run.points import points
from scanproc.run.settings.conversion import Settings


@pytest.mark.parametrize("estimator", ["auto", "truncated"])
def test_convert_points_watch_and_plans_agree(
    tmp_path: Path, estimator: str, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "scan.h5"
    write_scan(path, taken(90, 1).take_frequencies(slice(0, 2)))
    settings = Settings.model_validate({"fit": {"estimator": estimator}})
    convert(path, tmp_path / "results", settings)
    summary = json.loads((tmp_path / "results" / "summary.json").read_text(encoding="utf-8"))
    told = points(path, settings)
    now = iter(range(100))
    look = watch(
        path, settings, WatchChoices(idle_s=1.0), wait=lambda s: None, clock=lambda: float(next(now))
    )
    assert summary["points_study"] == json.loads(json.dumps(told.headline()))
    assert look.answer.headline() == told.headline()
    if estimator == "auto":
        _plans_agree(tmp_path / "results", summary["points_study"], capsys)
    bands = summary["points_study"]["bands"]
    assert [band["predicted_db"] for band in bands] == pytest.approx(
        [band["far_field_error_db"] for band in summary["bands"]],
        abs=0.6 if estimator == "truncated" else 0.06,
    )


def _plans_agree(results: Path, study: dict[str, Any], capsys: pytest.CaptureFixture[str]) -> None:
    """A plan of the same scan takes as many points in every band and as much time for each; one that goes on with it
    starts from the same errors."""

    def asked(*arguments: str) -> dict[str, Any]:
        capsys.readouterr()
        assert run(["plan", *arguments, "--up-to", "2000", "--json"]) == 0
        found: dict[str, Any] = json.loads(capsys.readouterr().out)
        return found

    needed = [(band["nominal_hz"], band["needed"]) for band in study["bands"]]
    plan = asked("--like", str(results))
    told = {band["nominal_hz"]: band["points"] for band in plan["bands"]}
    assert [(hz, told[hz]) for hz, _ in needed] == needed
    assert plan["points"] == max(number for _, number in needed)
    hours = plan["points"] * study["seconds_per_point"] / 3600
    assert plan["hours"] == pytest.approx(hours, abs=0.006)
    further = asked("--continue", str(results), "--target-db", "-60", "--points", "3")
    now = [band["now_db"] for band in further["bands"]]
    assert now == [band["predicted_db"] for band in study["bands"]]
