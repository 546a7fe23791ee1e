"""How well a fit gives back what was measured, point by point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.records.checked import integer_array, real_array, short_repr


@short_repr
@dataclass(frozen=True, eq=False)
class PointErrors:
    """``error_db`` (points, B): |measured - fitted|² at each point re the mean |measured|² over all points, at the
    frequencies ``frequency_hz`` (B,); measured as the fit heard it, fitted with the room where that was part of the
    model, then over the share of a point's noise that such a fit leaves. The points served the fit, so this is a
    residual, not a held-out error: it finds odd points, it does not judge the fit. NaN where the two agree to the last
    digit. ``names`` of the points, absent: their numbers from 1.

    Raises ScanDataError when a shape or a value cannot be used."""

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

    def among(self, frequency_hz: Real) -> PointErrors | None:
        """Those at the given frequencies (any number), or None where there are none."""
        which = np.flatnonzero(np.isin(self.frequency_hz, frequency_hz))
        if not len(which):
            return None
        return replace(self, frequency_hz=self.frequency_hz[which], error_db=self.error_db[:, which])


def join(parts: Sequence[PointErrors]) -> PointErrors | None:
    """Frequencies of the same points side by side, rising; of one that comes twice the first. None of nothing."""
    if not parts:
        return None
    frequency, first = np.unique(np.concatenate([part.frequency_hz for part in parts]), return_index=True)
    errors = np.concatenate([part.error_db for part in parts], axis=1)
    return replace(parts[0], frequency_hz=frequency, error_db=errors[:, first])
