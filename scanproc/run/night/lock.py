"""One batch per output directory: a lock that the system frees when its owner dies."""

from __future__ import annotations

import fcntl
import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path

from scanproc.errors import OutputError
from scanproc.files.atomic import output_errors


@contextmanager
def only_batch(path: Path) -> Iterator[None]:
    """Holds the lock file ``path``. Raises OutputError that names the batch which holds it."""
    with output_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o666)
    try:
        with output_errors(path):
            _take(descriptor, path)
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, _name().encode(), 0)
        yield
    finally:
        os.close(descriptor)


def _take(descriptor: int, path: Path) -> None:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        holder = os.pread(descriptor, 300, 0).decode("utf-8", "replace") or "another batch"
        raise OutputError(
            f"another batch is at work here ({holder}): wait for it, stop it, or choose another directory",
            path=path.parent.parent,
        ) from None


def _name() -> str:
    now = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")
    return f"process {os.getpid()} on {socket.gethostname()}, since {now}"
