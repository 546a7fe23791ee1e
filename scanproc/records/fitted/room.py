"""What was done about the room, and what it sounded like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Real
from scanproc.records.checked import real_array, short_repr


@dataclass(frozen=True, eq=False)
class Gate:
    """A time window: one until ``taper_s`` before its end, then half a Hann window.

    ``end_s`` (points,) counts from the drive; ``source`` says where it comes from; ``length_s`` is the
    shortest time from the direct sound to the end at any point.
    """

    end_s: Real
    taper_s: float
    length_s: float
    source: str

    @property
    def lowest_valid_hz(self) -> float:
        """1/T (Struck and Temme 1994, from memory): nothing below it can be trusted."""
        return 1 / self.length_s


@short_repr
@dataclass(frozen=True, eq=False)
class RoomReport:
    """How the room was taken out, per frequency (F,) and in words.

    ``gated_share``: how far gated sound was fitted, 0 to 1. ``modelled_share``: 1 where the room's sound was part of
    the model, told from the device's by the points. ``incoming_db``: the room's sound at the points over the device's,
    NaN where it was not modelled. ``gate_source`` and ``gate_length_s`` as in :class:`Gate`; ``shared_hz`` (from, to):
    where whole and gated sound were both fitted; None where there was no gate. ``warnings`` say where the room remains.
    """

    frequency_hz: Real
    gated_share: Real
    modelled_share: Real
    incoming_db: Real
    gate_source: str | None = None
    gate_length_s: float | None = None
    shared_hz: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        for name in ("gated_share", "modelled_share", "incoming_db"):
            value = real_array(name, getattr(self, name), (len(self.frequency_hz),), finite=False)
            put(self, name, value)

    @property
    def method(self) -> str:
        """ "none", "gate", "model" or "gate and model"."""
        used = [("gate", self.gated_share), ("model", self.modelled_share)]
        return " and ".join(name for name, share in used if np.any(share > 0)) or "none"

    @property
    def lowest_valid_hz(self) -> float | None:
        """Of the gate: 1/T."""
        return None if self.gate_length_s is None else 1 / self.gate_length_s


def join_reports(parts: Sequence[RoomReport]) -> RoomReport:
    """One report from those of blocks of frequencies, in rising frequency."""
    return replace(
        parts[0],
        frequency_hz=np.concatenate([part.frequency_hz for part in parts]),
        gated_share=np.concatenate([part.gated_share for part in parts]),
        modelled_share=np.concatenate([part.modelled_share for part in parts]),
        incoming_db=np.concatenate([part.incoming_db for part in parts]),
    )
