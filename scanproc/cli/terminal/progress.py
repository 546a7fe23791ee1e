"""Progress for people: a bar on a terminal, dated plain lines in a log. Always on stderr."""

from __future__ import annotations

import os
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TextIO

from scanproc.cli.terminal.frame import duration, say_dated
from scanproc.run.progress import LONGEST_SILENCE_S, Progress

FIRST_ESTIMATE_S = 5.0


@contextmanager
def shown() -> Iterator[Progress]:
    """Progress shown on stderr in the way that suits it."""
    with _bars() if is_plain_terminal(sys.stderr) else dated_lines(sys.stderr) as progress:
        yield progress


def is_plain_terminal(stream: TextIO) -> bool:
    """Whether escape codes are welcome (see no-color.org)."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


@dataclass(frozen=True)
class Step:
    """How far a step is, and when it began."""

    what: str
    done: int
    total: int
    began: float

    def line(self) -> str:
        return f"{self.what}: {self.done} of {self.total}"

    def left(self) -> str:
        """About how long the rest takes at the rate so far; empty when that cannot be told yet."""
        if not 0 < self.done < self.total:
            return ""
        elapsed = time.monotonic() - self.began
        return f", about {duration(elapsed * (self.total - self.done) / self.done)} left"


@contextmanager
def dated_lines(
    stream: TextIO, longest_silence_s: float = LONGEST_SILENCE_S, first_estimate_s: float = FIRST_ESTIMATE_S
) -> Iterator[Progress]:
    """A line when a step starts and ends, one with the time left as soon as it is known after ``first_estimate_s``, and
    one whenever nothing was said for ``longest_silence_s``."""
    latest: list[Step] = []
    spoken, over = threading.Event(), threading.Event()
    estimated: set[str] = set()

    def say(line: str) -> None:
        say_dated(line, stream)
        spoken.set()

    def tell(what: str, done: int, total: int) -> None:
        began = latest[0].began if latest and latest[0].what == what else time.monotonic()
        step = Step(what, done, total, began)
        latest[:] = [step]
        if done in (0, total):
            say(step.line())
        elif what not in estimated and time.monotonic() - began >= first_estimate_s:
            estimated.add(what)
            say(step.line() + step.left())

    def fill_silence() -> None:
        while not over.is_set():
            if spoken.wait(longest_silence_s):
                spoken.clear()
            elif latest and not over.is_set():
                say_dated(f"{latest[0].line()}, still at work{latest[0].left()}", stream)

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
    from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
    from rich.progress import Progress as Bars

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(elapsed_when_finished=True),
    )
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks = {}

        def tell(what: str, done: int, total: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=total)
            bars.update(tasks[what], completed=done, total=total)

        yield tell
