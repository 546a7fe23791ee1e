"""What a fit will do at each frequency, decided from a few of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import Integer, Real
from scanproc.records.checked import integer_array, real_array


@dataclass(frozen=True, eq=False)
class FitPlan:
    """Order, centre and estimator for every frequency of a scan; small, and the same for any block of it.

    - ``frequency_hz`` (F,), ``order`` (F,) of the truncated fit, ``centre_m`` (F, 3)
    - ``informed`` (F,): share of the informed fit in the result, 0 to 1, between them a crossfade
    - ``middle`` (F,): share, 0 to 1, of a truncated fit about the middle of the device in what stands for the informed
      fit, and ``middle_order`` (F,) its order
    - ``sensor_noise`` (F,): the microphone's noise power relative to the mean square of the data, as far as known
    - ``sample_hz`` (S,): where the decisions were made; there ``source_centre_m`` (S, 3), the centre found, about
      which the informed fit's weights are learnt, ``centre_error_m`` (S, 3), the standard error of the centre taken,
      ``truncated_db`` and ``informed_db`` (S,) the predicted far-field errors (NaN where not tried)
    - ``block_names`` and ``block_weight`` (blocks, S), ``noise`` (S,): the informed fit's weights, relative to the
      mean square of the data; NaN where not learnt
    - ``box_centre_m``, ``box_size_m`` (3,) and ``driver_m`` (drivers, 3): where the device is taken to be

    Raises ScanDataError when a shape or a value cannot be used.
    """

    frequency_hz: Real
    order: Integer
    centre_m: Real
    informed: Real
    middle: Real
    middle_order: Integer
    sensor_noise: Real
    sample_hz: Real
    source_centre_m: Real
    centre_error_m: Real
    truncated_db: Real
    informed_db: Real
    block_names: tuple[str, ...]
    block_weight: Real
    noise: Real
    box_centre_m: Real
    box_size_m: Real
    driver_m: Real

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        count = len(self.frequency_hz)
        for name in ("order", "middle_order"):
            put(self, name, integer_array(name, getattr(self, name), (count,)))
        put(self, "centre_m", real_array("centre_m", self.centre_m, (count, 3)))
        for name in ("informed", "middle", "sensor_noise"):
            put(self, name, real_array(name, getattr(self, name), (count,)))
        put(self, "sample_hz", real_array("sample_hz", self.sample_hz, ("samples",)))
        samples = len(self.sample_hz)
        put(self, "source_centre_m", real_array("source_centre_m", self.source_centre_m, (samples, 3)))
        put(
            self,
            "centre_error_m",
            real_array("centre_error_m", self.centre_error_m, (samples, 3), finite=False),
        )
        for name in ("truncated_db", "informed_db", "noise"):
            put(self, name, real_array(name, getattr(self, name), (samples,), finite=False))
        shape = (len(self.block_names), samples)
        put(self, "block_weight", real_array("block_weight", self.block_weight, shape, finite=False))
        for name in ("box_centre_m", "box_size_m"):
            put(self, name, real_array(name, getattr(self, name), (3,)))
        put(self, "driver_m", real_array("driver_m", self.driver_m, ("drivers", 3)))

    def at(self, frequency_hz: Real) -> Integer:
        """Places of the given frequencies in the plan, (frequencies,)."""
        return np.searchsorted(self.frequency_hz, frequency_hz)


def join(parts: Sequence[FitPlan]) -> FitPlan:
    """One plan from those of neighbouring bands of the same scan, in rising frequency."""
    if len(parts) == 1:
        return parts[0]
    names = tuple(dict.fromkeys(name for part in parts for name in part.block_names))
    together = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in (
            "frequency_hz",
            "order",
            "centre_m",
            "informed",
            "middle",
            "middle_order",
            "sensor_noise",
            "sample_hz",
            "source_centre_m",
            "centre_error_m",
            "truncated_db",
            "informed_db",
            "noise",
        )
    }
    weight = np.concatenate([_rows(part, names) for part in parts], axis=1)
    return replace(parts[0], block_names=names, block_weight=weight, **together)


def _rows(plan: FitPlan, names: Sequence[str]) -> Real:
    """The weights of the named blocks, (names, S), NaN where the plan has none."""
    known = dict(zip(plan.block_names, plan.block_weight, strict=True))
    missing = np.full(len(plan.sample_hz), np.nan)
    return np.array([known.get(name, missing) for name in names]).reshape(len(names), len(missing))
