"""What a batch has to do: scans found, the place of their results, their settings."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from glob import glob, has_magic
from pathlib import Path
from typing import Any

from scanproc.errors import SettingsError
from scanproc.run.settings.conversion import Settings, parse_settings, read_settings, read_tables

SUFFIXES = (".h5", ".hdf5")
RESERVED = ("ledger.jsonl", "batch.log", "summary.json", "summary.csv", "summary.txt", "index.html", ".batch")
"""Names in the output directory that are the batch's own."""


@dataclass(frozen=True)
class Job:
    """One scan of a batch; ``size`` and ``mtime_ns`` are zero for a file that cannot be looked at."""

    name: str
    source: Path
    output: Path
    size: int
    mtime_ns: int
    problem: str = ""

    @property
    def stamp(self) -> tuple[int, int]:
        return self.size, self.mtime_ns


def find(sources: Sequence[Path | str], output: Path, *, follow: bool = False) -> list[Path]:
    """Scan files of folders, globs and list files, each once, in the order given.

    Raises SettingsError when a source is not there at all; with ``follow`` a glob may match later.
    """
    found: dict[Path, None] = {}
    for source in sources:
        for path in _of(str(source), follow):
            absolute = Path(os.path.abspath(path))
            if output not in (absolute, *absolute.parents):
                found[absolute] = None
    return list(found)


def as_jobs(paths: Iterable[Path], output: Path) -> list[Job]:
    """Scans with a directory each; one whose directory another scan has taken carries that as its problem."""
    taken: dict[str, Path] = {}
    jobs = []
    for path in paths:
        name = path.stem
        first = taken.setdefault(name, path)
        problem = ""
        if name in RESERVED:
            problem = f"{path}: its results cannot be called {name}: rename the scan"
        elif first != path:
            problem = f"{path}: its results would replace those of {first}: rename one of them"
        size, mtime_ns = stamp(path)
        jobs.append(Job(name if not problem else str(path), path, output / name, size, mtime_ns, problem))
    return jobs


def stamp(path: Path) -> tuple[int, int]:
    """Size in bytes and time of the last change in ns, zeros when the file cannot be looked at."""
    try:
        status = path.stat()
    except OSError:
        return 0, 0
    return status.st_size, status.st_mtime_ns


def job_settings(source: Path, config: Path | None) -> Settings:
    """The batch's settings with those of NAME.toml beside the scan on top. Raises SettingsError."""
    base = read_settings(config) if config else Settings()
    beside = source.with_suffix(".toml")
    if not beside.is_file():
        return base
    read_settings(beside)
    merged: dict[str, Any] = read_tables(config) if config else {}
    for section, table in read_tables(beside).items():
        merged[section] = {**merged.get(section, {}), **table}
    return parse_settings(merged, str(beside))


def _of(source: str, follow: bool) -> Iterator[Path]:
    path = Path(source)
    if path.is_dir() and path.suffix not in SUFFIXES:
        yield from sorted(entry for entry in path.iterdir() if _looks_like_a_scan(entry))
    elif path.exists() and path.suffix in SUFFIXES:
        yield path
    elif path.exists():
        yield from _listed(path)
    elif has_magic(source):
        matches = sorted(glob(source, recursive=True))
        if not matches and not follow:
            raise SettingsError(f"no file matches {source}: check the pattern")
        yield from map(Path, matches)
    else:
        raise SettingsError("there is no such scan, folder or list file: check the path", path=source)


def _looks_like_a_scan(path: Path) -> bool:
    return path.suffix in SUFFIXES and not path.name.startswith(".")


def _listed(path: Path) -> Iterator[Path]:
    """Paths in a list file, one on a line, relative to the list's own folder; # starts a comment."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            f"is no folder, no scan ({' or '.join(SUFFIXES)}) and no list of scans in UTF-8: {error}",
            path=path,
        ) from None
    for line in lines:
        entry = line.strip()
        if entry and not entry.startswith("#"):
            yield path.parent / entry
