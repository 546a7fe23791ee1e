"""A device's field at one frequency as sources inside its box, for places that spherical coefficients do not reach."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from scanproc.conventions import Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.checked import complex_array, real_array, short_repr


@dataclass(frozen=True, eq=False)
class Multipole:
    """Outgoing terms ``terms_pa`` complex (modes,) about ``place_m`` (3,), scaled as in Expansion."""

    place_m: Real
    terms_pa: Complex

    def __post_init__(self) -> None:
        object.__setattr__(self, "place_m", real_array("place_m", self.place_m, (3,)))
        object.__setattr__(self, "terms_pa", complex_array("terms_pa", self.terms_pa, ("modes",)))
        if round(len(self.terms_pa) ** 0.5) ** 2 != len(self.terms_pa):
            raise ScanDataError(f"terms_pa has {len(self.terms_pa)} terms, whole degrees were needed")


@short_repr
@dataclass(frozen=True, eq=False)
class NearField:
    """p = Σ ``source_pa_m`` e^{-jkR}/R + the terms of the multipoles, outside the device's box.

    - ``box_centre_m``, ``box_size_m`` (3,)
    - ``source_m`` (sources, 3), ``source_pa_m`` complex (sources,)
    - ``distance_m`` (D,) from the box, rising; there, over all directions, ``rms_pa`` (D,) of the pressure and
      ``error_db`` (D,), the predicted error re that

    Raises ScanDataError when a shape or a value cannot be used.
    """

    box_centre_m: Real
    box_size_m: Real
    source_m: Real
    source_pa_m: Complex
    multipoles: Sequence[Multipole]
    distance_m: Real
    rms_pa: Real
    error_db: Real

    def __post_init__(self) -> None:
        put = object.__setattr__
        for name in ("box_centre_m", "box_size_m"):
            put(self, name, real_array(name, getattr(self, name), (3,)))
        put(self, "source_m", real_array("source_m", self.source_m, ("sources", 3)))
        put(self, "source_pa_m", complex_array("source_pa_m", self.source_pa_m, (len(self.source_m),)))
        put(self, "multipoles", tuple(self.multipoles))
        put(self, "distance_m", real_array("distance_m", self.distance_m, ("distances",)))
        for name in ("rms_pa", "error_db"):
            put(self, name, real_array(name, getattr(self, name), (len(self.distance_m),)))

    def from_box_m(self, position_m: Real) -> Real:
        """Distance of positions (positions, 3) from the box, 0 inside, (positions,)."""
        gap = np.maximum(np.abs(position_m - self.box_centre_m) - self.box_size_m / 2, 0)
        return np.asarray(np.linalg.norm(gap, axis=1), np.float64)
