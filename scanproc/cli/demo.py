"""``scanproc demo``: the whole road on a made-up scan."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import Outcome, as_command
from scanproc.cli.terminal.options import with_force
from scanproc.cli.terminal.progress import shown


@as_command("demo", example="scanproc demo -o scanproc-demo")
@click.option(
    "-o",
    "--output",
    default="scanproc-demo",
    show_default=True,
    type=click.Path(path_type=Path),
    help="Directory to make.",
)
@click.option("--room", is_flag=True, help="Two layers in a boat shed, an arm that is 0.5 mm off; quicker.")
@click.option("--harmonics", is_flag=True, help="By sweeps that hold harmonics 2 and 3, few points; quicker.")
@with_force
def command(output: Path, room: bool, harmonics: bool, force: bool, as_json: bool) -> Outcome:
    """Make a scan and convert it.

    The scan is made up: a ferry terminal's paging loudspeaker, without a room around it unless --room asks
    for one. Takes two or three minutes, less with --room or --harmonics.
    """
    from scanproc.run.demo import FREE_FIELD, HARMONICS, ROOM, demo

    if room and harmonics:
        raise click.UsageError("--room and --harmonics are two demos: choose one")
    recipe = ROOM if room else HARMONICS if harmonics else FREE_FIELD
    with shown() as progress:
        summary = demo(output, progress, force=force, recipe=recipe)
    results = output / "results"
    return Outcome(
        {**summary.as_json(), "output": str(output)},
        [
            *summary.lines(),
            f"Look at the page: {results / 'report.html'}",
            f"Errors by band: {results / 'summary.json'}",
            f"Far-field curves as text: {results / 'directions'}",
            f"Everything: {results / 'result.h5'}",
            "Convert the scan yourself, with settings of your own:",
            f"  scanproc convert {output / 'scan.h5'} -o my-results -c my-settings.toml",
        ],
    )
