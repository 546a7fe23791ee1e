"""What was found about a device that a filter may or may not mend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.records.curves import Curves
from scanproc.waves.biquads import Kind


@dataclass(frozen=True)
class Estimate:
    """A value and its standard error."""

    value: float
    error: float


@dataclass(frozen=True)
class Resonance:
    """A pole that the directions share.

    ``frequency_hz``, ``q``; levels in dB of the response with it over the one without, negative for a dip, on the axis,
    in the listening window and in the sound power. ``standing``: its strength in standard errors, in the middle one of
    all directions; ``common``: the share of all directions in which it stands outside its 95 % error bar.
    """

    frequency_hz: Estimate
    q: Estimate
    axis_db: Estimate
    window_db: Estimate
    power_db: Estimate
    standing: float
    common: float

    @property
    def ring_s(self) -> float:
        """Seconds in which it falls by 60 dB: ln(1000) Q/πf."""
        return float(np.log(1000) * self.q.value / (np.pi * self.frequency_hz.value))


@dataclass(frozen=True)
class Resonances:
    """What was found, up to the Q that the frequencies of the scan resolve, within ``band_hz``."""

    found: tuple[Resonance, ...]
    highest_q: float
    band_hz: tuple[float, float]


@dataclass(frozen=True, eq=False)
class Mendable:
    """By frequency (F,): ``wanted_db`` the curve to mend less its target, ``error_db`` its standard error, and
    ``serves`` whether taking that away brings direct sound, early reflections and sound power all nearer to their own
    targets; ``left_db`` (3, F) is what would be left in them, however it is filtered. ``band_hz``: where filters may
    act at all."""

    frequency_hz: Real
    curve: str
    wanted_db: Real
    error_db: Real
    serves: Boolean
    left_db: Real
    band_hz: tuple[float, float]


@dataclass(frozen=True)
class Band:
    """One second-order section of the cookbook."""

    kind: Kind
    frequency_hz: float
    q: float
    gain_db: float


@dataclass(frozen=True, eq=False)
class Proposal:
    """``bands`` that bring the curve nearest to its target; ``rms_db`` what was off with 0, 1, 2 ... bands, on and on
    to the most that were allowed. ``headroom_db``: what the drive must be lowered by, so that no frequency is louder
    than before."""

    bands: tuple[Band, ...]
    rms_db: tuple[float, ...]
    headroom_db: float
    sampling_rate_hz: float


@dataclass(frozen=True)
class Elsewhere:
    """A curve or place: rms departure in dB from its target before and after, over the band of the filters."""

    name: str
    before_db: float
    after_db: float


@dataclass(frozen=True, eq=False)
class Advice:
    """All of it; ``before`` and ``after`` hold the curves without and with the filters, gain for headroom included."""

    resonances: Resonances
    mendable: Mendable
    proposal: Proposal
    before: Curves
    after: Curves
    elsewhere: tuple[Elsewhere, ...]
