"""What may be replaced: results of our own making, unchanged since, that nobody reads. No option allows more.

A directory counts as our own when its mark says so, and each entry stands in its list of hashes (SHA256SUMS, or
``files`` in manifest.json) and still has that hash. A file counts as our own when it is of the kind that is written.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from scanproc.errors import InputError, OutputError
from scanproc.files.hashing import HASHES, file_hash, listed_hashes
from scanproc.files.json_file import read_json


@dataclass(frozen=True)
class Kind:
    """A kind of results: ``mark`` is a document in them that states ``format``, ``names`` what may lie beside it
    (None: anything that is listed), ``freely`` whether one replaces an earlier one without being told to."""

    noun: str
    mark: str
    format: str
    names: frozenset[str] | None = None
    freely: bool = True


DISTORTION = "distortion.csv"
RESULT = Kind(
    "an earlier result",
    "summary.json",
    "scanproc summary",
    frozenset(
        {"result.h5", "summary.json", "report.html", "directions", "sweeps", "figures", DISTORTION, HASHES}
    ),
)
COMPARISON = Kind(
    "an earlier comparison",
    "comparison.json",
    "scanproc comparison",
    frozenset({"report.html", "comparison.json", "differences.csv", "differences", HASHES}),
)
DEMO = Kind(
    "an earlier demo",
    "results/summary.json",
    "scanproc summary",
    frozenset({"scan.h5", "results", HASHES}),
)
ADVICE = Kind(
    "earlier advice",
    "advice.json",
    "scanproc advice",
    frozenset(
        {
            "advice.json",
            "advice.svg",
            "filters.toml",
            "sections.csv",
            "sections.json",
            "curves.csv",
            "curves_before.csv",
            HASHES,
        }
    ),
)
EXPORT = Kind("an earlier export", "manifest.json", "scanproc export", freely=False)
LEVELS = Kind(
    "an earlier measurement of drive levels",
    "levels.json",
    "scanproc levels",
    frozenset({"report.html", "levels.json", "by-level.csv", HASHES}),
)
KINDS = (RESULT, COMPARISON, DEMO, ADVICE, EXPORT, LEVELS)


def check_directory(directory: Path, kind: Kind, *, reads: Iterable[Path] = (), force: bool = False) -> None:
    """Raises OutputError unless ``directory`` is missing, empty, or ours to replace by results of this kind.

    ``reads`` are the files that the results are made of: none of them may lie inside. ``force`` allows results of
    another kind, or of one that is not replaced freely, and nothing else.
    """
    _refuse_unmakeable(directory)
    if not os.path.lexists(directory):
        return
    if not directory.is_dir():
        raise OutputError("is a file, a directory was needed: choose another name", path=directory)
    if not any(directory.iterdir()):
        return
    real = os.path.realpath(directory)
    inside = next((path for path in reads if Path(os.path.realpath(path)).is_relative_to(real)), None)
    if inside is not None:
        raise OutputError(
            f"holds {str(inside)!r}, of which the results are made: choose another directory", path=directory
        )
    found = next((one for one in KINDS if _has_mark(directory, one)), None)
    if found is None:
        first = min(entry.name for entry in directory.iterdir())
        raise OutputError(
            f"holds {first!r}, which is no result of scanproc: choose another directory", path=directory
        )
    refuse_changed(directory, found)
    if not force and (found is not kind or not kind.freely):
        raise OutputError(
            f"holds {found.noun}: choose another directory, or replace it with --force", path=directory
        )


def refuse_changed(directory: Path, kind: Kind) -> None:
    """Raises OutputError when results hold what is not part of them, or was changed since they were written."""
    listed = listed_hashes(directory) or _in_manifest(directory)
    for entry in sorted(directory.rglob("*")):
        name = entry.relative_to(directory).as_posix()
        if entry.is_dir() and not entry.is_symlink():
            continue
        known = kind.names is None or name.partition("/")[0] in kind.names
        if not known or entry.is_symlink() or (name not in listed and name not in (HASHES, kind.mark)):
            raise OutputError(
                f"holds {name!r}, which is not part of these results: move it or choose another directory",
                path=directory,
            )
        if name in listed and file_hash(entry) != listed[name]:
            raise OutputError(
                f"holds {name!r}, which was changed since it was written: move it or choose another directory",
                path=directory,
            )


def check_file(path: Path, noun: str, is_own: Callable[[Path], bool], *, force: bool) -> None:
    """Raises OutputError unless ``path`` is free, or holds such a ``noun`` and ``force`` is on.

    Nothing else is replaced, whatever ``force`` says; a folder that is missing is not made.
    """
    if not path.parent.is_dir():
        raise OutputError(
            f"there is no folder {str(path.parent)!r}: make it first, or correct the path", path=path
        )
    _refuse_unmakeable(path)
    if not os.path.lexists(path):
        return
    if path.is_dir():
        raise OutputError(f"is a folder, the name of a {noun} was needed: name the file to write", path=path)
    if not is_own(path):
        raise OutputError(f"is there already and is no {noun}: choose another name", path=path)
    if not force:
        raise OutputError(
            f"the {noun} is there already: choose another name, or replace it with --force", path=path
        )


def _refuse_unmakeable(path: Path) -> None:
    """Raises OutputError where nothing can be written, before the work begins."""
    above = next((one for one in Path(os.path.abspath(path)).parents if os.path.lexists(one)), Path(os.sep))
    if not above.is_dir() or not os.access(above, os.W_OK | os.X_OK):
        raise OutputError(
            f"cannot be made, {str(above)!r} is no folder that may be written to: choose another place",
            path=path,
        )


def _has_mark(directory: Path, kind: Kind) -> bool:
    try:
        found = read_json(directory / kind.mark)
    except InputError:
        return False
    return isinstance(found, Mapping) and found.get("format") == kind.format


def _in_manifest(directory: Path) -> dict[str, str]:
    try:
        files = read_json(directory / EXPORT.mark)["files"]
        return {str(name): str(facts["sha256"]) for name, facts in files.items()}
    except (InputError, LookupError, TypeError, AttributeError):
        return {}
