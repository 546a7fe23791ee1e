"""How the error of a scan's field falls with the number of its points."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.errors import ScanDataError
from scanproc.records.checked import integer_array, positive, real_array, short_repr


@short_repr
@dataclass(frozen=True, eq=False)
class Study:
    """Errors by number of points and band, and the number of points that a target needs.

    Bands (B,) are named by ``band_hz``, their exact mid-band frequencies, and judged at one frequency each; ``size``
    (S,) rising numbers of points. dB throughout, NaN where not defined:

    - ``predicted_db`` (S, B): far-field error told for well-spread parts of the points, mean over ``draws`` parts;
      ``predicted_spread_db`` (S, B): its standard deviation over them
    - ``held_out_db`` and ``predicted_by_order_db`` (S, orders, B): leave-one-out and predicted far-field error of
      least squares up to each order, of the first part of each size
    - ``order`` (S, B): the order that least squares do best with
    - ``needed`` (B,), ``needed_low`` and ``needed_high`` (B,): points for the target with their 95 % interval, whose
      upper end is NaN where no number tried surely does; all NaN where the study refuses, with ``reason`` (B,) in
      words
    - ``curve_size`` and ``curve_db`` (K, B): the numbers of points that ``needed`` was read from, rising, and the
      errors with them, beyond the scan, too; NaN below the last, all of them where the study refuses
    - ``limit`` (B,): of ``records.fitted.budget.CAUSES`` what limits a band that no number tried serves, else nothing;
      ``left_db`` (B,): the error that it leaves however many points there are, NaN where points are what limits
    - ``refit_size``, ``refit_band_hz``, ``refit_told_db`` and ``refit_db`` (R,): parts fitted with nothing but
      their own points, the error told for them and that against the fit of all points
    - ``seconds_per_point``: from the scan's time stamps, or as stated; ``place_error_m``: rms error of the points'
      places along each axis as the sound shows it

    Raises ScanDataError when a shape or a value cannot be used.
    """

    target_db: float
    band_hz: Real
    size: Integer
    draws: int
    held_out_db: Real
    predicted_by_order_db: Real
    predicted_db: Real
    predicted_spread_db: Real
    order: Integer
    needed: Real
    needed_low: Real
    needed_high: Real
    reason: tuple[str, ...]
    curve_size: Real
    curve_db: Real
    limit: tuple[str, ...]
    left_db: Real
    refit_size: Integer
    refit_band_hz: Real
    refit_told_db: Real
    refit_db: Real
    seconds_per_point: float
    points: int
    place_error_m: float = 0.0

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "band_hz", real_array("band_hz", self.band_hz, ("bands",)))
        put(self, "size", integer_array("size", self.size, ("sizes",)))
        shape = (len(self.size), len(self.band_hz))
        cube = (shape[0], "orders", shape[1])
        for name in ("held_out_db", "predicted_by_order_db"):
            put(self, name, real_array(name, getattr(self, name), cube, finite=False))
        for name in ("predicted_db", "predicted_spread_db"):
            put(self, name, real_array(name, getattr(self, name), shape, finite=False))
        put(self, "order", integer_array("order", self.order, shape))
        for name in ("curve_size", "curve_db"):
            put(self, name, real_array(name, getattr(self, name), ("numbers", shape[1]), finite=False))
        for name in ("needed", "needed_low", "needed_high", "left_db"):
            put(self, name, real_array(name, getattr(self, name), shape[1:], finite=False))
        put(self, "refit_size", integer_array("refit_size", self.refit_size, ("refits",)))
        for name in ("refit_band_hz", "refit_told_db", "refit_db"):
            put(self, name, real_array(name, getattr(self, name), (len(self.refit_size),)))
        for name in ("reason", "limit"):
            if len(getattr(self, name)) != shape[1]:
                raise ScanDataError(f"{name} must hold {shape[1]} words, got {len(getattr(self, name))}")
        put(self, "seconds_per_point", positive("seconds_per_point", self.seconds_per_point))

    def curve(self, band: int) -> tuple[Real, Real]:
        """Numbers of points of a band and the errors with them; empty where the study refuses."""
        known = np.isfinite(self.curve_size[:, band])
        return self.curve_size[known, band], self.curve_db[known, band]

    def corrected_db(self, band: int, points: float) -> float:
        """What fits of parts add to the error that the formula tells for so many points, see :func:`correction_db`."""
        own = np.flatnonzero(self.refit_band_hz == self.band_hz[band])
        off = self.refit_db[own] - self.refit_told_db[own]
        refits = list(zip(self.refit_size[own].tolist(), off.tolist(), strict=True))
        return float(correction_db(np.array([points]), refits, self.points)[0])


def correction_db(size: Real | Integer, refits: Sequence[tuple[float, float]], points: int) -> Real:
    """What fits of parts add to the errors told for numbers of points (S,), dB: between them over the logarithm of the
    number, nothing for all ``points`` or more, for which nothing is told that a fit did not find.

    ``refits``: numbers of points with by how much the error found exceeds the one told.
    """
    at, off = np.transpose([*sorted(refits), (float(points), 0.0)])
    found: Real = np.interp(np.log(size), np.log(at), off)
    return found
