"""Where the predicted error of the far field comes from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Real
from scanproc.records.checked import real_array

CAUSES = ("points", "room", "places", "level", "noise")
"""Too few points for what the device radiates; the room; errors of the points' places; of their gain; the rest."""


@dataclass(frozen=True, eq=False)
class Budget:
    """Of the predicted far-field error at some frequencies (S,), by ``CAUSES``.

    ``share`` (causes, S): of the error's power, which adds up to one; ``cured_db`` (causes, S): the error that would be
    left if that cause alone were gone (for the points: if there were four times as many), dB re the field's rms;
    ``error_db`` (S,) as it is. Raises ScanDataError when a shape or a value cannot be used.
    """

    frequency_hz: Real
    error_db: Real
    share: Real
    cured_db: Real

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        count = len(self.frequency_hz)
        put(self, "error_db", real_array("error_db", self.error_db, (count,), finite=False))
        for name in ("share", "cured_db"):
            put(self, name, real_array(name, getattr(self, name), (len(CAUSES), count), finite=False))

    def limiting(self) -> list[str]:
        """The cause with the largest share at each frequency."""
        return [CAUSES[int(row)] for row in np.argmax(np.nan_to_num(self.share), axis=0)]
