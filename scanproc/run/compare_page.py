"""What ``scanproc compare -o`` writes: a page, the comparison as JSON, and a table of all angles."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

from scanproc.files.atomic import whole_directory
from scanproc.files.hashing import write_hashes
from scanproc.files.json_file import write_json
from scanproc.files.outgoing.difference_table import write_differences
from scanproc.files.replacing import COMPARISON, check_directory
from scanproc.files.stored.result_file import read_result
from scanproc.records.comparison import Comparison
from scanproc.report.figures.material import Material
from scanproc.report.words.comparison import as_json
from scanproc.report.words.summary import summarise
from scanproc.run.conversion.datasheet import all_curves
from scanproc.run.conversion.page import PAGE
from scanproc.run.conversion.reference import is_result, name_of, read_at, result_at
from scanproc.run.settings.conversion import CurveSettings

MARK = "comparison.json"
TABLE = "differences.csv"


def write_comparison(
    directory: Path, found: Comparison, result: Path, reference: Path | None, *, force: bool = False
) -> None:
    """Writes report.html, comparison.json, differences.csv and their hashes: all of them, or nothing.

    ``result`` is a result, or the scan whose halves were compared (``reference`` None). Raises OutputError when
    the directory holds other things than an earlier comparison.
    """
    page = _page(found, result, reference)
    refuse = partial(may_write, result=result, reference=reference, force=force)
    with whole_directory(directory, refuse) as draft:
        (draft / PAGE).write_text(page, encoding="utf-8", newline="\n")
        write_json(draft / MARK, as_json(found))
        write_differences(draft / TABLE, found)
        write_hashes(draft)


def may_write(directory: Path, result: Path, reference: Path | None, force: bool = False) -> None:
    """Raises OutputError unless the directory is new, empty, or an earlier comparison that nobody changed."""
    reads = [*read_at(result), *(read_at(reference) if reference is not None else ())]
    check_directory(directory, COMPARISON, reads=reads, force=force)


def _page(found: Comparison, result: Path, reference: Path | None) -> str:
    from scanproc.report.pages.overlay_page import reference_page, two_results_page

    own = result_at(result)
    if reference is None:
        return reference_page(found, result.name)
    other = result_at(reference)
    if is_result(other):
        names = _told_apart(name_of(own), name_of(other))
        return two_results_page(_material(own), _material(other), names, found)
    return reference_page(found, _device(own))


def _told_apart(first: str, second: str) -> tuple[str, str]:
    return (first, second) if first != second else (f"{first} (first)", f"{second} (second)")


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
    return Material(result, summary, all_curves(result.expansion, CurveSettings()))
