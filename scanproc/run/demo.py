"""The whole road on a made-up scan: make it, convert it."""

from __future__ import annotations

from pathlib import Path

from scanproc.files.atomic import whole_directory
from scanproc.report.words.summary import Summary
from scanproc.run.conversion.pipeline import convert, may_replace
from scanproc.run.progress import Progress, silent
from scanproc.run.synth import synth

RECIPE = "demo"


def demo(output: Path | str, progress: Progress = silent, *, force: bool = False) -> Summary:
    """Makes the directory ``output`` with scan.h5 and its results in results/, whole or not at all."""
    directory = Path(output)
    may_replace(directory, directory / "results" / "summary.json", force)
    names = [entry.name for entry in directory.iterdir()] if force and directory.is_dir() else None
    with whole_directory(directory, replace=True, names=names) as staging:
        progress("scans made", 0, 1)
        synth(RECIPE, staging / "scan.h5")
        progress("scans made", 1, 1)
        return convert(staging / "scan.h5", staging / "results", progress=progress)
