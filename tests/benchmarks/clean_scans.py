"""How often ``check`` accuses points of sound scans: ``python -m tests.benchmarks.clean_scans``.

Scans of the fleet without any fault, 60 to 1,800 points, all surfaces, rooms among them. Whatever is found is false.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator

import numpy as np

from scanproc.records.measured.check import BAD_POINTS, CheckReport
from scanproc.steps.check.findings import check
from tests.benchmarks.fleet import HALVES, ROOMS, Scenario, make

ALL_FREQUENCIES = 24
MOST_POINTS = {"two": 1800, "one": 900, "drum": 1450}


def scenarios(half: str, count: int, seed: int) -> Iterator[Scenario]:
    """Clean scans of one half of the fleet, a sixth in rooms."""
    rng = np.random.default_rng(seed)
    for _ in range(count):
        room = bool(rng.random() < 1 / 6)
        device = str(rng.choice(ROOMS[half] if room else HALVES[half]))
        surface = "two" if room else str(rng.choice(list(MOST_POINTS)))
        points = int(np.exp(rng.uniform(np.log(60), np.log(MOST_POINTS[surface]))))
        yield Scenario(device, surface, points, float(rng.choice([40.0, 50.0, 60.0])), room, 1.0, 0.0)


def checked(scenario: Scenario, seed: int) -> tuple[CheckReport, int, bool]:
    """The report on a scan, how many of its points are accused, and whether one seriously."""
    scan, _, _ = make(scenario, seed, ALL_FREQUENCIES)
    report = check(scan).report
    serious = any(finding.kind in BAD_POINTS for finding in report.serious)
    return report, len(report.points_of(*BAD_POINTS)), serious


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__)
    ask.add_argument("--half", choices=tuple(HALVES), default="report")
    ask.add_argument("--count", type=int, default=40)
    ask.add_argument("--seed", type=int, default=1)
    given = ask.parse_args()
    points = accused = serious = 0
    for number, scenario in enumerate(scenarios(given.half, given.count, given.seed)):
        report, wrong, severe = checked(scenario, 1000 * given.seed + number)
        points, accused, serious = points + report.points, accused + wrong, serious + severe
        print(scenario, f"predicted to {report.prediction_db:.0f} dB: {wrong} accused", flush=True)
        for finding in report.findings:
            if finding.kind in BAD_POINTS:
                print("    " + finding.line(), flush=True)
    print(f"{points} points, {accused} accused, {serious} of {given.count} scans with a serious finding")


if __name__ == "__main__":
    main()
