"""The whole road on a made-up scan: make it, convert it."""

from __future__ import annotations

from functools import partial
from pathlib import Path

from scanproc.files.atomic import whole_directory
from scanproc.files.hashing import write_hashes
from scanproc.files.replacing import DEMO, check_directory
from scanproc.report.words.summary import Summary
from scanproc.run.conversion.pipeline import convert
from scanproc.run.progress import Progress, silent
from scanproc.run.synth import synth

FREE_FIELD = "demo"
ROOM = "demo-room"
HARMONICS = "demo-harmonics"
"""Recipes: one even layer without a room, two layers in a boat shed with an inaccurate arm, and a scan by sweeps that
holds harmonics."""


def demo(
    output: Path | str, progress: Progress = silent, *, force: bool = False, recipe: str = FREE_FIELD
) -> Summary:
    """Makes the directory ``output`` with scan.h5 and its results in results/, whole or not at all."""
    directory = Path(output)
    refuse = partial(check_directory, kind=DEMO, force=force)
    refuse(directory)
    with whole_directory(directory, refuse) as staging:
        progress("scans made", 0, 1)
        synth(recipe, staging / "scan.h5")
        progress("scans made", 1, 1)
        summary = convert(staging / "scan.h5", staging / "results", progress=progress)
        write_hashes(staging)
    return summary
