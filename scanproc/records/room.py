"""What was done about the room, and what it sounded like."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.expansion import Expansion


@dataclass(frozen=True, eq=False)
class Separation:
    """The device's field and what arrived from outside, told apart by two layers of points.

    ``outgoing``: the device. ``incoming_db`` (F,): incoming over outgoing sound, mean square over the sphere
    of the scaling radius, dB. ``noise_gain_db`` (F,): by how much separating raises the noise in the far field,
    against outgoing terms alone. ``usable`` (F,): where the layers can tell the two apart.
    """

    outgoing: Expansion
    incoming_db: Real
    noise_gain_db: Real
    usable: Boolean


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


@dataclass(frozen=True, eq=False)
class RoomReport:
    """How the room was taken out, per frequency (F,) and in words.

    ``method``: "none", "gate", "separate" or "gate and separate". ``gated_share``: the weight of the gated
    result, 0 where the separated (or plain) one is used alone. ``separated``: where outgoing and incoming
    sound were told apart. ``incoming_db`` and ``noise_gain_db`` as in :class:`Separation`, NaN where the two
    were not. ``gate`` and ``blend_hz`` (from, to) are None where there was none.
    """

    frequency_hz: Real
    method: str
    gated_share: Real
    separated: Boolean
    incoming_db: Real
    noise_gain_db: Real
    gate: Gate | None = None
    blend_hz: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()

    @property
    def separated_up_to_hz(self) -> float | None:
        """The highest frequency whose incoming sound was taken out by separation."""
        used = self.separated & (self.gated_share < 1)
        return float(self.frequency_hz[used][-1]) if np.any(used) else None
