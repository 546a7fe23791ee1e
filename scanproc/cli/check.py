"""``scanproc check``: what to know about a scan before trusting it."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import Outcome, as_command


@as_command("check", example="scanproc check scan.h5", topic="check")
@click.argument("scan", type=click.Path(path_type=Path))
@click.option("--arm", is_flag=True, help="Look for errors of the arm, too (zero, lean, scale); slower.")
def command(scan: Path, arm: bool, as_json: bool) -> Outcome:
    """Look at a SCAN before trusting it.

    Finds points without a signal, clipped, of wrong polarity, misplaced or late, repeated points, holes in the
    sphere, noise and drift. Every finding says where it is and what to do. Exit code 3 when one is serious.
    A point is called by the file it came from, else by its number, counted from 1.
    Changes nothing; 'scanproc convert' leaves points out only when its settings ask for it (check.drop).
    """
    from scanproc.report.words.sentences import count
    from scanproc.run.conversion.check import check_arm, check_scan
    from scanproc.steps.check.findings import with_findings

    report = check_scan(scan)
    if arm:
        report = with_findings(report, [check_arm(scan)])
    serious = len(report.serious)
    warnings = sum(finding.severity == "warning" for finding in report.findings)
    head = f"{report.points:,} points: {count(serious, 'serious finding')}, {count(warnings, 'warning')}"
    lines = [head, *(finding.line() for finding in report.findings)]
    return Outcome(report.as_json(), lines, 3 if serious else 0)
