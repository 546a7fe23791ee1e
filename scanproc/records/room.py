"""What was done about the room, and what it sounded like."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.checked import real_array
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

    ``gated_share``: weight of the gated result, 0 to 1. ``separated_share``: weight of the result in which
    outgoing and incoming sound were told apart; what is left to one still holds the room. ``incoming_db`` and
    ``noise_gain_db`` as in :class:`Separation`, NaN where the two were not told apart. ``gate_source`` and
    ``gate_length_s`` as in :class:`Gate`, ``blend_hz`` (from, to): None where there was none. ``warnings`` say where
    the room remains.
    """

    frequency_hz: Real
    gated_share: Real
    separated_share: Real
    incoming_db: Real
    noise_gain_db: Real
    gate_source: str | None = None
    gate_length_s: float | None = None
    blend_hz: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        for name in ("gated_share", "separated_share", "incoming_db", "noise_gain_db"):
            value = real_array(name, getattr(self, name), (len(self.frequency_hz),), finite=False)
            put(self, name, value)

    @property
    def method(self) -> str:
        """ "none", "gate", "separate" or "gate and separate"."""
        used = [("gate", self.gated_share), ("separate", self.separated_share)]
        return " and ".join(name for name, share in used if np.any(share > 0)) or "none"

    @property
    def separated_up_to_hz(self) -> float | None:
        """The highest frequency at which separation had a part."""
        used = self.frequency_hz[self.separated_share > 0]
        return float(used[-1]) if len(used) else None

    @property
    def lowest_valid_hz(self) -> float | None:
        """Of the gate: 1/T."""
        return None if self.gate_length_s is None else 1 / self.gate_length_s


def join_reports(parts: Sequence[RoomReport]) -> RoomReport:
    """One report from those of blocks of frequencies, in rising frequency."""
    first = parts[0]
    return replace(
        first,
        frequency_hz=np.concatenate([part.frequency_hz for part in parts]),
        gated_share=np.concatenate([part.gated_share for part in parts]),
        separated_share=np.concatenate([part.separated_share for part in parts]),
        incoming_db=np.concatenate([part.incoming_db for part in parts]),
        noise_gain_db=np.concatenate([part.noise_gain_db for part in parts]),
    )
