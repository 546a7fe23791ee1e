"""What a fit will do at each frequency, decided from a few of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.records.checked import integer_array, real_array, short_repr
from scanproc.records.fitted.budget import Budget


@short_repr
@dataclass(frozen=True, eq=False)
class FitPlan:
    """How every frequency of a scan is fitted; small, and the same for any block of it.

    - ``frequency_hz`` (F,)
    - ``order`` (F,): of least squares about ``centre_m`` (3,) where that alone is asked for, else -1
    - ``sensor_noise`` (F,): the microphone's noise power relative to the mean square of the data, as far as known, NaN
      where it is not
    - ``box_centre_m``, ``box_size_m`` (3,) and ``place_m`` (places, 3): where the device is taken to be, and where
      sound leaves it above all
    - ``scattering`` (share, error) of the cabinet where the room's sound is part of the model, else None
    - ``position_error_m`` and ``level_error``: standard deviations of the points' places along each axis and of their
      gain, 0 where none shows; ``moved_m`` (points, 3) where points are taken to be against what was reported, with
      ``moved_variance_m2`` (points, 3) left; empty where no point is moved. ``moved_held_out_db``: left-out errors of
      frequencies that took no part, without and with that
    - ``budget``: where the predicted error at the samples comes from
    - ``sample_hz`` (S,): where weights were learnt; ``block_names`` and ``block_weight`` (blocks, S), ``noise`` (S,),
      relative to the mean square of the data; NaN where there is no such block. ``sample_db`` (S,): the far-field error
      predicted there

    Raises ScanDataError when a shape or a value cannot be used.
    """

    frequency_hz: Real
    order: Integer
    centre_m: Real
    sensor_noise: Real
    box_centre_m: Real
    box_size_m: Real
    place_m: Real
    scattering: tuple[float, float] | None
    position_error_m: float
    level_error: float
    moved_m: Real
    moved_variance_m2: Real
    moved_held_out_db: tuple[float, float]
    sample_hz: Real
    block_names: tuple[str, ...]
    block_weight: Real
    noise: Real
    sample_db: Real
    budget: Budget | None = None

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        count = len(self.frequency_hz)
        put(self, "order", integer_array("order", self.order, (count,)))
        put(self, "sensor_noise", real_array("sensor_noise", self.sensor_noise, (count,), finite=False))
        put(self, "sample_hz", real_array("sample_hz", self.sample_hz, ("samples",)))
        samples = len(self.sample_hz)
        for name in ("noise", "sample_db"):
            put(self, name, real_array(name, getattr(self, name), (samples,), finite=False))
        shape = (len(self.block_names), samples)
        put(self, "block_weight", real_array("block_weight", self.block_weight, shape, finite=False))
        for name in ("box_centre_m", "box_size_m", "centre_m"):
            put(self, name, real_array(name, getattr(self, name), (3,)))
        for name in ("moved_m", "moved_variance_m2"):
            put(self, name, real_array(name, getattr(self, name), ("points", 3)))
        put(self, "place_m", real_array("place_m", self.place_m, ("places", 3)))

    @property
    def truncated(self) -> bool:
        """Whether least squares up to an order is all that is done."""
        return len(self.order) > 0 and int(self.order[0]) >= 0

    def of_points(self, chosen: Integer) -> FitPlan:
        """The plan for some of the scan's points (indices)."""
        if not len(self.moved_m):
            return self
        moved, variance = self.moved_m[chosen], self.moved_variance_m2
        return replace(self, moved_m=moved, moved_variance_m2=variance[chosen] if len(variance) else variance)

    def of_device(self) -> FitPlan:
        """What it says of the device and of the arm, nothing of single points."""
        none = np.empty((0, 3))
        return replace(self, moved_m=none, moved_variance_m2=none, budget=None)

    def at(self, frequency_hz: Real) -> Integer:
        """Places of the given frequencies in the plan, (frequencies,)."""
        return np.searchsorted(self.frequency_hz, frequency_hz)
