"""The same sweep at one place, played at several levels."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import ScanDataError
from scanproc.records.checked import increasing, integer_array, positive, real_array, short_repr


@dataclass(frozen=True)
class LevelLimits:
    """How much compression, dB, and total harmonic distortion, per cent, is allowed, and in which band, Hz."""

    compression_db: float
    distortion_percent: float
    lowest_hz: float
    highest_hz: float

    def __post_init__(self) -> None:
        for name in ("compression_db", "distortion_percent", "lowest_hz"):
            positive(name, getattr(self, name))
        if self.highest_hz <= self.lowest_hz:
            raise ScanDataError(
                f"no frequency lies between {self.lowest_hz:g} and {self.highest_hz:g} Hz: widen the band"
            )


@short_repr
@dataclass(frozen=True, eq=False)
class DriveLevels:
    """By drive level (L) and frequency of excitation ``frequency_hz`` (F,).

    ``drive_v`` (L,) in the order in which they were played; ``level_db`` (L, F) of the fundamental, dB re 20 µPa;
    ``compression_db`` (L, F): by how much it is below what would be in proportion to the first. ``order`` (N,) of
    harmonics; ``harmonic_db`` and ``floor_db`` (N, L, F): their level re the fundamental, and what 99 % of noise alone
    would show, NaN beyond their band. ``total_db`` and ``total_floor_db`` (L, F) of all of them. ``drift_db`` (F,): the
    level of the first drive, played again at the end, re the first time; None where it was not.
    Raises ScanDataError when a shape or a value cannot be used.
    """

    frequency_hz: Real
    drive_v: Real
    level_db: Real
    compression_db: Real
    order: Integer
    harmonic_db: Real
    floor_db: Real
    total_db: Real
    total_floor_db: Real
    drift_db: Real | None
    names: tuple[str, ...]

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        increasing("frequency_hz", self.frequency_hz)
        put(self, "drive_v", real_array("drive_v", self.drive_v, ("levels",)))
        if len(self.drive_v) < 2 or np.any(self.drive_v <= 0):
            raise ScanDataError("drive_v must hold two levels or more, all above zero")
        put(self, "order", integer_array("order", self.order, ("orders",)))
        shape = (len(self.drive_v), len(self.frequency_hz))
        for name in ("level_db", "compression_db"):
            put(self, name, real_array(name, getattr(self, name), shape))
        for name in ("total_db", "total_floor_db"):
            put(self, name, real_array(name, getattr(self, name), shape, finite=False))
        for name in ("harmonic_db", "floor_db"):
            put(self, name, real_array(name, getattr(self, name), (len(self.order), *shape), finite=False))
        if self.drift_db is not None:
            put(self, "drift_db", real_array("drift_db", self.drift_db, shape[1:]))
