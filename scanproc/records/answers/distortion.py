"""Harmonic distortion in the far field, by the frequency of the excitation."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import ScanDataError
from scanproc.records.checked import increasing, integer_array, real_array, short_repr

PLACES = ("on axis", "listening window", "sound power")


@short_repr
@dataclass(frozen=True, eq=False)
class Distortion:
    """Levels of harmonics ``order`` (N,) at the ``PLACES`` (P) for excitation at ``excitation_hz`` (F,).

    ``level_db`` (N, P, F), dB re 20 µPa at 1 m, at n times the excitation frequency, with ``standard_error_db``;
    ``floor_db`` (N, P, F): 99 % of noise alone would show no more. NaN beyond the band of a harmonic.
    ``fundamental_db`` (P, F): the fundamental at the excitation frequency; ``own_db`` (N, P, F): the fundamental when
    excited at the harmonic's frequency. All of them hold at the level at which the sweeps were played, and are stated
    for the drive voltage as if they grew in proportion, so that ratios are true.
    Raises ScanDataError when a shape or a value cannot be used.
    """

    excitation_hz: Real
    order: Integer
    level_db: Real
    standard_error_db: Real
    floor_db: Real
    fundamental_db: Real
    own_db: Real

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "excitation_hz", real_array("excitation_hz", self.excitation_hz, ("frequencies",)))
        increasing("excitation_hz", self.excitation_hz)
        put(self, "order", integer_array("order", self.order, ("orders",)))
        if np.any(self.order < 2):
            raise ScanDataError(f"order must be 2 or more, got {self.order.tolist()}")
        shape = (len(self.order), len(PLACES), len(self.excitation_hz))
        for name in ("level_db", "standard_error_db", "floor_db", "own_db"):
            put(self, name, real_array(name, getattr(self, name), shape, finite=False))
        put(
            self,
            "fundamental_db",
            real_array("fundamental_db", self.fundamental_db, shape[1:], finite=False),
        )
