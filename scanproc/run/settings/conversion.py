"""Settings of a job: read from TOML, checked in full before anything starts.

A new section is a frozen model and a line in :class:`Settings`. The description of a field says what is
needed, in words that fit after "must be"; it is what a wrong value gets to see.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails

from scanproc.errors import SettingsError
from scanproc.records.measured.check import BAD_POINTS

HIGHEST_ORDER = 100

Model = TypeVar("Model", bound=BaseModel)


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


Section = _Section
"""For settings that are kept elsewhere."""


def _divides_the_circle(step_deg: float) -> float:
    count = 360 / step_deg
    if abs(count - round(count)) > 1e-9:
        raise ValueError("leaves a gap")
    return step_deg


Order = Annotated[int, Field(ge=0, le=HIGHEST_ORDER)]
Metres = Annotated[float, Field(ge=-100, le=100)]
Place = Annotated[list[Metres], Field(min_length=3, max_length=3)]
Hertz = Annotated[float, Field(gt=0)]


class FitSettings(_Section):
    """[fit]: how the expansion is chosen, and the held-out error it should reach."""

    order: Literal["auto"] | Order = Field(
        default="auto", description=f'"auto" or a whole number from 0 to {HIGHEST_ORDER}'
    )
    max_order: Order | None = Field(default=None, description=f"a whole number from 0 to {HIGHEST_ORDER}")
    centre_m: Literal["auto", "origin"] | Place = Field(
        default="auto", description='"auto", "origin" or three numbers [x, y, z] in metres'
    )
    estimator: Literal["auto", "truncated"] = Field(default="auto", description='"auto" or "truncated"')
    driver_m: list[Place] = Field(
        default=[], description="the places of drivers, each three numbers [x, y, z] in metres"
    )
    target_db: Annotated[float, Field(lt=0, ge=-200)] = Field(
        default=-25.0, description="a number from -200 up to but not including 0 (dB)"
    )


class FrequencySettings(_Section):
    """[frequencies]: which part of the scan is used; the spacing counts for impulse responses only."""

    lowest_hz: Hertz | None = Field(default=None, description="a number above 0")
    highest_hz: Hertz | None = Field(default=None, description="a number above 0")
    per_octave: Annotated[int, Field(ge=1, le=96)] = Field(
        default=24, description="a whole number from 1 to 96"
    )


class RoomSettings(_Section):
    """[room]: how the room is taken out, and what is known of it."""

    method: Literal["auto", "none", "gate", "model"] = Field(
        default="auto", description='"auto", "none", "gate" or "model"'
    )
    scattering: Literal["auto", "rigid", "none"] = Field(
        default="auto", description='"auto", "rigid" or "none"'
    )
    gate_end_s: Annotated[float, Field(gt=0, lt=10)] | None = Field(
        default=None, description="a number of seconds above 0 and below 10"
    )
    size_m: (
        Annotated[list[Annotated[float, Field(gt=0, le=1000)]], Field(min_length=3, max_length=3)] | None
    ) = Field(default=None, description="three numbers [along x, y, z] in metres")
    origin_m: (
        Annotated[list[Annotated[float, Field(gt=0, le=1000)]], Field(min_length=3, max_length=3)] | None
    ) = Field(default=None, description="three numbers [x, y, z] in metres")


class DirectionSettings(_Section):
    """[directions]: the far-field curves."""

    step_deg: Annotated[float, Field(ge=0.5, le=90), AfterValidator(_divides_the_circle)] = Field(
        default=10.0, description="a number of degrees from 0.5 to 90 that divides 360"
    )


class CurveSettings(_Section):
    """[curves]: what ANSI/CTA-2034-A leaves open, and the band of the sensitivity."""

    weighting: Literal["quadrangles", "zones"] = Field(
        default="quadrangles", description='"quadrangles" or "zones"'
    )
    divide_by_sum: bool = Field(default=True, description="true or false")
    rear_wall: Literal["all", "sides and back"] = Field(
        default="all", description='"all" (19 angles) or "sides and back" (90 and 180 deg)'
    )
    early_reflections: Literal["five averages", "single curves"] = Field(
        default="five averages", description='"five averages" or "single curves"'
    )
    sensitivity_band_hz: Annotated[list[Hertz], Field(min_length=2, max_length=2)] = Field(
        default=[300.0, 3000.0], description="two frequencies [low, high] in Hz"
    )


class PointsSettings(_Section):
    """[points]: the study of how many points are enough."""

    in_convert: bool = Field(default=True, description="true or false")
    sizes: Annotated[int, Field(ge=3, le=30)] = Field(default=8, description="a whole number from 3 to 30")
    draws: Annotated[int, Field(ge=1, le=100)] = Field(default=5, description="a whole number from 1 to 100")
    smallest_share: Annotated[float, Field(ge=0.01, le=0.9)] = Field(
        default=0.1, description="a number from 0.01 to 0.9"
    )
    seconds_per_point: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="a number of seconds above 0"
    )


Droppable = Literal[
    "not finite", "no signal", "clipped", "polarity", "gain", "delay", "position", "outlier", "duplicate"
]


class CheckSettings(_Section):
    """[check]: whether a conversion looks at the scan first, and what it does about what it finds."""

    run: bool = Field(default=True, description="true or false")
    drop: Literal["nothing", "bad"] | list[Droppable] = Field(
        default="nothing",
        description='"nothing", "bad" (every faulty point) or a list of kinds: "not finite", "no signal", '
        '"clipped", "polarity", "gain", "delay", "position", "outlier", "duplicate"',
    )
    correct_drift: bool = Field(default=False, description="true or false")
    correct_positions: bool = Field(default=False, description="true or false")

    @property
    def dropped_kinds(self) -> tuple[str, ...]:
        """The kinds of points to leave out."""
        if self.drop == "nothing":
            return ()
        return BAD_POINTS if self.drop == "bad" else tuple(self.drop)


class FigureSettings(_Section):
    """[figures]: the pictures of ``--figures``."""

    formats: Annotated[list[Literal["svg", "pdf", "png"]], Field(min_length=1)] = Field(
        default=["svg"], description='a list of "svg", "pdf" and "png"'
    )
    width_mm: Annotated[float, Field(ge=50, le=1000)] = Field(
        default=170.0, description="a width from 50 to 1000 mm"
    )
    theme: Literal["light", "dark", "both"] = Field(default="light", description='"light", "dark" or "both"')


class ReferenceSettings(_Section):
    """[reference]: an independent far-field measurement of the same device, for the page."""

    file: Annotated[str, Field(min_length=1)] | None = Field(
        default=None, description="the path of a reference, as compare takes it"
    )
    distance_m: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="a number of metres above 0"
    )
    unit: Literal["pa", "relative"] | None = Field(default=None, description='"pa" or "relative"')
    gate_s: Annotated[float, Field(gt=0, lt=10)] | None = Field(
        default=None, description="a number of seconds above 0 and below 10"
    )
    height_m: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="a number of metres above 0"
    )
    tolerance_db: Annotated[float, Field(gt=0, le=20)] = Field(
        default=1.0, description="a number of dB above 0, at most 20"
    )
    up_to_hz: Hertz | None = Field(default=None, description="a number above 0")


class UncertaintySettings(_Section):
    """[uncertainty]: what the scan itself cannot tell."""

    level_db: Annotated[float, Field(ge=0, le=20)] = Field(
        default=0.0, description="a standard uncertainty from 0 to 20 (dB)"
    )


class LimitSettings(_Section):
    """[limits]: what a job may take."""

    memory_gib: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="a number of GiB above 0 (left out: what is free when the job starts)"
    )
    hours: Annotated[float, Field(gt=0)] | None = Field(
        default=None, description="a number of hours above 0 (left out: no limit)"
    )


class Settings(_Section):
    """All sections, each with its defaults.

    >>> sp.Settings(fit={"order": 4}).fit.order
    4
    """

    fit: FitSettings = Field(default=FitSettings(), description="a section [fit]")
    frequencies: FrequencySettings = Field(default=FrequencySettings(), description="a section [frequencies]")
    room: RoomSettings = Field(default=RoomSettings(), description="a section [room]")
    directions: DirectionSettings = Field(default=DirectionSettings(), description="a section [directions]")

    points: PointsSettings = Field(default=PointsSettings(), description="a section [points]")
    curves: CurveSettings = Field(default=CurveSettings(), description="a section [curves]")
    check: CheckSettings = Field(default=CheckSettings(), description="a section [check]")
    figures: FigureSettings = Field(default=FigureSettings(), description="a section [figures]")
    uncertainty: UncertaintySettings = Field(
        default=UncertaintySettings(), description="a section [uncertainty]"
    )
    limits: LimitSettings = Field(default=LimitSettings(), description="a section [limits]")
    reference: ReferenceSettings = Field(default=ReferenceSettings(), description="a section [reference]")

    def who_set(self, section: str, key: str) -> str:
        """ "settings" if the user gave the value, else "default"."""
        return "settings" if key in getattr(self, section).model_fields_set else "default"


def read_settings(path: Path | str) -> Settings:
    """The settings of a TOML file. Raises SettingsError with one line per mistake, all in one go.

    >>> sp.read_settings(folder / "quick.toml").fit.order
    4
    """
    data, text = _read_toml(path)
    return parse_settings(data, str(path), text)


def with_reference(settings: Settings, file: Path) -> Settings:
    """The settings with another file in [reference]."""
    section = settings.reference.model_copy(update={"file": str(file)})
    return settings.model_copy(update={"reference": section})


def read_sections(path: Path | str, kind: type[Model]) -> Model:
    """Another kind of settings (a model of sections) from a TOML file; errors as :func:`read_settings`."""
    data, text = _read_toml(path)
    return _validated(kind, data, str(path), text)


def _read_toml(path: Path | str) -> tuple[dict[str, Any], str]:
    try:
        text = Path(path).read_text(encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"cannot read the settings: {error.strerror}", path=path) from error
    except UnicodeDecodeError as error:
        raise SettingsError("settings must be text in UTF-8: save the file as such", path=path) from error
    try:
        return tomllib.loads(text), text
    except RecursionError:
        raise SettingsError("not valid TOML: nested too deeply", path=path) from None
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line (\d+)", str(error))
        where = f"{path}:{line[1] if line else len(text.splitlines())}"
        raise SettingsError(f"not valid TOML: {error}", path=where) from error


def read_tables(path: Path | str) -> dict[str, Any]:
    """The tables of a TOML file that :func:`read_settings` has accepted."""
    return tomllib.loads(Path(path).read_text(encoding="utf-8"))


def parse_settings(data: Mapping[str, Any], source: str = "settings", text: str = "") -> Settings:
    """Settings from nested tables; ``text`` is the TOML they came from, to name lines."""
    settings = _validated(Settings, data, source, text)
    band = settings.frequencies
    if band.lowest_hz and band.highest_hz and band.lowest_hz >= band.highest_hz:
        where = _where(source, text, ("frequencies", "highest_hz"))
        raise SettingsError(
            f"{where}: frequencies.highest_hz must be above lowest_hz ({band.lowest_hz:g}), "
            f"got {band.highest_hz:g}"
        )
    if (settings.room.size_m is None) != (settings.room.origin_m is None):
        where = _where(source, text, ("room", "size_m" if settings.room.size_m else "origin_m"))
        raise SettingsError(f"{where}: room.size_m and room.origin_m belong together: give both or neither")
    return settings


def _validated(kind: type[Model], data: Mapping[str, Any], source: str, text: str) -> Model:
    try:
        return kind.model_validate(data)
    except ValidationError as error:
        raise SettingsError("\n".join(_in_words(error, kind, data, source, text))) from None


def _in_words(error: ValidationError, kind: type[BaseModel], data: Any, source: str, text: str) -> list[str]:
    """One line per wrong key, in the order of the file."""
    lines: dict[tuple[str, ...], str] = {}
    for detail in error.errors():
        key = _key(detail["loc"])
        lines.setdefault(key, f"{_where(source, text, key)}: {_mistake(kind, key, detail, data)}")
    return [lines[key] for key in sorted(lines, key=lambda key: _line_of(text, key))]


def _key(location: Sequence[int | str]) -> tuple[str, ...]:
    """Section and key of a mistake; what lies deeper (parts of a list, branches of a choice) is left out."""
    return tuple(str(part) for part in location[:2])


def _mistake(kind: type[BaseModel], key: tuple[str, ...], detail: ErrorDetails, data: Any) -> str:
    name = ".".join(key)
    if detail["type"] == "extra_forbidden":
        known = list(kind.model_fields if len(key) == 1 else _fields(kind, key[0]))
        near = get_close_matches(key[-1], known, n=1)
        hint = f"did you mean '{near[0]}'?" if near else "known are " + ", ".join(known)
        return f"{name}: no such {'section' if len(key) == 1 else 'setting'}: {hint}"
    field = kind.model_fields[key[0]] if len(key) == 1 else _fields(kind, key[0])[key[1]]
    for part in key:
        data = data[part]
    return f"{name} must be {field.description}, got {json.dumps(data, default=str)}"


def _fields(kind: type[BaseModel], section: str) -> Mapping[str, Any]:
    table = kind.model_fields[section].annotation
    assert isinstance(table, type)
    assert issubclass(table, BaseModel)
    return table.model_fields


def _where(source: str, text: str, key: tuple[str, ...]) -> str:
    line = _line_of(text, key)
    return f"{source}:{line}" if line else source


def _line_of(text: str, key: tuple[str, ...]) -> int:
    """Line on which a key is set, 0 if it is not: the one after the longest head of the text without it."""
    lines = text.splitlines()
    start = 0
    for count in range(1, len(lines) + 1):
        try:
            data: Any = tomllib.loads("\n".join(lines[:count]))
        except tomllib.TOMLDecodeError:
            continue
        if _holds(data, key):
            return start + 1
        start = count
    return 0


def _holds(data: Any, key: tuple[str, ...]) -> bool:
    for part in key:
        if not isinstance(data, dict) or part not in data:
            return False
        data = data[part]
    return True
