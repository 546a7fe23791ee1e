"""The commands as functions for a notebook: results in memory or on disk, choices by keyword."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from scanproc.errors import SettingsError
from scanproc.records.answers.advice import Advice
from scanproc.records.answers.comparison import Comparison, Reference
from scanproc.records.answers.result import Result
from scanproc.records.answers.scan_plan import ScanPlan
from scanproc.records.fitted.expansion import Expansion
from scanproc.run.advise import AdviseChoices, target_of
from scanproc.run.advise import advise as advise_expansion
from scanproc.run.conversion.reference import ReferenceChoices, compared, result_at
from scanproc.run.export import Wanted
from scanproc.run.export import export as export_file
from scanproc.run.levels import measure_levels
from scanproc.run.notebook.levels import Levels
from scanproc.run.notebook.results import read_result
from scanproc.run.settings.conversion import read_sections
from scanproc.run.settings.imports import ImportSettings
from scanproc.steps.compare.differences import CompareChoices
from scanproc.steps.compare.differences import compare as compare_records
from scanproc.steps.compare.reference import far_field_reference
from scanproc.steps.planning.earlier import earlier_scan
from scanproc.steps.planning.scan_plan import PlanChoices, plan_scan


def compare(
    result: Result | Expansion | Path | str,
    reference: Reference | Result | Path | str,
    choices: CompareChoices | None = None,
    **how: Any,
) -> Comparison:
    """A result against a reference, another result, or the file of one; ``how`` to read a file: ``distance_m``,
    ``unit`` ("pa" or "relative"), ``gate_s``, ``height_m``, ``channel``.

    Raises InputError, SettingsError or ScanDataError.

    >>> sp.compare(result, folder / "result").matches
    True
    """
    if isinstance(result, (str, Path)):
        result = read_result(result)
    expansion = result.expansion if isinstance(result, Result) else result
    if isinstance(reference, Result):
        name = str(reference.provenance.get("device") or "the other result")
        reference = far_field_reference(name, reference.expansion)
    if isinstance(reference, Reference):
        return compare_records(expansion, reference, choices)
    return compared(
        expansion, reference, replace(ReferenceChoices(**how), choices=choices or CompareChoices())
    )


def advise(result: Result | Expansion | Path | str, **choices: Any) -> Advice:
    """Resonances of a result, what filters can mend, and filters; ``choices`` as in
    :class:`~scanproc.run.advise.AdviseChoices`. Raises InputError, SettingsError or ScanDataError.

    >>> len(sp.advise(result, bands=2).proposal.bands) <= 2
    True
    """
    if isinstance(result, (str, Path)):
        result = read_result(result)
    _refuse_unknown("advise", AdviseChoices, choices)
    if isinstance(result, Expansion):
        return advise_expansion(result, AdviseChoices(**choices))
    return advise_expansion(result.expansion, AdviseChoices(**choices), error_db=target_of(result))


def plan(like: Result | Path | str | None = None, **choices: Any) -> ScanPlan:
    """Where and how many points to measure; ``choices`` as in :class:`~scanproc.steps.planning.scan_plan.PlanChoices`.

    ``like``: the result of a like device. Raises InputError or SettingsError.

    >>> sp.plan(size_m=(0.4, 0.3, 0.5), up_to_hz=500.0).positions.position_m.shape[1]
    3
    """
    _refuse_unknown("plan", PlanChoices, choices)
    for name in ("up_to_hz",) if like else ("size_m", "up_to_hz"):
        if name not in choices:
            raise SettingsError(f"plan needs {name}: state the device's size in m and the highest frequency")
    earlier = None if like is None else earlier_scan(like if isinstance(like, Result) else read_result(like))
    return plan_scan(PlanChoices(**{"size_m": None, **choices}), earlier=earlier)


def export(
    result: Path | str,
    output: Path | str,
    wanted: Wanted | None = None,
    *,
    force: bool = False,
    **choices: Any,
) -> dict[str, Any]:
    """Writes exports of a result on disk to a directory; ``choices`` as in :class:`ExportWanted`. The manifest.

    Raises InputError, SettingsError, ScanDataError or OutputError.

    >>> sp.export(folder / "result", folder / "out", names=("orbits-90",), formats=("npz",))["sets"][0]["angles"]
    8
    """
    _refuse_unknown("export", Wanted, choices)
    asked = replace(wanted or Wanted(), **choices)
    return export_file(result_at(Path(result)), output, asked, force=force)


def levels(
    folder: Path | str,
    settings: ImportSettings | Path | str | None = None,
    *,
    compression_db: float = 1.0,
    distortion_percent: float = 3.0,
    from_hz: float | None = None,
    up_to_hz: float | None = None,
) -> Levels:
    """Compression and harmonics of the sweeps that levels.csv in ``folder`` lists; settings as of ``import``, or their
    file. High levels endanger ears and voice coils; local rules come first.

    Raises InputError, SettingsError or ScanDataError.

    >>> sp.levels(folder / "levels", sp.ImportSettings(drive={"length_s": 0.3, "harmonics": 3})).highest_within_v
    4.0
    """
    if isinstance(settings, (str, Path)):
        settings = read_sections(Path(settings), ImportSettings)
    known = settings or ImportSettings()
    return Levels(measure_levels(Path(folder), known, compression_db, distortion_percent, from_hz, up_to_hz))


def _refuse_unknown(command: str, kind: type[Any], given: Mapping[str, Any]) -> None:
    known = [one.name for one in fields(kind)]
    for name in given:
        if name not in known:
            raise SettingsError(f"{command} has no setting {name!r}: known are {', '.join(known)}")
