"""Sound on its way into a scan file, block by block, so that it need not fit into memory."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from numpy.typing import NDArray

from scanproc.conventions import Boolean, Real
from scanproc.records.measured.scan import ScanSetup


@dataclass(frozen=True, eq=False)
class SoundStream:
    """A scan whose sound comes as ``blocks`` of consecutive points, each (some points, ``columns``).

    Spectra (complex, Pa) when ``frequency_hz`` (F,) is given, else impulse responses or recordings (real) with
    ``sampling_rate_hz``, ``time_zero_s``; ``itemsize`` is the number of bytes worth keeping of one value.
    ``band_hz``: where a harmonic is told by its window.
    ``clipped`` says, once all blocks have come, which points' recordings were clipped (points,).
    """

    setup: ScanSetup
    columns: int
    blocks: Iterator[NDArray[Any]]
    frequency_hz: Real | None = None
    sampling_rate_hz: float = 0.0
    time_zero_s: float = 0.0
    itemsize: int = 8
    band_hz: tuple[float, float] | None = None
    clipped: Callable[[], Boolean] | None = None

    @property
    def bytes(self) -> int:
        """Size of all sound."""
        return self.setup.points * self.columns * self.itemsize
