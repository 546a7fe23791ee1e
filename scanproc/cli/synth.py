"""``scanproc synth``: a made-up scan from a recipe, to practise with or to test against."""

from __future__ import annotations

from pathlib import Path

import click

from scanproc.cli.terminal.frame import Outcome, as_command


@as_command("synth", example="scanproc synth demo -o demo-scan.h5")
@click.argument("recipe")
@click.option("-o", "--output", required=True, type=click.Path(path_type=Path), help="Scan file to write.")
@click.option("--force", is_flag=True, help="Replace an earlier scan file.")
def command(recipe: str, output: Path, force: bool, as_json: bool) -> Outcome:
    """Make a scan from a RECIPE.

    The field is known in closed form. RECIPE is a TOML file, or the name of one that comes along, such as demo; a
    wrong name lists them all.
    """
    from scanproc.run.synth import synth

    scan = synth(recipe, output, force=force)
    document = {"output": str(output), "points": scan.points, "device": scan.setup.device}
    return Outcome(
        document, [f"Wrote {output}: {scan.points:,} points around {scan.setup.device or 'a device'}"]
    )
