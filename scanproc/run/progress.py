"""How a job tells how far it is: a call per step, with no say in how it is shown."""

from __future__ import annotations

from typing import Protocol

LONGEST_SILENCE_S = 60.0
"""A job says at least so often that it is at work."""


class Progress(Protocol):
    """Told what is being done and how many of how many parts are done."""

    def __call__(self, what: str, done: int, total: int) -> None: ...


def silent(what: str, done: int, total: int) -> None:
    """Progress that nobody watches."""
