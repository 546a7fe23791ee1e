"""A look at a scan file before anybody trusts it, and what a conversion does about what it finds."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from scanproc.conventions import Integer, Real, Words
from scanproc.errors import ScanDataError, naming
from scanproc.files.stored.scan_file import ScanFile, open_scan
from scanproc.records.measured.check import BAD_POINTS, CheckReport, Finding, named
from scanproc.records.measured.scan import ImpulseScan, Scan
from scanproc.report.words.sentences import count
from scanproc.run.blas import one_blas_thread
from scanproc.run.conversion.preparation import driven_frequencies
from scanproc.run.settings.conversion import CheckSettings
from scanproc.steps.check.arm import ArmErrors, estimate_arm_errors
from scanproc.steps.check.drift import Drift
from scanproc.steps.check.findings import Judged, check, judging_frequencies, with_findings
from scanproc.steps.check.setup import some
from scanproc.steps.sound.response_facts import (
    ResponseFacts,
    joined,
    noise_before,
    response_facts,
    spectral_noise,
)
from scanproc.steps.sound.spectra import spectra

BLOCK_BYTES = 64 * 2**20
NOISE_FREQUENCIES = 24
"""Frequencies over the whole band at which the noise is judged."""
PER_OCTAVE = 12


@dataclass(frozen=True, eq=False)
class Handled:
    """What a conversion did about the findings: points left out, and sentences for the summary.

    ``kept``, ``gain`` and ``position_m`` are what :meth:`ScanFile.use` was told, None when the file stayed as it is.
    ``level_error_db`` is the standard error of the level when a drift was taken out: it was that of any moment of the
    scan, with the same chance.
    """

    report: CheckReport | None
    dropped: int
    warnings: tuple[str, ...]
    kept: Integer | None = None
    gain: Real | None = None
    position_m: Real | None = None
    level_error_db: float = 0.0


@one_blas_thread
def check_scan(path: Path | str) -> CheckReport:
    """The findings about a scan file. Raises ScanFileError or ScanDataError.

    >>> sp.check(folder / "scan.h5").points
    40
    """
    with open_scan(path) as file, naming(path):
        return judge_file(file).report


def judge_file(file: ScanFile) -> Judged:
    """The findings about an open scan file; point numbers are those of the file as it shows itself."""
    judged = _checked_with_gaps(file)
    return replace(judged, report=named(judged.report, file.setup.names))


def _checked_with_gaps(file: ScanFile) -> Judged:
    broken = file.not_finite_points()
    if not len(broken):
        return _checked(file)
    sound = np.setdiff1d(np.arange(file.points), broken)
    total = file.points
    if not len(sound):
        return Judged(CheckReport(total, (_not_finite(broken, file.setup.names),)), None)
    with open_scan(file.path) as other:
        other.use(sound)
        judged = _checked(other)
    report = _renumbered(judged.report, sound, total)
    return Judged(with_findings(report, [_not_finite(broken, file.setup.names)]), judged.drift)


def handle(file: ScanFile, settings: CheckSettings) -> Handled:
    """Checks an open scan file, then drops and corrects what the settings ask for; always counted."""
    if not settings.run:
        return Handled(None, 0, ())
    judged = judge_file(file)
    _refuse_nonsense(file, judged.report)
    report, dropped = judged.report, judged.report.points_of(*settings.dropped_kinds)
    warnings = [_told(finding, settings) for finding in report.findings if finding.severity != "note"]
    kept = np.setdiff1d(np.arange(file.points), np.array(dropped, dtype=np.int64))
    if not len(kept):
        raise ScanDataError("every point is faulty: run scanproc check and measure again", path=file.path)
    gain = _steady_gain(file, judged.drift, settings)
    found = Handled(report, len(dropped), tuple(warnings))
    if len(kept) < file.points or gain is not None:
        found = replace(found, kept=kept, gain=None if gain is None else gain[kept])
        if gain is not None and judged.drift is not None:
            found = replace(found, level_error_db=abs(judged.drift.gain_db) / np.sqrt(12))
        handle_again(file, found)
    return _with_arm_corrected(file, found, kept) if settings.correct_positions else found


def _refuse_nonsense(file: ScanFile, report: CheckReport) -> None:
    """Raises ScanDataError about what leaves nothing to convert: a wrong unit, silence at all points."""
    if len(report.points_of("no signal")) == file.points:
        raise ScanDataError("no point holds a signal: check cables and levels, measure again", path=file.path)
    for finding in report.findings:
        if finding.kind == "unit":
            raise ScanDataError(f"position_m: {finding.what}: {finding.remedy}", path=file.path)


def _with_arm_corrected(file: ScanFile, found: Handled, kept: Integer) -> Handled:
    """What was found, and the points moved by the errors of the arm, if there are any."""
    arm = arm_errors(file)
    said = (
        f"{arm.words()}; {'corrected, as asked (check.correct_positions)' if arm.found else 'nothing moved'}"
    )
    found = replace(found, warnings=(*found.warnings, said))
    if not arm.found:
        return found
    moved = arm.corrected(file.setup.position_m)
    file.use(np.arange(file.points), None, moved)
    return replace(found, kept=kept, position_m=moved)


def arm_errors(file: ScanFile) -> ArmErrors:
    """What is wrong with the arm, from the sound of those points in use that are not at fault."""
    scan, _ = _sampled(file)
    scan = scan.take_frequencies(judging_frequencies(file.setup, scan.frequency_hz))
    faulty = check(scan).report.points_of(*BAD_POINTS)
    return estimate_arm_errors(scan, ~np.isin(np.arange(file.points), faulty))


@one_blas_thread
def check_arm(path: Path | str) -> Finding:
    """The arm's errors as a finding about a scan file. Raises ScanFileError or ScanDataError."""
    with open_scan(path) as file, naming(path):
        arm = arm_errors(file)
    remedy = "adjust the arm, or let a conversion allow for it (check.correct_positions)"
    return Finding(
        "arm", "warning" if arm.found else "note", arm.words(), remedy if arm.found else "nothing to do"
    )


