"""What an experienced operator would look at before trusting a scan."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Boolean, Integer, Real, Words
from scanproc.records.measured.check import CheckReport, Finding, Severity, ordered
from scanproc.records.measured.scan import Scan, ScanSetup
from scanproc.steps.check.drift import Drift
from scanproc.steps.check.faults import Fault, judge, silent_points
from scanproc.steps.check.prediction import FREQUENCIES, highest_judging_hz, judging_columns
from scanproc.steps.check.setup import (
    clipping_findings,
    noise_findings,
    quiet_findings,
    response_findings,
    some,
    unit_findings,
)
from scanproc.steps.check.setup import findings as setup_findings
from scanproc.steps.field.view import relative_wavenumber, speed_of_sound, view_from
from scanproc.steps.sound.response_facts import ResponseFacts

TRUSTED_DB = -10.0
"""Points are judged only where a point is typically predicted better than this."""
FEW_SHARE, FEW_UNEXPLAINED = 0.002, 0.01
"""Up to this part of the points may be at fault before that is serious; up to the second one without a cause
found or a little misplaced, since a device's sharp edges may make about so many good points look odd."""
LEAST_POINTS = 16
REMEDIES = {
    "no signal": "check cable, preamplifier and multiplexer, measure them again or leave them out",
    "polarity": "check the wiring, measure them again or leave them out",
    "gain": "check range switching, measure them again or leave them out",
    "delay": "check the trigger, measure them again or leave them out",
    "position": "check the arm there, measure them again or leave them out",
    "outlier": "measure them again or leave them out",
}
NOUNS = {
    "no signal": "without a signal",
    "polarity": "with opposite polarity",
    "gain": "with a gain of their own",
    "delay": "with a delay of their own",
    "position": "elsewhere than stated",
    "outlier": "that disagree with their neighbours",
}
SERIOUS = ("no signal", "polarity")


@dataclass(frozen=True, eq=False)
class Judged:
    """The report, and what corrections rest on."""

    report: CheckReport
    drift: Drift | None


def judging_frequencies(setup: ScanSetup, frequency_hz: Real, count: int = FREQUENCIES) -> Integer:
    """Indices of the frequencies at which points are judged, of all (F,) that the scan has."""
    view = view_from(setup.position_m, (0.0, 0.0, 0.0))
    return judging_columns(frequency_hz, highest_judging_hz(view, speed_of_sound(setup)), count)


def check(scan: Scan, facts: ResponseFacts | None = None, *, all_frequency_hz: Real | None = None) -> Judged:
    """Findings about a scan, or about some frequencies of it (those of :func:`judging_frequencies` and more).

    ``facts`` are those of its impulse responses, if it has any; ``all_frequency_hz`` all its frequencies, absent:
    those given. Raises ScanDataError when a point lies on the origin.
    """
    setup = scan.setup
    view_from(setup.position_m, (0.0, 0.0, 0.0))
    if wrong := unit_findings(setup):
        return Judged(CheckReport(scan.points, tuple(wrong)), None)
    findings = setup_findings(setup, scan.frequency_hz if all_frequency_hz is None else all_frequency_hz)
    findings += noise_findings(scan) if facts is None else quiet_findings(scan, facts)
    clipped = np.zeros(scan.points, dtype=bool) if setup.clipped is None else setup.clipped
    if facts is not None:
        clipped = clipped | facts.clipped
        findings += response_findings(setup, facts)
    findings += clipping_findings(setup, clipped)
    scan = scan.take_frequencies(judging_frequencies(setup, scan.frequency_hz))
    silent = silent_points(scan)
    if (~silent).sum() < LEAST_POINTS:
        return Judged(CheckReport(scan.points, ordered([*findings, *_too_few(scan, silent)])), None)
    judged = judge(_in_even_air(scan), silent)
    level = float(np.median(judged.prediction.level_db))
    kept = judged.faults
    if level > TRUSTED_DB:
        kept = tuple(fault for fault in kept if fault.kind in SERIOUS)
        findings.append(_untrusted(level))
    else:
        findings.append(_noticed(judged.noticed_m))
    findings += fault_findings([fault for fault in kept if not clipped[fault.point]], scan.setup.names)
    findings += drift_findings(judged.drift)
    hz = tuple(float(value) for value in scan.frequency_hz)
    return Judged(CheckReport(scan.points, ordered(findings), hz, level), judged.drift)


