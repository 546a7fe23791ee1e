"""What convert, points and watch say of the same scan is the same, to the last digit."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from box_scans import taken

from scanproc.files.stored.scan_file import write_scan
from scanproc.run.conversion.pipeline import convert
from scanproc.run.incoming.watch import WatchChoices, watch
from scanproc.run.points import points
from scanproc.run.settings.conversion import Settings


@pytest.mark.parametrize("estimator", ["auto", "truncated"])
def test_convert_points_and_watch_agree(tmp_path: Path, estimator: str) -> None:
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
    bands = summary["points_study"]["bands"]
    assert [band["predicted_db"] for band in bands] == pytest.approx(
        [band["far_field_error_db"] for band in summary["bands"]],
        abs=0.6 if estimator == "truncated" else 0.06,
    )
