"""What was found about a device that a filter may or may not mend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Real
from scanproc.records.answers.curves import Curves
from scanproc.waves.biquads import Kind


@dataclass(frozen=True)
class Estimate:
    """A value and its standard error."""

    value: float
    error: float


@dataclass(frozen=True)
class Resonance:
    """A pole that the directions share.

    ``frequency_hz``, ``q``; levels in dB of the response with it over the one without, negative for a dip, on the
    axis, in the listening window and in the sound power. ``standing``: its strength in standard errors, in the middle
    one of all directions; ``common``: the share of all directions in which it stands outside its 95 % error bar.
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
class Departures:
    """How far curves are off, over the frequencies (F,) where filters may act.

    ``off_db`` (F,): the curve to mend, ``curve``, less its target; ``error_db`` (F,) its standard error; ``bears_db``
    (F,) the part of it that may be taken away, ``shared_db`` (F,) that part had it no error;
    ``others_db`` (others, F): those in ``others`` less their targets.
    ``weight`` (F,) sums to one, even over log f.
    """

    frequency_hz: Real
    curve: str
    off_db: Real
    error_db: Real
    shared_db: Real
    bears_db: Real
    others: tuple[str, ...]
    others_db: Real
    weight: Real


@dataclass(frozen=True)
class Band:
    """One second-order section of the cookbook."""

    kind: Kind
    frequency_hz: float
    q: float
    gain_db: float


@dataclass(frozen=True, eq=False)
class Proposal:
    """``bands`` that take away what may be taken away.

    ``left_db``: rms of that part still there with 0, 1, 2 ... bands, to the most that were allowed; ``off_db`` the
    same of the whole departure of the curve. ``headroom_db``: what the drive must be lowered by so that it is nowhere
    louder than before, ``quieter_db`` by how much the mean level falls then. ``level_db`` (F,): what the bands do at
    the frequencies of the departures.
    """

    bands: tuple[Band, ...]
    left_db: tuple[float, ...]
    off_db: tuple[float, ...]
    headroom_db: float
    quieter_db: float
    sampling_rate_hz: float
    level_db: Real


@dataclass(frozen=True)
class Effect:
    """A curve or place: rms departure in dB from its target before and after, over the band of the filters."""

    name: str
    before_db: float
    after_db: float


@dataclass(frozen=True, eq=False)
class Advice:
    """All of it; ``before`` and ``after`` hold the curves without and with the filters, gain for headroom included."""

    resonances: Resonances
    departures: Departures
    proposal: Proposal
    effects: tuple[Effect, ...]
    before: Curves
    after: Curves
