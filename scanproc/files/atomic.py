"""Whole or not at all: a file or a directory appears complete, or the old state stays.

Drafts are built in a hidden *room* beside the target (``.NAME.xxxxxxxx.partial``) and moved in by rename. The
room is locked while its owner lives; the system frees the lock at death, so the next run knows a killed run's
room and clears it, giving back an old directory that the kill caught halfway through a swap.
"""

from __future__ import annotations

import fcntl
import os
import re
import secrets
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from scanproc.errors import OutputError


@contextmanager
def whole_file(path: Path | str) -> Iterator[Path]:
    """Yields a draft path to write to; on leaving, the draft takes the place of ``path``.

    Raises OutputError, with ``path`` untouched, when anything cannot be written.
    """
    target = Path(path)
    with output_errors(target), _room_beside(target) as room:
        if target.is_dir():
            raise OutputError("is a directory, a file was needed: choose another name", path=target)
        draft = room / target.name
        yield draft
        _sync(draft)
        os.replace(draft, target)
        _sync(target.parent)


@contextmanager
def whole_directory(path: Path | str, refuse: Callable[[Path], None] | None = None) -> Iterator[Path]:
    """Yields an empty directory to fill; on leaving, it takes the place of ``path``.

    An existing directory is replaced when it is empty, or when ``refuse`` is given and, asked before and after the
    work, raises nothing (see :mod:`scanproc.files.replacing`).

    Raises OutputError, with ``path`` untouched, when anything cannot be written.
    """
    target = Path(os.path.realpath(path))
    with output_errors(target), _room_beside(target) as room:
        _refuse_to_lose(target, refuse)
        new = room / "new"
        new.mkdir()
        yield new
        _refuse_to_lose(target, refuse)
        _sync_tree(new)
        _swap(new, target, room / "old")


def clear_leftovers(path: Path | str) -> None:
    """Removes what killed runs left beside ``path``, giving back a directory caught in a swap."""
    target = Path(path)
    if target.parent.is_dir():
        for room in target.parent.glob(f".{_escaped(target.name)}.*.partial"):
            lock = _lock(room)
            if lock is not None:
                _leave(room, target)
                os.close(lock)


@contextmanager
def output_errors(path: Path) -> Iterator[None]:
    """Turns what the system says about writing into one line."""
    try:
        yield
    except OSError as error:
        what = error.strerror or system_words(error) or type(error).__name__
        where = f" ({error.filename})" if error.filename and str(error.filename) != str(path) else ""
        raise OutputError(
            f"could not be written: {what}{where}; nothing is left half-written: "
            "check free space and permissions, then run again",
            path=path,
        ) from error


def system_words(error: Exception) -> str:
    """What the system said, also where HDF5 has packed it into words of its own ("errno = 27")."""
    text = " ".join(str(error).split())
    number = re.search(r"errno = (\d+)", text)
    return os.strerror(int(number[1])) if number else text


@contextmanager
def _room_beside(target: Path) -> Iterator[Path]:
    clear_leftovers(target)
    room = target.parent / f".{target.name}.{secrets.token_hex(4)}.partial"
    room.mkdir(parents=True)
    lock = _lock(room)
    try:
        yield room
    finally:
        _leave(room, target)
        if lock is not None:
            os.close(lock)


def _leave(room: Path, target: Path) -> None:
    """Clears a room; keeps it when it holds the only copy of an old directory that cannot go back."""
    old = room / "old"
    with suppress(OSError):
        if old.exists() and not target.exists():
            os.rename(old, target)
        shutil.rmtree(room, ignore_errors=True)


def _lock(room: Path) -> int | None:
    """A descriptor that holds the room's lock, None when someone alive holds it (or locks are unknown)."""
    try:
        descriptor = os.open(room, os.O_RDONLY)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        return None
    return descriptor


def _refuse_to_lose(target: Path, refuse: Callable[[Path], None] | None) -> None:
    if not os.path.lexists(target):
        return
    if not target.is_dir():
        raise OutputError("is a file, a directory was needed: choose another name", path=target)
    if any(target.iterdir()):
        if refuse is None:
            raise OutputError("exists already: choose another directory", path=target)
        refuse(target)


def _swap(new: Path, target: Path, old: Path) -> None:
    if target.exists():
        os.rename(target, old)
    os.rename(new, target)
    _sync(target.parent)


def _sync_tree(top: Path) -> None:
    for directory, _, files in os.walk(top):
        for name in files:
            _sync(Path(directory, name))
        _sync(Path(directory))


def _sync(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _escaped(name: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in name)
