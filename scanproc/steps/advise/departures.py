"""How far a device is off its target, and how much of that a filter can take away without a trade.

A filter changes direct sound, early reflections and sound power alike. Where these differ from the curve to mend by
more than a straight line over log f, directivity jumps, and what mends one spoils another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from scanproc.conventions import Boolean, Real
from scanproc.errors import ScanDataError
from scanproc.records.answers.advice import Departures
from scanproc.records.answers.curves import Curve, Curves

IN_ROOM = "estimated in-room response"
SERVED = ("listening window", "early reflections", "sound power")
CERTAIN = 1.96
"""Standard errors of a 95 % interval."""
FEWEST_FREQUENCIES = 5
"""One band has three sizes, and the height is free."""
Together: TypeAlias = Literal["mean", "minimax"]


@dataclass(frozen=True, eq=False)
class Target:
    """A level that falls or rises by ``slope_db`` per octave, or follows ``level_db`` at ``frequency_hz``; None for
    both: what is flat on the axis. Its height is free."""

    slope_db: float | None = None
    frequency_hz: Real | None = None
    level_db: Real | None = None


def in_room(
    curves: Curves, target: Target, band_hz: tuple[float, float], also: Sequence[Curve] = ()
) -> Departures:
    """Of the estimated in-room response. What all of listening window, early reflections and sound power are off in
    the same direction may be taken away, less the error bar. ``also``: curves that are watched only."""
    hz, inside, weight = _band(curves.frequency_hz, band_hz)
    room, axis = (curves.get(name).value[inside] for name in (IN_ROOM, "on axis"))
    off = _off(hz, weight, room, target, _line(hz, weight, room - axis))
    watched = [*(curves.get(name) for name in ("on axis", *SERVED)), *also]
    others = np.stack([off + _bent(hz, weight, one.value[inside] - room) for one in watched])
    error = curves.get(IN_ROOM).standard_error[inside]
    shared = _common(others[1 : 1 + len(SERVED)], off)
    bears = _shrunk(shared, error)
    return Departures(
        hz, IN_ROOM, off, error, shared, bears, tuple(one.name for one in watched), others, weight
    )


def at_seats(
    frequency_hz: Real,
    seats: Sequence[Curve],
    target: Target,
    band_hz: tuple[float, float],
    together: Together,
) -> Departures:
    """Of the direct sound at seats, for their mean, or so that the one farthest off is as near as it can be."""
    hz, inside, weight = _band(frequency_hz, band_hz)
    each = np.stack([_off(hz, weight, one.value[inside], target, np.zeros(len(hz))) for one in seats])
    off = each.mean(axis=0) if together == "mean" else (each.max(axis=0) + each.min(axis=0)) / 2
    error = np.sqrt(np.mean([one.standard_error[inside] ** 2 for one in seats], axis=0))
    name = f"{together} of {len(seats)} seats" if len(seats) > 1 else seats[0].name
    return Departures(
        hz, name, off, error, off, _shrunk(off, error), tuple(one.name for one in seats), each, weight
    )


def _band(frequency_hz: Real, band_hz: tuple[float, float]) -> tuple[Real, Boolean, Real]:
    inside = (frequency_hz >= band_hz[0] * (1 - 1e-9)) & (frequency_hz <= band_hz[1] * (1 + 1e-9))
    if np.count_nonzero(inside) < FEWEST_FREQUENCIES:
        raise ScanDataError(
            f"filters need at least {FEWEST_FREQUENCIES} frequencies, there are {np.count_nonzero(inside)} from "
            f"{band_hz[0]:g} to {band_hz[1]:g} Hz: widen the band"
        )
    hz = frequency_hz[inside]
    weight = np.gradient(np.log(hz))
    return hz, inside, weight / weight.sum()


def _off(hz: Real, weight: Real, level: Real, target: Target, flat: Real) -> Real:
    """Level less the target, whose height is that of the level."""
    if target.frequency_hz is not None and target.level_db is not None:
        if hz[0] < target.frequency_hz[0] * (1 - 1e-9) or hz[-1] > target.frequency_hz[-1] * (1 + 1e-9):
            raise ScanDataError(
                f"the target covers {target.frequency_hz[0]:g} to {target.frequency_hz[-1]:g} Hz, filters act from "
                f"{hz[0]:g} to {hz[-1]:g} Hz: extend the target or narrow the band"
            )
        flat = np.interp(np.log(hz), np.log(target.frequency_hz), target.level_db)
    elif target.slope_db is not None:
        flat = target.slope_db * np.log2(hz)
    rest: Real = level - flat
    return rest - weight @ rest


def _line(hz: Real, weight: Real, value: Real) -> Real:
    """The straight line over log f of least squares."""
    octave = np.log2(hz) - weight @ np.log2(hz)
    line: Real = weight @ value + octave * (weight @ (octave * value)) / (weight @ octave**2)
    return line


def _bent(hz: Real, weight: Real, value: Real) -> Real:
    return value - _line(hz, weight, value)


def _common(served: Real, off: Real) -> Real:
    """The part of ``off`` (F,) by which all of the ``served`` (curves, F) are off, too."""
    smallest = np.min(np.sign(off) * served, axis=0)
    part: Real = np.sign(off) * np.clip(smallest, 0, np.abs(off))
    return part


def _shrunk(value: Real, error: Real) -> Real:
    """What is certain of a value."""
    part: Real = np.sign(value) * np.maximum(np.abs(value) - CERTAIN * error, 0)
    return part
