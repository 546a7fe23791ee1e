"""``scanproc import``: other people's data to a scan file."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import Outcome, as_command
from scanproc.cli.terminal.progress import shown


@as_command("import", example="scanproc import responses -o scan.h5 -c import.toml", topic="import")
@click.argument("source", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Scan file to write.")
@click.option(
    "-c", "--config", type=click.Path(path_type=Path), help="Settings in TOML; see configs/import/."
)
@click.option("--force", is_flag=True, help="Replace an earlier scan file.")
def command(source: Path, output: Path, config: Path | None, force: bool, as_json: bool) -> Outcome:
    """Make a scan file from SOURCE.

    SOURCE is a folder of WAV impulse responses, of recorded sweeps with their drive signal (a section [drive]), or of
    spectra as text (0001.csv or .txt), with a table positions.csv: x_m, y_m, z_m for each point, if need be its file
    and, where one WAV file holds many points, its channel; or a NumPy archive (.npz) or an AES69
    file (.sofa). The sound
    streams through, it need not fit into memory.
    """
    from scanproc.run.incoming.import_scan import import_scan
    from scanproc.run.settings.conversion import read_sections
    from scanproc.run.settings.imports import ImportSettings

    settings = ImportSettings() if config is None else read_sections(config, ImportSettings)
    with shown() as progress:
        found = import_scan(source, output, settings, progress, force=force)
    document = {
        "output": str(output),
        "kind": found.kind,
        "points": found.points,
        "columns": found.columns,
        "warnings": list(found.warnings),
    }
    lines = [
        f"Wrote {output}: {found.points:,} points from {found.kind}",
        *(f"Warning: {warning}" for warning in found.warnings),
    ]
    return Outcome(document, lines)
