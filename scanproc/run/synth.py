"""Scan files from recipes."""

from __future__ import annotations

from pathlib import Path

from scanproc.files.replacing import check_file
from scanproc.files.stored.scan_file import is_scan, write_scan
from scanproc.records.measured.scan import ImpulseScan, Scan
from synthetic_scans.recipe import load, make_scan


def synth(recipe: Path | str, output: Path | str, *, force: bool = False) -> Scan | ImpulseScan:
    """Makes the scan of a recipe (a TOML file or a name) and writes it. Raises SettingsError, OutputError."""
    path = Path(output)
    wanted = load(recipe)
    check_file(path, "scan file", is_scan, force=force)
    scan = make_scan(wanted)
    write_scan(path, scan)
    return scan
