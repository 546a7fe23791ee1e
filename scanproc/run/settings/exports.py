"""Direction sets and drive filters made to order, from TOML; all that is wrong is said at once, with the line."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails

from scanproc.errors import InputError, SettingsError
from scanproc.files.incoming.transfer_function import read_transfer_function
from scanproc.run.settings.conversion import CurveSettings
from scanproc.steps.farfield.filters import Air, Biquad, Simple, Stage, Tabulated
from scanproc.steps.farfield.sets import Angles, Turn, arc_angles, listed_angles, named_set, seat_angles
from scanproc.waves.air import STANDARD_PRESSURE_KPA
from scanproc.waves.biquads import Kind, q_of_slope

Model = TypeVar("Model", bound=BaseModel)


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


Degrees = Annotated[float, Field(ge=-360, le=360)]
Step = Annotated[float, Field(ge=0.1, le=180)]
Hertz = Annotated[float, Field(gt=0)]
Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]*$")]
Pair = Annotated[list[float], Field(min_length=2, max_length=2)]
Place = Annotated[list[float], Field(min_length=3, max_length=3)]


class _Set(_Table):
    name: Name
    toe_in_deg: Degrees = 0.0
    tilt_deg: Degrees = 0.0

    @property
    def turn(self) -> Turn:
        return Turn(self.toe_in_deg, self.tilt_deg)


class NamedSet(_Set):
    """A set known by name, under a name of its own, for a turned device."""

    kind: Literal["named"]
    like: str

    def angles(self) -> Angles:
        found = named_set(self.like)
        return Angles(self.name, found.direction, found.orbit, found.angle_deg)


class ArcSet(_Set):
    kind: Literal["arc"]
    plane: Literal["horizontal", "vertical"] = "horizontal"
    from_deg: Degrees
    to_deg: Degrees
    step_deg: Step

    @model_validator(mode="after")
    def _rising(self) -> ArcSet:
        if self.to_deg < self.from_deg:
            raise ValueError("to_deg must not lie below from_deg")
        return self

    def angles(self) -> Angles:
        return arc_angles(self.name, self.plane, self.from_deg, self.to_deg, self.step_deg)


class SetSettings(_Set):
    kind: Literal["directions"]
    azimuth_elevation_deg: Annotated[list[Pair], Field(min_length=1)]

    def angles(self) -> Angles:
        return listed_angles(self.name, self.azimuth_elevation_deg)


class SeatSet(_Set):
    kind: Literal["seats"]
    position_m: Annotated[list[Place], Field(min_length=1)]

    def angles(self) -> Angles:
        return seat_angles(self.name, self.position_m)


AnySet = NamedSet | ArcSet | SetSettings | SeatSet


class AboutTable(_Table):
    """[about]: texts that AES69 files demand."""

    manufacturer: str = "not stated"
    author_contact: str = "not stated"
    organization: str = "not stated"
    license: str = "not stated"


class ExportSettings(_Table):
    """[[set]] tables, [about] and [curves]."""

    set: list[Annotated[AnySet, Field(discriminator="kind")]] = []
    about: AboutTable = AboutTable()
    curves: CurveSettings = CurveSettings()


class BiquadTable(_Table):
    kind: Kind
    frequency_hz: Hertz
    q: Annotated[float, Field(gt=0)] | None = None
    slope: Annotated[float, Field(gt=0)] | None = None
    gain_db: Annotated[float, Field(ge=-120, le=120)] = 0.0

    @model_validator(mode="after")
    def _consistent(self) -> BiquadTable:
        if self.slope is not None and (self.q is not None or not self.kind.endswith("shelf")):
            raise ValueError("slope belongs to shelves only, and in place of q")
        if self.gain_db and not (self.kind == "peaking" or self.kind.endswith("shelf")):
            raise ValueError(f"a {self.kind} has no gain_db: add a filter of kind gain")
        return self

    def stage(self, rate_hz: float, _: Path) -> Stage:
        q = 0.5**0.5 if self.q is None else self.q
        if self.slope is not None:
            q = q_of_slope(self.slope, self.gain_db)
        return Biquad(self.kind, self.frequency_hz, q, self.gain_db, rate_hz)


class GainTable(_Table):
    kind: Literal["gain"]
    gain_db: Annotated[float, Field(ge=-120, le=120)]

    def stage(self, _: float, __: Path) -> Stage:
        return Simple(gain_db=self.gain_db)


class DelayTable(_Table):
    kind: Literal["delay"]
    delay_s: Annotated[float, Field(ge=-1, le=1)]

    def stage(self, _: float, __: Path) -> Stage:
        return Simple(delay_s=self.delay_s)


class PolarityTable(_Table):
    kind: Literal["polarity"]

    def stage(self, _: float, __: Path) -> Stage:
        return Simple(inverted=True)


class AirTable(_Table):
    """Absorption by the air up to a far-field distance."""

    kind: Literal["air"]
    distance_m: Annotated[float, Field(gt=0, le=10000)]
    temperature_c: Annotated[float, Field(ge=-20, le=50)] = 20.0
    humidity_percent: Annotated[float, Field(ge=1, le=100)] = 50.0
    air_pressure_kpa: Annotated[float, Field(ge=50, le=200)] = STANDARD_PRESSURE_KPA

    def stage(self, _: float, __: Path) -> Stage:
        return Air(self.distance_m, self.temperature_c, self.humidity_percent, self.air_pressure_kpa)


class CsvTable(_Table):
    """A transfer function from a CSV file beside the settings."""

    kind: Literal["table"]
    file: str

    def stage(self, _: float, folder: Path) -> Stage:
        return Tabulated(*read_transfer_function(folder / self.file), name=self.file)


AnyFilter = BiquadTable | GainTable | DelayTable | PolarityTable | CsvTable | AirTable


class FilterSettings(_Table):
    """[[filter]] tables in a row, digital ones at ``sampling_rate_hz``."""

    sampling_rate_hz: Hertz = 48000.0
    filter: Annotated[list[Annotated[AnyFilter, Field(discriminator="kind")]], Field(min_length=1)]


def read_export_settings(path: Path | str) -> ExportSettings:
    """Raises SettingsError with a line per mistake."""
    settings = _read(path, ExportSettings)
    names = [one.name for one in settings.set]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice:
        raise SettingsError(f"two sets are called {twice!r}: rename one", path=path)
    return settings


def read_filters(path: Path | str) -> tuple[list[Stage], dict[str, Any]]:
    """The stages of a file of filters, and what it says as JSON can hold it. Raises SettingsError, InputError."""
    settings = _read(path, FilterSettings)
    folder = Path(path).parent
    try:
        stages = [one.stage(settings.sampling_rate_hz, folder) for one in settings.filter]
    except InputError as error:
        raise SettingsError(f"{path}: the transfer function cannot be used: {error}") from error
    return stages, settings.model_dump()


def _read(path: Path | str, kind: type[Model]) -> Model:
    try:
        text = Path(path).read_text(encoding="utf-8")
        return kind.model_validate(tomllib.loads(text))
    except OSError as error:
        raise SettingsError(f"cannot read the settings: {error.strerror}", path=path) from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"not valid TOML: {error}", path=path) from error
    except ValidationError as error:
        mistakes = (_mistake(path, text, detail) for detail in error.errors())
        raise SettingsError("\n".join(dict.fromkeys(mistakes))) from None


def _mistake(path: Path | str, text: str, detail: ErrorDetails) -> str:
    """One line: file, line, key, what is wrong."""
    place = detail["loc"]
    index = next((part for part in place if isinstance(part, int)), None)
    keys = [str(part) for part in place if not isinstance(part, int)]
    table, key = keys[0], keys[-1]
    label = f"[[{table}]] number {index + 1}" if index is not None else table
    line = _line(text, table, index, key)
    where = f"{path}:{line}" if line else str(path)
    if detail["type"] == "extra_forbidden":
        near = get_close_matches(key, _known_keys(), n=1)
        return f"{where}: {label}: no such key '{key}'" + (f": did you mean '{near[0]}'?" if near else "")
    if detail["type"] == "missing":
        return f"{where}: {label} needs {key}"
    message = detail["msg"].removeprefix("Value error, ").replace("Input should", "must")
    named = f" {key}" if key != table and detail["type"] not in ("value_error", "union_tag_invalid") else ""
    given = detail.get("input")
    came = "" if isinstance(given, Mapping | list) else f", got {given!r}"
    return f"{where}: {label}:{named} {message}{came}"


def _known_keys() -> list[str]:
    tables = (
        NamedSet,
        ArcSet,
        SetSettings,
        SeatSet,
        AboutTable,
        CurveSettings,
        BiquadTable,
        DelayTable,
        CsvTable,
        AirTable,
    )
    tops = (ExportSettings, FilterSettings)
    return sorted({key for table in (*tables, *tops) for key in table.model_fields})


def _line(text: str, table: str, index: int | None, key: str) -> int:
    """The line of a key in the index-th [[table]], or of the table itself, 0 if neither is found."""
    seen, start = -1, 0
    for number, line in enumerate(text.splitlines(), start=1):
        plain = line.replace(" ", "")
        if plain.startswith((f"[[{table}]]", f"[{table}]")):
            seen += 1
            if seen == (index or 0):
                start = number
        if (start or index is None) and seen <= (index or 0) and plain.startswith(f"{key}="):
            return number
        if start and number > start and plain.startswith("["):
            break
    return start