def handle_again(file: ScanFile, found: Handled) -> None:
    """Drops and corrects in the same scan, opened once more, what was found before."""
    if found.kept is not None:
        file.use(found.kept, found.gain, found.position_m)


def _checked(file: ScanFile) -> Judged:
    scan, facts = _sampled(file)
    return check(scan, facts, all_frequency_hz=_all_frequencies(file))


def _sampled(file: ScanFile) -> tuple[Scan, ResponseFacts | None]:
    """The frequencies that a check wants, and the facts of impulse responses."""
    frequency = _all_frequencies(file)
    if file.kind == "spectra":
        return _columns(file, _wanted(file, frequency)), None
    return _from_responses(file, frequency[_wanted(file, frequency)])


def _all_frequencies(file: ScanFile) -> Real:
    """All of spectra, the usual ones of responses within the band that was driven."""
    if file.kind == "spectra":
        return file.frequency_hz
    return driven_frequencies(file, PER_OCTAVE)


def _wanted(file: ScanFile, frequency: Real) -> Integer:
    """Indices of the frequencies at which points are judged, and of some over the whole band for the noise."""
    over_all = np.linspace(0, len(frequency) - 1, min(len(frequency), NOISE_FREQUENCIES))
    return np.union1d(judging_frequencies(file.setup, frequency), over_all.round().astype(np.int64))


def _from_responses(file: ScanFile, frequency: Real) -> tuple[Scan, ResponseFacts]:
    """Spectra with their noise, and facts, from one pass over the responses."""
    rows = max(1, BLOCK_BYTES // (8 * max(1, file.samples)))
    pressure, facts, before = [], [], []
    for start in range(0, file.points, rows):
        block = file.read_points(slice(start, start + rows))
        assert isinstance(block, ImpulseScan)
        pressure.append(spectra(block, frequency).pressure_pa)
        facts.append(response_facts(block))
        before.append(noise_before(block, frequency))
    noise = spectral_noise(np.concatenate(before), file.samples)
    return Scan(file.setup, frequency, np.concatenate(pressure), noise), joined(facts)


def _columns(file: ScanFile, which: Integer) -> Scan:
    parts = [file.read_frequencies(slice(int(i), int(i) + 1)) for i in which]
    noise = None
    if parts[0].noise_pa is not None:
        noise = np.concatenate([part.noise_pa for part in parts if part.noise_pa is not None], axis=-1)
    pressure = np.concatenate([part.pressure_pa for part in parts], axis=1)
    return Scan(file.setup, file.frequency_hz[which], pressure, noise)


def _not_finite(points: Integer, names: Words) -> Finding:
    numbers = tuple(int(point) for point in points)
    what = f"{len(numbers)} of {len(names)} points hold values that are not finite (NaN or infinite): "
    what += some(names[points])
    return Finding(
        "not finite", "serious", what, "measure them again or leave them out (check.drop)", numbers
    )


def _renumbered(report: CheckReport, kept: Integer, total: int) -> CheckReport:
    findings = tuple(
        replace(f, points=tuple(int(kept[point]) for point in f.points)) for f in report.findings
    )
    return CheckReport(total, findings, report.judged_hz, report.prediction_db)


def _steady_gain(file: ScanFile, drift: Drift | None, settings: CheckSettings) -> Real | None:
    """Factors that take the drift out, (points,), when asked for and found."""
    if not settings.correct_drift or drift is None or not drift.found:
        return None
    return 1 / drift.gain(file.setup)


def _told(finding: Finding, settings: CheckSettings) -> str:
    """The finding and what was done about it."""
    if finding.kind in settings.dropped_kinds and finding.points:
        return f"{finding.what}; left out, as asked (check.drop)"
    if finding.kind == "drift" and settings.correct_drift:
        return (
            f"{finding.what}; taken out, as asked (check.correct_drift): the level is that of the middle of the scan "
            "time, at its ends it was half of the drift away; the sensitivity's error counts that"
        )
    kept = f"{count(len(finding.points), 'point')} used as measured; " if finding.kind in BAD_POINTS else ""
    return f"{finding.what}; {kept}{finding.remedy}"
