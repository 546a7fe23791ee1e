"""``scanproc guide``: what the README has no room for, by topic."""

from __future__ import annotations

import sys
from difflib import get_close_matches

import click

from scanproc.cli.terminal.frame import Outcome, as_command
from scanproc.report.words.guide import topic_text, topics


@as_command("guide", example="scanproc guide points")
@click.argument("topic", required=False)
def command(topic: str | None, as_json: bool) -> Outcome:
    """Read about a TOPIC; without one, the list of topics.

    Plain text where the output is not a terminal: scanproc guide methods > methods.md
    """
    known = topics()
    if topic is None:
        lines = [f"  {name:<12}{heading}" for name, heading in known.items()]
        return Outcome({"topics": known}, ["Topics of scanproc guide TOPIC:", *lines])
    if topic not in known:
        near = get_close_matches(topic, known, n=1)
        guess = f"did you mean '{near[0]}'?" if near else "known are " + ", ".join(known)
        raise click.UsageError(f"no topic '{topic}': {guess}", click.get_current_context())
    text = topic_text(topic)
    if sys.stdout.isatty() and not as_json:
        _typeset(text)
        return Outcome({}, [])
    return Outcome({"topic": topic, "text": text}, text.splitlines())


def _typeset(text: str) -> None:
    from rich.console import Console
    from rich.markdown import Markdown

    Console().print(Markdown(text, hyperlinks=False))
