"""``scanproc convert``: one scan to all its results."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import Outcome, as_command
from scanproc.cli.terminal.options import with_force, with_settings
from scanproc.cli.terminal.progress import shown


@as_command("convert", example="scanproc convert scan.h5 -o results -c configs/quick.toml", topic="results")
@click.argument("scan", type=click.Path(path_type=Path))
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Directory to make.")
@with_settings
@click.option(
    "--reference",
    type=click.Path(path_type=Path),
    help="Compare with this far-field measurement, as compare does; more in [reference].",
)
@click.option("--scheduler", metavar="ADDRESS", help="Fit on a running dask cluster, not on this machine.")
@with_force
@click.option("--figures", is_flag=True, help="Write each figure of the page to figures/ as well.")
def command(
    scan: Path,
    output: Path,
    config: Path | None,
    reference: Path | None,
    scheduler: str | None,
    force: bool,
    figures: bool,
    as_json: bool,
) -> Outcome:
    """Turn a SCAN into far-field results.

    Writes report.html (look at this first), result.h5 (everything), summary.json (the verdict) and directions/
    (curves as text). --figures adds pictures for papers and slides; formats, width and theme are settings.

    The output directory appears whole or not at all. An earlier result in its place is replaced if nobody has
    changed it; a directory with anything else in it is never touched.
    """
    from scanproc.run.cluster import each_on
    from scanproc.run.conversion.pipeline import convert
    from scanproc.run.settings.conversion import Settings, read_settings, with_reference

    settings = Settings() if config is None else read_settings(config)
    if reference is not None:
        settings = with_reference(settings, reference)
    with shown() as progress, each_on(scheduler) as each:
        summary = convert(scan, output, settings, progress, force=force, figures=figures, each=each)
    return Outcome(
        {**summary.as_json(), "output": str(output)},
        [*summary.lines(), f"Results are in {output}, the page is {output / 'report.html'}"],
    )
