"""What to scan: positions in the order of travel, and why so many."""

from __future__ import annotations

from dataclasses import dataclass

from scanproc.conventions import Integer, Real
from scanproc.errors import ScanDataError
from scanproc.records.checked import integer_array, positive, real_array, short_repr
from scanproc.records.fitted.budget import CAUSES

SURFACES = ("shell", "drum", "as before")


@short_repr
@dataclass(frozen=True, eq=False)
class Positions:
    """Where the microphone goes: ``position_m`` (points, 3) in the order of travel, ``layer`` (points,).

    Raises ScanDataError when a shape or a value cannot be used.
    """

    position_m: Real
    layer: Integer

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "position_m", real_array("position_m", self.position_m, ("points", 3)))
        put(self, "layer", integer_array("layer", self.layer, (len(self.position_m),)))


@dataclass(frozen=True)
class Limit:
    """What limits ``points`` points at ``band_hz``, where their far-field error is ``error_db``.

    ``cause``: of ``budget.CAUSES``, with its ``share`` of the error's power; ``left_db`` without it (for the
    points: what the other causes leave). ``needed``: the part of that cause's power with which the target would be met,
    None where it is met or no part is small enough. ``arm_mm``: rms error of a position in each axis that was reckoned
    with. ``missed``: whether the band misses the target; it is the highest one where none does. Raises ScanDataError
    when a cause is unknown.
    """

    band_hz: float
    points: int
    error_db: float
    cause: str
    share: float
    left_db: float
    needed: float | None
    arm_mm: float
    missed: bool

    def __post_init__(self) -> None:
        if self.cause not in CAUSES:
            raise ScanDataError(f"cause must be one of {', '.join(CAUSES)}, got {self.cause!r}")


@dataclass(frozen=True, eq=False)
class Placing:
    """Points that look even from ``view_m`` (3,), ``share`` of the way from the middle of the device to ``toward_m``
    (3,); share 0 where points that are even on the surface do no worse. ``even_points`` (bands,): what those would
    take, 0 where none tried do."""

    view_m: tuple[float, ...]
    toward_m: tuple[float, ...]
    share: float
    even_points: Integer


@short_repr
@dataclass(frozen=True, eq=False)
class ScanPlan:
    """Advice for a scan before it starts. By third-octave band (B,), rising:

    - ``band_hz``, the exact mid-band frequencies; ``size`` k·r0, r0 the radius of the device about its middle
    - orders for the target about the middle of the device: ``hansen`` and ``jensen_frandsen`` by those rules,
      ``far`` and ``near`` exactly for a monopole on the radius r0, in the far field and on the scanned surface
    - ``source_order``: the same as ``near`` about the high-frequency source if only it radiates
    - ``modes``: fields that a device of this size and place of the source can radiate above the target
    - ``points``: what the band takes, all layers together; 0 where no number tried meets the target

    ``limit``: of the lowest band worked out that misses the target with the most points tried, else of the highest
    band with the planned ones. ``like``: the device of the earlier scan whose weights were taken, else nothing;
    ``untold`` (bands): why nothing can be told, or nothing. ``placing``: whether points lie denser around a place, None
    where that was not asked for; ``planned`` points, as many as there are but for gaps of the surface. ``radii_m``
    (layers,) distances of the layers' nearest points from the middle of the device; ``surface`` "shell", "drum" or "as
    before".
    Raises ScanDataError when a shape or a value cannot be used.
    """

    target_db: float
    band_hz: Real
    size: Real
    hansen: Integer
    jensen_frandsen: Integer
    far: Integer
    near: Integer
    source_order: Integer
    modes: Integer
    points: Integer
    surface: str
    radii_m: Real
    positions: Positions
    seconds_per_point: float
    limit: Limit
    planned: int
    like: str = ""
    untold: tuple[str, ...] = ()
    placing: Placing | None = None

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "band_hz", real_array("band_hz", self.band_hz, ("bands",)))
        bands = (len(self.band_hz),)
        put(self, "size", real_array("size", self.size, bands))
        for name in ("hansen", "jensen_frandsen", "far", "near", "source_order", "modes", "points"):
            put(self, name, integer_array(name, getattr(self, name), bands))
        put(self, "radii_m", real_array("radii_m", self.radii_m, ("layers",)))
        put(self, "seconds_per_point", positive("seconds_per_point", self.seconds_per_point))
        if self.surface not in SURFACES:
            raise ScanDataError(f"surface must be one of {', '.join(SURFACES)}, got {self.surface!r}")

    @property
    def total(self) -> int:
        return len(self.positions.position_m)
