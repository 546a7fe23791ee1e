"""What a look at a scan found, before anybody trusts it."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from scanproc.conventions import Words

Severity = Literal["note", "warning", "serious"]

BAD_POINTS = ("not finite", "no signal", "clipped", "polarity", "gain", "delay", "position", "outlier")
"""Kinds of findings whose points may be left out on request; "duplicate" may, too, but is no fault."""


@dataclass(frozen=True)
class Finding:
    """One thing that was found: ``what`` and where, and what to do (``remedy``).

    ``points`` are indices into the scan, empty when the finding concerns the scan as a whole; ``names`` what these
    points are called.
    """

    kind: str
    severity: Severity
    what: str
    remedy: str
    points: tuple[int, ...] = ()
    names: tuple[str, ...] = ()

    def line(self) -> str:
        """The finding in one line."""
        return f"{self.severity}: {self.what}; {self.remedy}"


@dataclass(frozen=True)
class CheckReport:
    """All findings about a scan of so many ``points``, the most severe first.

    ``prediction_db`` is the typical (median) miss of a point predicted from the others, in dB, at the frequencies
    that served to judge the points; None when there were none.
    """

    points: int
    findings: tuple[Finding, ...]
    judged_hz: tuple[float, ...] = ()
    prediction_db: float | None = None

    @property
    def serious(self) -> tuple[Finding, ...]:
        return tuple(finding for finding in self.findings if finding.severity == "serious")

    def points_of(self, *kinds: str) -> tuple[int, ...]:
        """Indices of the points of these kinds of findings, rising."""
        return tuple(sorted({point for f in self.findings if f.kind in kinds for point in f.points}))

    def as_json(self) -> dict[str, Any]:
        """The whole report for machines; points by their names."""
        found = {"format": "scanproc check", "layout_version": 2, **asdict(self)}
        for finding in found["findings"]:
            finding["points"] = finding.pop("names")
        return found


def named(report: CheckReport, names: Words) -> CheckReport:
    """The report with the names of its points, given those of all points of the scan."""
    findings = (
        replace(finding, names=tuple(str(names[point]) for point in finding.points))
        for finding in report.findings
    )
    return replace(report, findings=tuple(findings))


def ordered(findings: list[Finding]) -> tuple[Finding, ...]:
    """The most severe first, otherwise as they came."""
    rank = {"serious": 0, "warning": 1, "note": 2}
    return tuple(sorted(findings, key=lambda finding: rank[finding.severity]))
