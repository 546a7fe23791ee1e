"""Outcomes of independent items kept on the disk, so that a long stage killed halfway goes on where it was."""

from __future__ import annotations

import pickle
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from scanproc.errors import ResultFileError
from scanproc.run.night.blocks import load_record, save_record
from scanproc.steps.each import nobody, told

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")

KEEP_EVERY_S = 2.0
"""Outcomes are brought to the disk together once they have taken so long: each file costs some 10 ms."""


class Kept:
    """A map, one item after another, whose outcomes outlive the process.

    An outcome is known by the number of its call, its place among the items, and those of the item it is part of:
    the same scan and settings make the same calls. Each outcome goes through a pickle whether it is fresh or not,
    so that arrays lie in memory alike and later sums give the same digits.
    """

    def __init__(self, room: Path, stage: str) -> None:
        self._room, self._stage = room, stage
        self._known: dict[str, bytes] = {}
        self._fresh: dict[str, bytes] = {}
        self._files = self._read()
        self._saved = time.monotonic()
        self._inside, self._calls = "", 0

    def __call__(
        self, work: Callable[[Item], Outcome], items: Iterable[Item], done: Callable[[Outcome], None] = nobody
    ) -> list[Outcome]:
        """The outcomes in the order of the items. Raises OutputError."""
        self._calls += 1
        call = f"{self._inside}{self._calls}"
        return told((self._one(work, item, f"{call}:{index}/") for index, item in enumerate(items)), done)

    def clear(self) -> None:
        """Forgets all, when the stage has left a checkpoint of its own."""
        for path in self._room.glob(f"{self._stage}-*.part"):
            path.unlink(missing_ok=True)

    def _one(self, work: Callable[[Item], Outcome], item: Item, name: str) -> Outcome:
        known = self._known.pop(name, None)
        if known is None:
            with self._within(name):
                known = self._fresh[name] = pickle.dumps(work(item))
            self._keep()
        found: Outcome = pickle.loads(known)
        return found

    @contextmanager
    def _within(self, name: str) -> Iterator[None]:
        """Calls made by the item of that name are counted for themselves."""
        around, self._inside, self._calls = (self._inside, self._calls), name, 0
        try:
            yield
        finally:
            self._inside, self._calls = around

    def _keep(self) -> None:
        if time.monotonic() - self._saved >= KEEP_EVERY_S:
            save_record(self._room / f"{self._stage}-{self._files:05d}.part", self._fresh)
            self._files, self._fresh, self._saved = self._files + 1, {}, time.monotonic()

    def _read(self) -> int:
        """Takes in what earlier attempts kept; a file that cannot be read is done again. How many there are."""
        paths = sorted(self._room.glob(f"{self._stage}-*.part"))
        for path in paths:
            try:
                found: dict[str, Any] = load_record(path)
            except ResultFileError:
                continue
            self._known.update(found)
        return len(paths)
