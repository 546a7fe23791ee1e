"""How the error of a scan's field falls with the number of its points."""

from __future__ import annotations

from dataclasses import dataclass

from scanproc.conventions import Integer, Real
from scanproc.records.checked import integer_array, positive, real_array, short_repr


@short_repr
@dataclass(frozen=True, eq=False)
class Study:
    """Errors by number of points, order and band, and the number of points that a target needs.

    Bands (B,) are named by ``band_hz``, their exact mid-band frequencies; ``size`` (S,) rising numbers of points,
    each tried on ``draws`` well-spread subsets. dB throughout, NaN where not defined:

    - ``held_out_db`` (S, orders, B): error at points left out, mean over draws; where the informed fit was taken, its
      own leave-one-out error stands at its order
    - ``predicted_by_order_db`` (S, orders, B): predicted far-field error likewise
    - ``predicted_db`` (S, B): predicted far-field error of the estimator that was used, mean over draws;
      ``predicted_spread_db`` (S, B): its standard deviation over draws
    - ``order`` (S, B): the order used; ``curve_spread_db`` (S, B): rms departure of the orbit curves from those of
      all points
    - ``needed`` (B,), ``needed_low`` and ``needed_high`` (B,): points for the target with their 95 % interval;
      NaN where the study refuses, with ``reason`` (B,) in words
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
    curve_spread_db: Real
    needed: Real
    needed_low: Real
    needed_high: Real
    reason: tuple[str, ...]
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
        for name in ("predicted_db", "predicted_spread_db", "curve_spread_db"):
            put(self, name, real_array(name, getattr(self, name), shape, finite=False))
        put(self, "order", integer_array("order", self.order, shape))
        for name in ("needed", "needed_low", "needed_high"):
            put(self, name, real_array(name, getattr(self, name), shape[1:], finite=False))
        put(self, "seconds_per_point", positive("seconds_per_point", self.seconds_per_point))
