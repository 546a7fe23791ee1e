"""What ``scanproc compare -o`` writes: a page, the comparison as JSON, and a table of all angles."""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from scanproc.files.atomic import whole_directory
from scanproc.files.hashing import write_hashes
from scanproc.files.json_file import write_json
from scanproc.files.outgoing.difference_table import write_differences
from scanproc.files.replacing import COMPARISON, check_directory
from scanproc.files.stored.result_file import read_result
from scanproc.records.answers.comparison import Comparison
from scanproc.report.figures.material import Material
from scanproc.report.words.comparison import several_as_json
from scanproc.report.words.summary import summarise
from scanproc.run.conversion.datasheet import all_curves
from scanproc.run.conversion.page import PAGE
from scanproc.run.conversion.reference import is_result, name_of, read_at, result_at
from scanproc.run.settings.conversion import CurveSettings
from scanproc.steps.farfield.calibration import curves_with

MARK = "comparison.json"
TABLE = "differences.csv"
TABLES = "differences"


def write_comparison(
    directory: Path,
    found: Sequence[Comparison],
    result: Path,
    references: Sequence[Path],
    *,
    force: bool = False,
) -> None:
    """Writes report.html, comparison.json, differences.csv (of several: differences/NAME.csv) and their hashes: all of
    them, or nothing.

    ``result`` is a result, or the scan whose halves were compared (no ``references``). Raises OutputError when the
    directory holds other things than an earlier comparison.
    """
    page = _page(found, result, references)
    refuse = partial(may_write, result=result, references=references, force=force)
    with whole_directory(directory, refuse) as draft:
        (draft / PAGE).write_text(page, encoding="utf-8", newline="\n")
        write_json(draft / MARK, several_as_json(found))
        if len(found) == 1:
            write_differences(draft / TABLE, found[0])
        else:
            (draft / TABLES).mkdir()
            for number, one in enumerate(found, start=2):
                write_differences(draft / TABLES / f"{number}.csv", one)
        write_hashes(draft)


def may_write(directory: Path, result: Path, references: Sequence[Path], force: bool = False) -> None:
    """Raises OutputError unless the directory is new, empty, or an earlier comparison that nobody changed."""
    reads = [path for one in (result, *references) for path in read_at(one)]
    check_directory(directory, COMPARISON, reads=reads, force=force)


def _page(found: Sequence[Comparison], result: Path, references: Sequence[Path]) -> str:
    from scanproc.report.pages.overlay_page import reference_page, results_page

    own = result_at(result)
    if not references:
        return reference_page(found[0], result.name)
    others = [result_at(path) for path in references]
    if all(is_result(other) for other in others):
        names = _told_apart([name_of(path) for path in (own, *others)])
        return results_page([_material(path) for path in (own, *others)], names, found)
    return reference_page(found[0], _device(own))


def _told_apart(names: Sequence[str]) -> list[str]:
    """The names, those that come twice with their number."""
    return [
        f"{name} ({number})" if names.count(name) > 1 else name for number, name in enumerate(names, start=1)
    ]


def _device(path: Path) -> str:
    return str(read_result(path).provenance.get("device") or name_of(path))


def _material(path: Path) -> Material:
    """What the overlay needs of a result; its verdict is that of its own summary where that lies beside it."""
    result = read_result(path)
    beside = path.parent / "summary.json"
    if beside.is_file():
        summary = json.loads(beside.read_text(encoding="utf-8"))
    else:
        summary = json.loads(json.dumps(summarise(result, "", -25.0, "default").as_json()))
    level_error_db = float(result.provenance.get("level_error_db") or 0.0)
    return Material(
        result, summary, curves_with(all_curves(result.expansion, CurveSettings()), level_error_db)
    )
