"""What to scan next, where a scan's points do not suffice."""

from __future__ import annotations

from dataclasses import dataclass

from scanproc.conventions import Real
from scanproc.records.answers.scan_plan import Positions
from scanproc.records.checked import positive, real_array, short_repr


@short_repr
@dataclass(frozen=True, eq=False)
class NextPass:
    """More points for a scan of ``points``, in the order of travel, and what they should bring.

    By third-octave band (B,), rising: ``band_hz``; ``now_db``, the predicted far-field error of the scan; ``then_db``,
    the error told with the new points, NaN where it cannot be told; ``reason`` (B,) why not, or nothing.
    Raises ScanDataError when a shape or a value cannot be used.
    """

    target_db: float
    points: int
    band_hz: Real
    now_db: Real
    then_db: Real
    reason: tuple[str, ...]
    positions: Positions
    seconds_per_point: float

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "band_hz", real_array("band_hz", self.band_hz, ("bands",)))
        for name in ("now_db", "then_db"):
            put(self, name, real_array(name, getattr(self, name), (len(self.band_hz),), finite=False))
        put(self, "seconds_per_point", positive("seconds_per_point", self.seconds_per_point))

    @property
    def total(self) -> int:
        return len(self.positions.position_m)
