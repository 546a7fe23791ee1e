"""Sound scans accuse nobody: boundary-element devices whose near fields are hard to predict (tests/truth/README.md)."""

from __future__ import annotations

import pytest

from tests.benchmarks.clean_scans import checked, scenarios
from tests.benchmarks.fleet import Scenario


@pytest.mark.parametrize(
    ("device", "surface", "points"),
    [("bem-box", "one", 64), ("bem-box", "one", 130), ("bem-box-f", "drum", 200), ("bem-box", "two", 362)],
)
def test_a_sound_scan_accuses_nobody(device: str, surface: str, points: int) -> None:
    report, accused, _ = checked(Scenario(device, surface, points, 60.0, False, 1.0, 0.0), 7)
    assert accused == 0, [finding.line() for finding in report.findings]


@pytest.mark.slow
def test_one_false_finding_in_two_thousand_points_and_none_serious() -> None:
    found = [checked(one, 2000 + number) for number, one in enumerate(scenarios("report", 20, 2))]
    points = sum(report.points for report, _, _ in found)
    assert sum(accused for _, accused, _ in found) <= 1 + points / 2000
    assert not any(serious for _, _, serious in found)
