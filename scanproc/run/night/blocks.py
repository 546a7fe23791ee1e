"""A scan cut by frequency, and the checkpoint that each block leaves.

Where the cuts lie depends on scan and settings alone, never on the number of workers or their memory, so that
any of them gives the same bytes. Only a block that has cost a worker its life is halved.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from scanproc.errors import ResultFileError
from scanproc.files.atomic import whole_file
from scanproc.files.stored.result_file import read_result, write_result
from scanproc.records.answers.result import Result
from scanproc.records.fitted.expansion import Expansion, join
from scanproc.records.fitted.room import RoomReport, join_reports

Block: TypeAlias = tuple[int, int]
"""First and one beyond the last frequency."""

Part: TypeAlias = tuple[Expansion, RoomReport]
"""Some frequencies of the device's field, and what was done about the room at them."""

BLOCK_FLOP = 2e11
"""Work that a block should hold: 10 to 20 s on one core."""
BLOCK_VALUES = 2**22
"""Most pressures in a block (64 MiB)."""


@dataclass(frozen=True)
class Shape:
    """What the work on a scan is like: ``flop`` of each frequency, and ``shared_flop`` that any block needs once."""

    points: int
    flop: tuple[float, ...]
    shared_flop: float = 0.0

    @property
    def frequencies(self) -> int:
        return len(self.flop)


def shape_of(points: int, modes: int, columns: Sequence[int]) -> Shape:
    """The work on a scan: a basis of so many ``columns`` for each frequency, 0 where ``modes`` shared ones serve it."""
    flop = tuple(float(8 * points * (count**2 if count else modes)) for count in columns)
    return Shape(points, flop, 0.0 if all(columns) else float(4 * points * modes**2))


def cut(shape: Shape) -> tuple[Block, ...]:
    """Blocks of frequencies of about BLOCK_FLOP each, or twice the shared part if that is more."""
    wanted = max(BLOCK_FLOP - shape.shared_flop, 2 * shape.shared_flop)
    done = np.cumsum(shape.flop)
    by_work = np.floor((done - np.array(shape.flop) / 2) / wanted).astype(int)
    by_size = np.arange(shape.frequencies) // max(1, BLOCK_VALUES // shape.points)
    starts = np.flatnonzero((np.diff(by_work, prepend=-1) > 0) | (np.diff(by_size, prepend=-1) > 0))
    return tuple((int(a), int(b)) for a, b in pairwise([*starts, shape.frequencies]))


def halves(block: Block) -> list[Block]:
    """A block in two; one of a single frequency stays whole."""
    start, stop = block
    middle = (start + stop) // 2
    return [(start, middle), (middle, stop)] if middle > start else [block]


def missing(room: Path, blocks: Sequence[Block]) -> list[Block]:
    """Blocks without a checkpoint, neither of the whole nor of both halves."""
    return [block for block in blocks if not list(_files(room, block))]


def save_record(path: Path, record: object) -> None:
    """Keeps any record of the work so far, whole or not at all. Raises OutputError."""
    with whole_file(path) as draft:
        draft.write_bytes(pickle.dumps(record))


def load_record(path: Path) -> Any:
    """A record that :func:`save_record` kept. Raises ResultFileError."""
    try:
        return pickle.loads(path.read_bytes())
    except (OSError, pickle.UnpicklingError, EOFError) as error:
        raise ResultFileError(f"a checkpoint has gone ({error}): start the batch again", path=path) from error


def save(room: Path, block: Block, part: Part) -> None:
    """Writes the checkpoint of a block, whole or not at all. Raises OutputError."""
    write_result(_file(room, block), Result(part[0], room=part[1]))


def load(room: Path, blocks: Sequence[Block]) -> Part:
    """What all blocks hold, joined. Raises ResultFileError."""
    parts = []
    for block in blocks:
        files = list(_files(room, block))
        if not files:
            raise ResultFileError("a checkpoint has gone: start the batch again", path=_file(room, block))
        parts += [read_result(file) for file in files]
    reports = [part.room for part in parts if part.room is not None]
    return join([part.expansion for part in parts]), join_reports(reports)


def _files(room: Path, block: Block) -> Iterator[Path]:
    """The checkpoint of a block or those of its parts; nothing when any part lacks."""
    file = _file(room, block)
    if file.is_file():
        yield file
    elif block[1] - block[0] > 1:
        parts = [list(_files(room, half)) for half in halves(block)]
        if all(parts):
            yield from (part for both in parts for part in both)


def _file(room: Path, block: Block) -> Path:
    return room / f"frequencies-{block[0]:05d}-{block[1]:05d}.h5"
