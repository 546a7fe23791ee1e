"""``scanproc check``: what to know about a scan before trusting it."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.frame import Outcome, as_command


@as_command("check", example="scanproc check scan.h5")
@click.argument("scan", type=click.Path(path_type=Path))
def command(scan: Path, as_json: bool) -> Outcome:
    """Look at a SCAN before trusting it.

    Finds points without a signal, clipped, of wrong polarity, misplaced or late, repeated points, holes in the
    sphere, noise and drift. Every finding says where it is and what to do. Exit code 3 when one is serious.
    Changes nothing; 'scanproc convert' leaves points out only when its settings ask for it (check.drop).
    """
    from scanproc.report.words import count
    from scanproc.run.check import check_scan

    report = check_scan(scan)
    serious = len(report.serious)
    warnings = sum(finding.severity == "warning" for finding in report.findings)
    head = f"{report.points} points: {count(serious, 'serious finding')}, {count(warnings, 'warning')}"
    lines = [head, *(finding.line() for finding in report.findings)]
    return Outcome(report.as_json(), lines, 3 if serious else 0)
