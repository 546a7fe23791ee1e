"""Recipes: TOML files that say which device, surface, frequencies and faults make a scan."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import ValidationError

from scanproc.conventions import REFERENCE_PRESSURE_PA, Complex, Integer, Real
from scanproc.errors import SettingsError
from scanproc.records.measured.scan import ImpulseScan, Scan, ScanSetup
from synthetic_scans import device, noise, surfaces
from synthetic_scans.caps import Cap, CappedSphere
from synthetic_scans.impulse import ImpulseGrid
from synthetic_scans.room import InRoom, Room, first_reflection_s
from synthetic_scans.settings import FrequencyTable, Recipe, Source, SurfaceTable
from synthetic_scans.sources import Cluster, Device, Part, Response, dipole, monopole
from synthetic_scans.sphere_in_room import SphereInRoom

FOLDER = Path(__file__).parent


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
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
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


def speed_of_sound_m_s(temperature_c: float | Real) -> Real:
    """343.2 m/s at 293.15 K, as the root of the absolute temperature (ISO 9613-1, clause from memory)."""
    return np.asarray(343.2 * np.sqrt((np.asarray(temperature_c) + 273.15) / 293.15), np.float64)


def make_device(recipe: Recipe) -> Device:
    """The recipe's device alone, with its exact free field."""
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


def in_its_room(recipe: Recipe) -> Device:
    """The recipe's device with the room's reflections, if there is a room."""
    source, room = make_device(recipe), make_room(recipe)
    if room is None:
        return source
    return SphereInRoom(source, room) if isinstance(source, CappedSphere) else InRoom(source, room)


def make_room(recipe: Recipe) -> Room | None:
    """The recipe's room."""
    return None if recipe.room is None else Room(**recipe.room.model_dump())


def truth(recipe: Recipe) -> Truth:
    """What a perfect anechoic measurement of the recipe's device would show."""
    return Truth(make_device(recipe), float(speed_of_sound_m_s(recipe.temperature_c)))


def make_scan(recipe: Recipe) -> Scan | ImpulseScan:
    """The scan that the recipe describes: field at the true points, faults added, setup as reported."""
    return make_sounds(recipe)[0]


def make_sounds(recipe: Recipe) -> tuple[Scan | ImpulseScan, dict[int, ImpulseScan]]:
    """The scan, and the responses of its harmonics by order, with noise of the same level at the same frequencies."""
    rng = np.random.default_rng(recipe.seed)
    reported, layer = make_points(recipe.surface, rng)
    actual = surfaces.jittered(reported, recipe.surface.position_error_m, rng)
    time = recipe.seconds_per_point * np.arange(len(reported), dtype=np.float64)
    temperature = recipe.temperature_c - recipe.temperature_drift_k * (noise.share_of_time(time) - 0.5)
    setup = _setup(recipe, reported, layer, time, temperature)
    grid = None if recipe.impulse is None else ImpulseGrid(**recipe.impulse.model_dump())
    frequency = grid.frequency_hz if grid else make_frequencies(recipe)
    speed = speed_of_sound_m_s(temperature if recipe.temperature_drift_k else recipe.temperature_c)
    pressure = in_its_room(recipe).pressure(actual, frequency, speed)
    pressure = pressure * noise.gain_drift(time, recipe.noise.gain_drift_db)[:, None]
    level = None
    if recipe.noise.snr_db is not None:
        level = noise.noise_level(pressure, recipe.noise.snr_db, recipe.noise.reference)

    def heard(clean: Complex) -> Complex:
        return clean if level is None else clean + noise.complex_noise(level, len(reported), rng)

    if grid is None:
        return Scan(setup, frequency, heard(pressure), level), {}
    whole = grid.scan(setup, heard(pressure))
    gains = {table.order: 10 ** (table.level_db / 20) for table in recipe.harmonic}
    return whole, {order: grid.scan(setup, heard(gain * pressure)) for order, gain in gains.items()}


def make_frequencies(recipe: Recipe) -> Real:
    """Frequencies (F,) in Hz of a recipe with [frequencies]."""
    table = recipe.frequencies
    assert isinstance(table, FrequencyTable)
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


def _setup(recipe: Recipe, position: Real, layer: Integer, time: Real, temperature: Real) -> ScanSetup:
    speed, room = float(speed_of_sound_m_s(recipe.temperature_c)), make_room(recipe)
    logged = bool(recipe.temperature_drift_k) and recipe.temperature_logged
    size = {"paging_loudspeaker": device.SIZE_M, "capped_sphere": (2 * recipe.device.radius_m,) * 3}
    known = recipe.device.kind in size
    return ScanSetup(
        position_m=position,
        time_s=time,
        layer=layer,
        device=recipe.device.name or recipe.name,
        temperature_c=recipe.temperature_c,
        point_temperature_c=temperature if logged else None,
        speed_of_sound_m_s=None if logged else speed,
        first_reflection_s=None if room is None else first_reflection_s(room, position, speed),
        device_size_m=np.array(size[recipe.device.kind]) if known else None,
        device_centre_m=np.array(recipe.device.centre_m) if known else None,
        environment="anechoic" if room is None else "room",
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
