"""How work is spread over independent items: the caller of a step may say."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol, TypeVar

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


class Each(Protocol):
    """A map that keeps the order."""

    def __call__(self, work: Callable[[Item], Outcome], items: Iterable[Item]) -> list[Outcome]: ...


def in_turn(work: Callable[[Item], Outcome], items: Iterable[Item]) -> list[Outcome]:
    """One after another."""
    return [work(item) for item in items]
