"""Recipes: TOML files that say which device, surface, frequencies and faults make a scan."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from scanproc.conventions import REFERENCE_PRESSURE_PA, Complex, Integer, Real
from scanproc.errors import SettingsError
from scanproc.records.scan import Scan, ScanSetup
from synthetic_scans import device, noise, surfaces
from synthetic_scans.caps import Cap, CappedSphere
from synthetic_scans.sources import Cluster, Device, Part, Response, dipole, monopole

FOLDER = Path(__file__).parent
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


class Recipe(Table):
    """A whole recipe; the same seed gives the same scan."""

    name: str
    notes: str = ""
    seed: int = 0
    temperature_c: float = 20.0
    seconds_per_point: Positive = 11.0
    device: DeviceTable
    surface: SurfaceTable
    frequencies: FrequencyTable
    noise: NoiseTable = NoiseTable()

    @property
    def speed_of_sound_m_s(self) -> float:
        """343.2 m/s at 293.15 K, as the root of the absolute temperature (ISO 9613-1, clause from memory)."""
        return float(343.2 * np.sqrt((self.temperature_c + 273.15) / 293.15))


@dataclass(frozen=True, eq=False)
class Truth:
    """The exact far field of a recipe's device, without room and noise."""

    device: Device
    speed_of_sound_m_s: float

    def far_field(self, direction: Real, frequency_hz: Real) -> Complex:
        """p·r·e^{+jkr} (directions, F) in Pa·m along unit vectors (directions, 3)."""
        return self.device.far_field(direction, frequency_hz, self.speed_of_sound_m_s)

    def pressure(self, position_m: Real, frequency_hz: Real) -> Complex:
        """Free-field pressure (points, F) in Pa."""
        return self.device.pressure(position_m, frequency_hz, self.speed_of_sound_m_s)


def names() -> list[str]:
    """The recipes that come with the package."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def load(name_or_path: str | Path) -> Recipe:
    """The recipe of that name, or in that TOML file. Raises SettingsError."""
    path = Path(name_or_path)
    if str(name_or_path) in names():
        path = FOLDER / f"{name_or_path}.toml"
    if not path.is_file():
        raise SettingsError(
            f"no recipe {str(name_or_path)!r}: give a TOML file or one of {', '.join(names())}"
        )
    try:
        return parse(tomllib.loads(path.read_text(encoding="utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError(f"not a TOML file: {error}", path=path) from None
    except SettingsError as error:
        raise error.at(path) from None


def parse(settings: dict[str, Any]) -> Recipe:
    """The recipe in a parsed TOML document. Raises SettingsError that lists all that is wrong."""
    try:
        return Recipe.model_validate_json(json.dumps(settings, default=str))
    except ValidationError as error:
        wrong = [f"{'.'.join(map(str, e['loc'])) or 'recipe'}: {e['msg']}" for e in error.errors()]
        raise SettingsError("recipe cannot be used: " + "; ".join(wrong)) from None


def make_device(recipe: Recipe) -> Device:
    """The recipe's device, with its exact field."""
    table = recipe.device
    if table.kind == "paging_loudspeaker":
        return device.paging_loudspeaker(table.detail)
    if table.kind == "capped_sphere":
        caps = tuple(
            Cap(cap.axis, cap.half_angle_deg, cap.motion, Response(_pascal(cap.level_db)))
            for cap in table.cap
        )
        return CappedSphere(table.radius_m, caps, table.centre_m)
    return Cluster(tuple(_part(source) for source in table.source))


def truth(recipe: Recipe) -> Truth:
    """What a perfect anechoic measurement of the recipe's device would show."""
    return Truth(make_device(recipe), recipe.speed_of_sound_m_s)


def make_scan(recipe: Recipe) -> Scan:
    """The scan that the recipe describes: field at the true points, faults added, setup as reported."""
    rng = np.random.default_rng(recipe.seed)
    frequency = make_frequencies(recipe.frequencies)
    reported, layer = make_points(recipe.surface, rng)
    actual = surfaces.jittered(reported, recipe.surface.position_error_m, rng)
    time = recipe.seconds_per_point * np.arange(len(reported), dtype=np.float64)
    pressure = make_device(recipe).pressure(actual, frequency, recipe.speed_of_sound_m_s)
    pressure = pressure * noise.gain_drift(time, recipe.noise.gain_drift_db)[:, None]
    level = None
    if recipe.noise.snr_db is not None:
        level = noise.noise_level(pressure, recipe.noise.snr_db, recipe.noise.reference)
        pressure = pressure + noise.complex_noise(level, len(reported), rng)
    return Scan(_setup(recipe, reported, layer, time), frequency, pressure, level)


def make_frequencies(table: FrequencyTable) -> Real:
    """Frequencies (F,) in Hz."""
    space = np.geomspace if table.spacing == "log" else np.linspace
    return np.asarray(space(table.start_hz, table.stop_hz, table.count), np.float64)


def make_points(table: SurfaceTable, rng: np.random.Generator) -> tuple[Real, Integer]:
    """Reported positions (points, 3) and the layer of each."""
    if table.kind == "shells":
        position, layer = surfaces.shells(table.radii_m, table.points)
    elif table.kind == "drum":
        position, layer = surfaces.drum(table.radii_m, table.half_heights_m, table.points)
    else:
        position, layer = surfaces.spiral(table.radii_m[0], table.points, table.gap_deg)
    return surfaces.jittered(position + table.centre_m, table.jitter_m, rng), layer


def _setup(recipe: Recipe, position: Real, layer: Integer, time: Real) -> ScanSetup:
    size = {"paging_loudspeaker": device.SIZE_M, "capped_sphere": (2 * recipe.device.radius_m,) * 3}
    known = recipe.device.kind in size
    return ScanSetup(
        position_m=position,
        time_s=time,
        layer=layer,
        device=recipe.device.name or recipe.name,
        temperature_c=recipe.temperature_c,
        speed_of_sound_m_s=recipe.speed_of_sound_m_s,
        device_size_m=np.array(size[recipe.device.kind]) if known else None,
        device_centre_m=np.array(recipe.device.centre_m) if known else None,
        notes=recipe.notes,
    )


def _part(source: Source) -> Part:
    strength = _pascal(source.level_db)
    if source.dipole_axis is None:
        return monopole(source.position_m, strength)
    axis = np.asarray(source.dipole_axis)
    return dipole(source.position_m, strength * axis / np.linalg.norm(axis))


def _pascal(level_db: float) -> float:
    return float(REFERENCE_PRESSURE_PA * 10 ** (level_db / 20))