def fault_findings(faults: Sequence[Fault], names: Words) -> list[Finding]:
    """One finding per kind of fault; ``names`` are those of all points."""
    found, points = [], len(names)
    for kind, remedy in REMEDIES.items():
        mine = [fault for fault in faults if fault.kind == kind]
        if not mine:
            continue
        where = tuple(fault.point for fault in mine)
        what = f"{len(mine)} of {points} points {NOUNS[kind]}: {_described(mine, names)}{_pattern(where, points)}"
        few = FEW_UNEXPLAINED if kind in ("outlier", "position") else FEW_SHARE
        severe = kind in SERIOUS or len(mine) > max(1, few * points)
        found.append(Finding(kind, "serious" if severe else "warning", what, remedy, where))
    return found


def drift_findings(drift: Drift) -> list[Finding]:
    """What the drift means."""
    found = []
    if drift.found:
        severity: Severity = "serious" if abs(drift.gain_db) > 0.5 else "warning"
        what = f"the gain drifts by {drift.gain_db:+.2f} dB (± {2 * drift.gain_error_db:.2f}) over the scan"
        found.append(
            Finding("drift", severity, what, "let the device warm up, or take it out (check.correct_drift)")
        )
    if drift.speed_found:
        what = f"the speed of sound drifts by {100 * drift.speed:+.2f} % over the scan, as {drift.kelvin:+.1f} K do"
        remedy = "log the temperature at every point (temperature_c), so that it is allowed for"
        found.append(Finding("drift of sound speed", "warning", what, remedy))
    if not drift.timed:
        what = "drift over time cannot be told: the points carry no time"
        found.append(Finding("drift", "note", what, "write the time of every point into the scan (time_s)"))
    elif not drift.known:
        what = "drift over time cannot be told from directivity with these points"
        found.append(Finding("drift", "note", what, "repeat some points at the end of the next scan"))
    return found


def _in_even_air(scan: Scan) -> Scan:
    """The scan with the points' own temperatures allowed for: distance counts in wavelengths."""
    relative = relative_wavenumber(scan.setup)
    setup = replace(scan.setup, position_m=scan.setup.position_m * relative[:, None])
    return replace(scan, setup=setup)


def _noticed(noticed_m: Real) -> Finding:
    """How large an error of a position must be to be seen; a smaller one changes the sound less than noise does."""
    half, most = 1e3 * np.quantile(noticed_m, [0.5, 0.95])
    what = (
        f"a point {half:.0f} mm off in any direction would be noticed at half of the points, "
        f"{most:.0f} mm off at 95 % of them"
    )
    return Finding("resolution", "note", what, "smaller errors of position are not looked for one by one")


def _too_few(scan: Scan, silent: Boolean) -> list[Finding]:
    what = f"{int((~silent).sum())} points with a signal are too few to judge one by the others"
    found = [Finding("points", "serious", what, f"scan at least {LEAST_POINTS}, better hundreds")]
    if silent.any():
        faults = [Fault(int(point), "no signal", "") for point in np.flatnonzero(silent)]
        found += fault_findings(faults, scan.setup.names)
    return found


def _untrusted(level_db: float) -> Finding:
    what = (
        f"a point is predicted from the others only to {round(level_db)} dB, so single points were not judged"
    )
    return Finding("prediction", "serious", what, "add points, a second layer, or gate the room out")


def _described(faults: Sequence[Fault], names: Words) -> str:
    if all(fault.detail in ("", fault.kind) for fault in faults) or faults[0].kind in (*SERIOUS, "outlier"):
        return some([str(names[fault.point]) for fault in faults])
    return some([f"{names[fault.point]} ({fault.detail})" for fault in faults], most=5)


def _pattern(points: tuple[int, ...], total: int) -> str:
    """Whether faulty points come at a fixed interval (a channel of several) or in one run."""
    step = np.diff(points)
    if len(points) >= 4 and np.all(step == step[0]):
        if step[0] == 1:
            return ", one after the other"
        if len(points) >= total // int(step[0]):
            return f", every {int(step[0])}th point: one channel of {int(step[0])}"
    return ""


def with_findings(report: CheckReport, more: Iterable[Finding]) -> CheckReport:
    """The report with further findings."""
    return replace(report, findings=ordered([*report.findings, *more]))
