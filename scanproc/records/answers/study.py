"""How the error of a scan's field falls with the number of its points."""

from __future__ import annotations

from dataclasses import dataclass

from scanproc.conventions import Integer, Real
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
    - ``refit_size``, ``refit_band_hz``, ``refit_told_db`` and ``refit_db`` (R,): parts fitted with nothing but
      their own points, the error told for them and that against the fit of all points
    - ``seconds_per_point``: from the scan's time stamps, or as stated

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
    refit_size: Integer
    refit_band_hz: Real
    refit_told_db: Real
    refit_db: Real
    seconds_per_point: float
    points: int

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
        for name in ("needed", "needed_low", "needed_high"):
            put(self, name, real_array(name, getattr(self, name), shape[1:], finite=False))
        put(self, "refit_size", integer_array("refit_size", self.refit_size, ("refits",)))
        for name in ("refit_band_hz", "refit_told_db", "refit_db"):
            put(self, name, real_array(name, getattr(self, name), (len(self.refit_size),)))
        put(self, "seconds_per_point", positive("seconds_per_point", self.seconds_per_point))
