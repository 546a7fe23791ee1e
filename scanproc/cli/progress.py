"""Progress for people: a bar on a terminal, dated plain lines in a log. Always on stderr."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from scanproc.cli.frame import say_dated
from scanproc.run.progress import Progress

LONGEST_SILENCE_S = 60.0


@contextmanager
def shown() -> Iterator[Progress]:
    """Progress shown on stderr in the way that suits it."""
    with _bars() if is_plain_terminal(sys.stderr) else dated_lines(sys.stderr) as progress:
        yield progress


def is_plain_terminal(stream: TextIO) -> bool:
    """Whether escape codes are welcome (see no-color.org)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


@contextmanager
def dated_lines(stream: TextIO, longest_silence_s: float = LONGEST_SILENCE_S) -> Iterator[Progress]:
    """A line when a step starts and ends, and one whenever nothing was said for ``longest_silence_s``."""
    latest: list[str] = []
    spoken = threading.Event()
    over = threading.Event()

    def tell(what: str, done: int, total: int) -> None:
        line = f"{what}: {done} of {total}"
        latest[:] = [line]
        if done in (0, total):
            say_dated(line, stream)
            spoken.set()

    def fill_silence() -> None:
        while not over.is_set():
            if spoken.wait(longest_silence_s):
                spoken.clear()
            elif latest and not over.is_set():
                say_dated(f"{latest[0]}, still at work", stream)

    ticker = threading.Thread(target=fill_silence, daemon=True)
    ticker.start()
    try:
        yield tell
    finally:
        over.set()
        spoken.set()
        ticker.join()


@contextmanager
def _bars() -> Iterator[Progress]:
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks = {}

        def tell(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=total)
            bars.update(tasks[what], completed=done, total=total)

        yield tell
