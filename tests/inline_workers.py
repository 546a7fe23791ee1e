"""Workers without a cluster: the same work, in this process, the moment it is handed out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from scanproc.run.night import batch
from scanproc.run.night.batch import BatchOutcome, Wanted, Watcher
from scanproc.run.night.tasks import Done, Failed, Work

Carry = Callable[[Callable[[Work], Done | Failed], Work], Done | Failed]


class Inline:
    """``carry`` may count, spoil or refuse a piece of work."""

    def __init__(self, carry: Carry | None = None) -> None:
        self._carry = carry or (lambda function, work: function(work))

    def slots(self) -> int:
        return 1

    def submit(self, function: Callable[..., Any], *arguments: Any) -> Future[Any]:
        future: Future[Any] = Future()
        try:
            future.set_result(self._carry(function, arguments[0]))
        except Exception as error:
            future.set_exception(error)
        return future


class Lines(Watcher):
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.lines: list[str] = []

    def line(self, text: str) -> None:
        self.lines.append(text)


def run_inline(wanted: Wanted, carry: Carry | None = None, watcher: Watcher | None = None) -> BatchOutcome:
    """A whole batch in this process."""

    @contextmanager
    def workers(_: Path) -> Iterator[Inline]:
        yield Inline(carry)

    return batch.batch(wanted, workers, watcher or Watcher())


def results(output: Path) -> dict[str, bytes]:
    """Every result file by its path, without the one field that holds a time."""
    found = {}
    for path in sorted(output.glob("*/**/*")):
        if path.is_file() and ".batch" not in path.parts:
            content = path.read_bytes()
            if path.name == "summary.json":
                lines = content.splitlines(keepends=True)
                assert sum(b'"written_at"' in line for line in lines) == 1
                content = b"".join(line for line in lines if b'"written_at"' not in line)
            found[str(path.relative_to(output))] = content
    return found
