"""One batch per output directory: a lock that the system frees when its owner dies."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from filelock import FileLock, Timeout

from scanproc.errors import OutputError
from scanproc.files.atomic import output_errors


@contextmanager
def only_batch(path: Path) -> Iterator[None]:
    """Holds the lock file ``path``, the holder's name beside it. Raises OutputError that names who holds it."""
    holder = path.with_name("holder")
    lock = FileLock(path, timeout=0)
    with output_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        _take(lock, path, holder)
    try:
        with output_errors(holder):
            holder.write_text(_name(), encoding="utf-8")
        yield
    finally:
        holder.unlink(missing_ok=True)
        lock.release()


def _take(lock: FileLock, path: Path, holder: Path) -> None:
    try:
        lock.acquire()
    except Timeout:
        name = "another batch"
        with suppress(OSError):
            name = holder.read_text(encoding="utf-8", errors="replace") or name
        raise OutputError(
            f"another batch is at work here ({name}): wait for it, stop it, or choose another directory",
            path=path.parent.parent,
        ) from None


def _name() -> str:
    now = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
    return f"process {os.getpid()} on {socket.gethostname()}, since {now}"
