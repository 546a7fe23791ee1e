"""Where the predicted error of the far field comes from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Real
from scanproc.records.checked import real_array, short_repr

CAUSES = ("points", "room", "places", "level", "noise")
"""Too few points for what the device radiates; the room; errors of the points' places; of their gain; the rest."""


@short_repr
@dataclass(frozen=True, eq=False)
class Budget:
    """Of the predicted far-field error at some frequencies (S,), by ``CAUSES``.

    ``share`` (causes, S): of the error's power, which adds up to one; ``cured_db`` (causes, S): the error that would be
    left if that cause alone were gone (for the points: what the other causes leave), dB re the field's rms;
    ``error_db`` (S,) as it is. ``place_error_m`` along each axis and ``level_error`` of the points as the sound shows
    them, 0 where it does not; ``moved_rms_m`` of the displacements that were taken out. Raises ScanDataError when a
    shape or a value cannot be used.
    """

    frequency_hz: Real
    error_db: Real
    share: Real
    cured_db: Real
    place_error_m: float = 0.0
    level_error: float = 0.0
    moved_rms_m: float = 0.0

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        count = len(self.frequency_hz)
        put(self, "error_db", real_array("error_db", self.error_db, (count,), finite=False))
        for name in ("share", "cured_db"):
            put(self, name, real_array(name, getattr(self, name), (len(CAUSES), count), finite=False))

    def between(self, low_hz: float, high_hz: float) -> Budget:
        """At the frequencies from ``low_hz`` up to, not including, ``high_hz``."""
        here = (self.frequency_hz >= low_hz) & (self.frequency_hz < high_hz)
        parts = {
            name: getattr(self, name)[..., here] for name in ("frequency_hz", "error_db", "share", "cured_db")
        }
        return replace(self, **parts)

    def limiting(self) -> list[str]:
        """The cause with the largest share at each frequency."""
        return [CAUSES[int(row)] for row in np.argmax(np.nan_to_num(self.share), axis=0)]


def join(parts: Sequence[Budget]) -> Budget:
    """Budgets of rising frequencies one after another; places and levels as the last tells them."""
    return replace(
        parts[-1],
        frequency_hz=np.concatenate([part.frequency_hz for part in parts]),
        error_db=np.concatenate([part.error_db for part in parts]),
        share=np.concatenate([part.share for part in parts], axis=1),
        cured_db=np.concatenate([part.cured_db for part in parts], axis=1),
    )
