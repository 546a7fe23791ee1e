"""How well an expansion gives back what was measured, point by point."""

from __future__ import annotations

from dataclasses import dataclass

from scanproc.conventions import Integer, Real
from scanproc.records.checked import integer_array, real_array


@dataclass(frozen=True, eq=False)
class PointErrors:
    """``error_db`` (points, B): |measured - expansion|² at each point re the mean |measured|² over all points, at
    the frequencies ``frequency_hz`` (B,). The points served the fit, so this is a residual, not a held-out error: it
    finds odd points, it does not judge the fit. NaN where the two agree to the last digit. ``names`` of the points,
    absent: their numbers from 1."""

    position_m: Real
    frequency_hz: Real
    error_db: Real
    layer: Integer | None = None
    names: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "position_m", real_array("position_m", self.position_m, ("points", 3)))
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        shape = (len(self.position_m), len(self.frequency_hz))
        put(self, "error_db", real_array("error_db", self.error_db, shape, finite=False))
        if self.layer is not None:
            put(self, "layer", integer_array("layer", self.layer, shape[:1]))
        if not self.names:
            put(self, "names", tuple(str(number) for number in range(1, shape[0] + 1)))
