"""Reads a foreign file for the first time: in a child process with limits on memory and time.

A malformed HDF5 file can crash the library, keep it busy for ever or make it ask for any amount of memory.
Run as ``python -m scanproc.run.night.inspection PATH MEMORY_BYTES SECONDS`` the module reads every value once and
prints one JSON document.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import subprocess
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from scanproc.errors import ScanDataError, ScanFileError, ScanprocError

MEMORY_BYTES = 768 * 2**20
"""What reading may take beyond the empty process."""
SECONDS = 60
BYTES_PER_SECOND = 5e6
"""A large file gets more time than SECONDS: as if it came from a slow disk."""


@dataclass(frozen=True)
class Inspected:
    """What the first reading found; ``appending``: the file is still being written."""

    scan_sha256: str
    points: int
    appending: bool


def inspect(path: Path, memory_bytes: int = MEMORY_BYTES, seconds: float | None = None) -> Inspected:
    """Reads all of a scan file in a limited child process. Raises ScanFileError or ScanDataError."""
    if seconds is None:
        seconds = SECONDS + _size(path) / BYTES_PER_SECOND
    call = [sys.executable, "-m", __name__, str(path), str(memory_bytes), str(int(seconds) + 1)]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    try:
        child = subprocess.run(
            call, capture_output=True, timeout=seconds, check=False, stdin=subprocess.DEVNULL, env=environment
        )
    except subprocess.TimeoutExpired:
        raise ScanFileError(_took_too_long(seconds), path=path) from None
    if child.returncode == -signal.SIGALRM:
        raise ScanFileError(_took_too_long(seconds), path=path)
    if child.returncode:
        raise ScanFileError(_crash(child.returncode), path=path)
    return _answer(path, json.loads(child.stdout))


def _answer(path: Path, found: dict[str, Any]) -> Inspected:
    if "error" not in found:
        return Inspected(**found)
    kind = ScanDataError if found["kind"] == "ScanDataError" else ScanFileError
    raise kind(found["error"], path=path)


def _took_too_long(seconds: float) -> str:
    return f"could not be read within {seconds:.0f} s: it is damaged, or its disk is too slow; copy it again"


def _crash(code: int) -> str:
    how = signal.Signals(-code).name if code < 0 else f"exit code {code}"
    return f"is damaged, reading it crashes the HDF5 library ({how}): copy it again or measure again"


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def read_all(path: Path) -> Inspected:
    """Reads every value of a scan, by blocks of points, in this very process; values are judged later."""
    from scanproc.files.hashing import file_hash
    from scanproc.files.stored.scan_file import open_scan

    with open_scan(path) as file:
        digest = file_hash(path)
        for sound in (file, *(file.harmonic(order) for order in file.harmonics)):
            sound.not_finite_points()
        return Inspected(digest, file.points, file.appending)


def _limit(memory_bytes: int, seconds: int) -> None:
    """Limits on this process: memory beyond what it has by now, time by the clock, no core file."""
    from scanproc.files.stored import scan_file  # noqa: F401  loaded before memory is measured

    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
    limit = pages * resource.getpagesize() + memory_bytes
    resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    signal.alarm(seconds)


def main(path: str, memory_bytes: str, seconds: str) -> None:
    """The child's work. Whatever kills it, the parent puts into words."""
    _limit(int(memory_bytes), int(seconds))
    try:
        found = asdict(read_all(Path(path)))
    except ScanprocError as error:
        found = {"kind": type(error).__name__, "error": error.message}
    except MemoryError:
        error_text = f"needs more than {int(memory_bytes) >> 20} MiB to be read: write it in smaller blocks"
        found = {"kind": "ScanFileError", "error": error_text}
    print(json.dumps(found))


if __name__ == "__main__":
    main(*sys.argv[1:])
