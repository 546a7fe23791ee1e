"""The tables of a recipe file, checked."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Positive = Annotated[float, Field(gt=0)]
Vector = tuple[float, float, float]


class Table(BaseModel):
    """A table of a recipe: no unknown keys, no silent conversions."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class Source(Table):
    position_m: Vector = (0.0, 0.0, 0.0)
    level_db: float = 94.0
    dipole_axis: Vector | None = None


class CapTable(Table):
    axis: Vector
    half_angle_deg: Annotated[float, Field(gt=0, lt=180)]
    motion: Literal["radial", "axial"] = "radial"
    level_db: float = 90.0


class DeviceTable(Table):
    kind: Literal["paging_loudspeaker", "capped_sphere", "sources"]
    name: str = ""
    detail: Positive = 1.0
    radius_m: Positive = 0.2
    centre_m: Vector = (0.0, 0.0, 0.0)
    cap: list[CapTable] = []
    source: list[Source] = []

    @model_validator(mode="after")
    def _complete(self) -> DeviceTable:
        needed = {"capped_sphere": self.cap, "sources": self.source, "paging_loudspeaker": [self]}[self.kind]
        if not needed:
            raise ValueError(
                f"a device of kind {self.kind!r} needs at least one [[device.cap]] or [[device.source]]"
            )
        return self


class SurfaceTable(Table):
    kind: Literal["shells", "drum", "spiral"]
    points: Annotated[int, Field(ge=4)]
    radii_m: Annotated[list[Positive], Field(min_length=1)]
    half_heights_m: list[Positive] = []
    gap_deg: Annotated[float, Field(gt=0, lt=180)] = 20.0
    centre_m: Vector = (0.0, 0.0, 0.0)
    jitter_m: Annotated[float, Field(ge=0)] = 0.0
    position_error_m: Annotated[float, Field(ge=0)] = 0.0

    @model_validator(mode="after")
    def _complete(self) -> SurfaceTable:
        if self.kind == "drum" and len(self.half_heights_m) != len(self.radii_m):
            raise ValueError("a drum needs one of half_heights_m for each of radii_m")
        if self.kind == "spiral" and len(self.radii_m) != 1:
            raise ValueError("a spiral has one radius in radii_m")
        return self


class FrequencyTable(Table):
    spacing: Literal["log", "linear"]
    start_hz: Positive
    stop_hz: Positive
    count: Annotated[int, Field(ge=1)]

    @model_validator(mode="after")
    def _rising(self) -> FrequencyTable:
        if self.stop_hz <= self.start_hz and self.count > 1:
            raise ValueError("stop_hz must lie above start_hz")
        return self


class NoiseTable(Table):
    snr_db: float | None = None
    reference: Literal["frequency", "overall"] = "frequency"
    gain_drift_db: float = 0.0


class ImpulseTable(Table):
    """Impulse responses from ``before_s`` ahead of the drive, ``length_s`` long in all."""

    sampling_rate_hz: Positive
    length_s: Positive
    before_s: Annotated[float, Field(ge=0)] = 0.001


class HarmonicTable(Table):
    """A harmonic as a sweep's deconvolution tells it: at its own frequencies the device's sound, ``level_db`` re the
    fundamental there (its equivalent input distortion), known from ``lowest_hz`` up."""

    order: Annotated[int, Field(ge=2, le=5)]
    level_db: Annotated[float, Field(le=0)]
    lowest_hz: Positive


class RoomTable(Table):
    """The fields of :class:`synthetic_scans.room.Room`."""

    size_m: Vector
    origin_m: Vector
    reflection: tuple[float, float, float, float, float, float]
    reflections: Annotated[int, Field(ge=0)]


class Recipe(Table):
    """A whole recipe; the same seed gives the same scan.

    The temperature falls evenly by ``temperature_drift_k`` over the scan, about ``temperature_c``; each
    point has its own speed of sound, and its temperature in the scan if ``temperature_logged``.
    """

    name: str
    notes: str = ""
    seed: int = 0
    temperature_c: float = 20.0
    temperature_drift_k: float = 0.0
    temperature_logged: bool = True
    seconds_per_point: Positive = 10.0
    device: DeviceTable
    surface: SurfaceTable
    frequencies: FrequencyTable | None = None
    impulse: ImpulseTable | None = None
    harmonic: list[HarmonicTable] = []
    room: RoomTable | None = None
    noise: NoiseTable = NoiseTable()

    @model_validator(mode="after")
    def _agrees(self) -> Recipe:
        if (self.frequencies is None) == (self.impulse is None):
            raise ValueError("give either [frequencies] or [impulse]")
        if self.harmonic and self.impulse is None:
            raise ValueError("a [[harmonic]] needs [impulse]")
        if self.room and self.device.kind == "capped_sphere" and self.temperature_drift_k:
            raise ValueError("a sphere that scatters the room's sound needs temperature_drift_k = 0")
        return self
