"""How work is spread over independent items: the caller of a step may say."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Protocol, TypeVar

Item = TypeVar("Item")
Outcome = TypeVar("Outcome")


class Each(Protocol):
    """A map that keeps the order; ``done`` hears of each outcome, here, when it and those before it are there."""

    def __call__(
        self,
        work: Callable[[Item], Outcome],
        items: Iterable[Item],
        done: Callable[[Outcome], None] = ...,
    ) -> list[Outcome]: ...


def nobody(_: object) -> None:
    """Hears of nothing."""


def in_turn(
    work: Callable[[Item], Outcome], items: Iterable[Item], done: Callable[[Outcome], None] = nobody
) -> list[Outcome]:
    """One after another."""
    return told(map(work, items), done)


def told(outcomes: Iterable[Outcome], done: Callable[[Outcome], None]) -> list[Outcome]:
    """Outcomes as a list, each told to ``done`` as it comes."""
    found = []
    for outcome in outcomes:
        found.append(outcome)
        done(outcome)
    return found
