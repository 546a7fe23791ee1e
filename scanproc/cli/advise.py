"""``scanproc advise``: what a filter can mend, before the device is lifted again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from scanproc.cli.terminal.frame import Outcome, as_command
from scanproc.cli.terminal.options import Positive, with_force
from scanproc.cli.terminal.progress import shown


@as_command("advise", example="scanproc advise results -o advice --bands 3 --target -0.8", topic="advise")
@click.argument("result", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), help="Write filters and curves to this directory."
)
@click.option("--bands", type=click.IntRange(0, 12), default=5, show_default=True, help="At most so many.")
@click.option(
    "--boost",
    "boost_db",
    type=click.FloatRange(0, 12),
    default=3.0,
    show_default=True,
    help="Most that filters may raise, dB.",
)
@click.option(
    "--target",
    default="flat",
    show_default=True,
    help="flat (on the axis), dB per octave of the in-room response, or a CSV of frequency_hz,level_db.",
)
@click.option(
    "--from",
    "from_hz",
    type=Positive,
    help="Where filters begin to act, Hz; else where the axis has fallen by 6 dB.",
)
@click.option(
    "--up-to",
    "up_to_hz",
    type=Positive,
    help="And end, Hz; else where the result misses its target.",
)
@click.option(
    "--rate",
    "rate_hz",
    type=click.FloatRange(1),
    help="Of the filters, Hz; else 48000, or the multiple of it that the result needs.",
)
@click.option(
    "--toe-in", "toe_in_deg", type=float, default=0.0, help="Turn the device towards +y by so many degrees."
)
@click.option("--tilt", "tilt_deg", type=float, default=0.0, help="Turn its front up by so many degrees.")
@click.option(
    "--seat", "seats_m", nargs=3, type=float, multiple=True, help="x y z in m: filters for it; repeatable."
)
@click.option(
    "-c", "--config", type=click.Path(path_type=Path), help="Seats and turn from an export's sets in TOML."
)
@click.option(
    "--together",
    type=click.Choice(["mean", "minimax"]),
    default="mean",
    show_default=True,
    help="Several seats: their mean, or the one farthest off.",
)
@with_force
def command(
    result: Path, output: Path | None, config: Path | None, force: bool, as_json: bool, **given: Any
) -> Outcome:
    """Say which resonances a RESULT shows, what filters can mend, and which filters to try.

    A resonance has one frequency in all directions; what moves with the angle is none. A filter acts on all directions
    alike: it is proposed where direct sound, early reflections and sound power are off together, as far as the error
    bars bear. Try it without lifting the device: scanproc export RESULT -o files --filter advice/filters.toml.
    """
    from scanproc.report.words.advice import advice_lines
    from scanproc.run.advise import AdviseChoices, advise_file, seats_of

    if config is not None:
        given |= seats_of(config)
    with shown() as progress:
        advice, document = advise_file(result, AdviseChoices(**given), output, progress, force=force)
    lines = advice_lines(advice)
    if output is not None:
        document = {**document, "output": str(output)}
        lines.append(f"Filters, their coefficients and the curves with and without are in {output}")
    return Outcome(document, lines)
