"""Resonances, what a filter can mend, and filters: the recipe from an expansion to advice."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Boolean, Real, level_db
from scanproc.errors import SettingsError
from scanproc.records.answers.advice import Advice, Departures, Effect, Proposal
from scanproc.records.answers.curves import Curve, Curves
from scanproc.records.fitted.expansion import Expansion
from scanproc.steps.advise.bands import Limits, changed_rms, propose
from scanproc.steps.advise.departures import FEWEST_FREQUENCIES, Target, Together, at_seats, in_room
from scanproc.steps.advise.resonances import resonances
from scanproc.steps.farfield.curves import derived_curves
from scanproc.steps.farfield.filters import Biquad, Simple, Stage, filtered
from scanproc.steps.farfield.headline import headline
from scanproc.steps.farfield.sets import STRAIGHT, Angles, Turn, direction_set, listed_angles, seat_angles

SIDEWAYS_DEG = (-60, -30, 30, 60)
PARTS = 3
FLAT = Target()
TARGET_DB = -25.0
RATES_HZ = (48000.0, 96000.0, 192000.0, 384000.0)


@dataclass(frozen=True)
class Wish:
    """What filters are for. ``bands``: at most so many, that raise nothing by more than ``boost_db`` over the median.
    ``from_hz`` and ``up_to_hz``: where they act; unless said, from where the axis has fallen by 6 dB, and where the
    predicted far-field error is no larger than ``error_db`` if that leaves enough. ``rate_hz``: their sampling rate,
    unless said the lowest usual one that the result allows. ``seats_m``: x, y, z of seats; then they are for the direct
    sound there. The device is turned by ``turn`` first."""

    target: Target = FLAT
    bands: int = 5
    boost_db: float = 3.0
    from_hz: float | None = None
    up_to_hz: float | None = None
    error_db: float = TARGET_DB
    rate_hz: float | None = None
    turn: Turn = STRAIGHT
    seats_m: Sequence[Sequence[float]] = ()
    together: Together = "mean"


def advice(expansion: Expansion, wish: Wish, part: Callable[[int], None] = lambda done: None) -> Advice:
    """Resonances, what a filter can mend, and filters; ``part`` is told how many of ``PARTS`` are done.

    Raises ScanDataError and SettingsError.
    """
    rate = _rate(expansion, wish.rate_hz)
    part(0)
    before = derived_curves(expansion, turn=wish.turn)
    sideways = _listening(expansion, _sideways(), wish.turn)
    seats = _at_seats(expansion, wish)
    band = _band(before, expansion.far_field_error_db, wish)
    room = in_room(before, wish.target, band, sideways)
    wanted = room
    if seats:
        wanted = at_seats(before.frequency_hz, seats, wish.target, band, wish.together)
    part(1)
    found = resonances(expansion, wish.turn)
    part(2)
    proposal = propose(wanted, Limits(wish.bands, wish.boost_db, rate))
    driven = filtered(expansion, stages(proposal))
    after = derived_curves(driven, turn=wish.turn)
    part(3)
    return Advice(
        found,
        wanted,
        proposal,
        _effects(room, wanted, proposal),
        replace(before, curves=(*before.curves, *seats)),
        replace(after, curves=(*after.curves, *_at_seats(driven, wish))),
    )


def stages(proposal: Proposal) -> list[Stage]:
    """The gain for headroom and the bands, as drive filters."""
    rate = proposal.sampling_rate_hz
    bands = (Biquad(one.kind, one.frequency_hz, one.q, one.gain_db, rate) for one in proposal.bands)
    return [Simple(gain_db=-proposal.headroom_db), *bands]


def _rate(expansion: Expansion, wished_hz: float | None) -> float:
    highest = float(expansion.frequency_hz[-1])
    rate = (
        next((one for one in RATES_HZ if highest < one / 2), RATES_HZ[-1]) if wished_hz is None else wished_hz
    )
    if highest >= rate / 2:
        raise SettingsError(
            f"filters at {rate:g} Hz end at {rate / 2:g} Hz, the result reaches {highest:g} Hz: raise the sampling rate"
        )
    return rate


def _band(curves: Curves, error_db: Real, wish: Wish) -> tuple[float, float]:
    hz = curves.frequency_hz
    low, high = float(hz[0]), float(hz[-1])
    fallen = headline(curves).low_limit["-6 dB"]
    loud = hz >= (low if fallen is None else fallen.value)
    first, last = _widest(hz, loud & (error_db <= wish.error_db)) or _widest(hz, loud) or (low, high)
    start, end = wish.from_hz or first, wish.up_to_hz or last
    if start < low * (1 - 1e-9) or end > high * (1 + 1e-9) or start >= end:
        raise SettingsError(
            f"filters must act within the result's {low:g} to {high:g} Hz, got {start:g} to {end:g} Hz: change the band"
        )
    return start, end


def _widest(hz: Real, chosen: Boolean) -> tuple[float, float] | None:
    """Ends of the widest stretch of neighbours, in octaves, that is long enough for filters."""
    edge = np.diff(np.concatenate([[0], chosen, [0]]))
    stretches = zip(np.flatnonzero(edge == 1), np.flatnonzero(edge == -1) - 1, strict=True)
    pairs = [(hz[a], hz[b]) for a, b in stretches if b - a + 1 >= FEWEST_FREQUENCIES]
    if not pairs:
        return None
    low, high = max(pairs, key=lambda pair: pair[1] / pair[0])
    return float(low), float(high)


def _sideways() -> Angles:
    return listed_angles("sideways", [(angle, 0) for angle in SIDEWAYS_DEG])


def _at_seats(expansion: Expansion, wish: Wish) -> list[Curve]:
    if not len(wish.seats_m):
        return []
    return _listening(expansion, seat_angles("seats", wish.seats_m), wish.turn)


def _listening(expansion: Expansion, angles: Angles, turn: Turn) -> list[Curve]:
    """Levels in free space; at seats those there, else at 1 m."""
    found = direction_set(expansion, angles, turn)
    distance: Real = np.ones(found.angles) if found.distance_m is None else found.distance_m
    level = level_db(found.pressure_pa_m / distance[:, None], found.drive_voltage_v)
    if found.distance_m is None:
        names = [f"{abs(angle)} deg {'left' if angle > 0 else 'right'}" for angle in SIDEWAYS_DEG]
    else:
        names = [f"seat {number + 1}" for number in range(found.angles)]
    rows = zip(names, level, found.standard_error_db, strict=True)
    return [Curve(name, "dB", value, error) for name, value, error in rows]


def _effects(room: Departures, wanted: Departures, proposal: Proposal) -> tuple[Effect, ...]:
    """The room, what is served, angles to the side, and seats."""
    rows = [(room.curve, room.off_db), *zip(room.others, room.others_db, strict=True)]
    if wanted is not room:
        rows += zip(wanted.others, wanted.others_db, strict=True)
    return tuple(
        Effect(name, changed_rms(room, off), changed_rms(room, off + proposal.level_db)) for name, off in rows
    )
