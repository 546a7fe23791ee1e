"""Scan files from recipes."""

from __future__ import annotations

from pathlib import Path

from scanproc.errors import OutputError
from scanproc.files.stored.scan_file import write_scan
from scanproc.records.scan import ImpulseScan, Scan
from synthetic_scans.recipe import load, make_scan


def synth(recipe: Path | str, output: Path | str, *, force: bool = False) -> Scan | ImpulseScan:
    """Makes the scan of a recipe (a TOML file or a name) and writes it. Raises SettingsError, OutputError."""
    path = Path(output)
    wanted = load(recipe)
    if path.exists() and not force:
        raise OutputError(
            "the scan file is there already: choose another name, or replace it with --force", path=path
        )
    scan = make_scan(wanted)
    write_scan(path, scan)
    return scan
