"""Settings of an import: where the sound is, what its numbers mean, what the files do not say."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from scanproc.conventions import REFERENCE_VOLTAGE_V
from scanproc.run.settings.conversion import Hertz, Metres, Section

Kind = Literal["auto", "wav", "sweeps", "csv", "npz", "sofa"]
Above = Annotated[float, Field(gt=0)]
Seconds = Annotated[float, Field(ge=-60, le=60)]
PATTERN = r"^[^{}]*\{number(:0?\d{1,2}d)?\}[^{}]*$"
Vector = Annotated[list[Metres], Field(min_length=3, max_length=3)]


class SourceSettings(Section):
    """[source]: which files hold what."""

    kind: Kind = Field(default="auto", description='"auto", "wav", "sweeps", "csv", "npz" or "sofa"')
    positions: str = Field(default="positions.csv", description="the name of a CSV table in the folder")
    pattern: Annotated[str, Field(pattern=PATTERN)] = Field(
        default="{number:04d}.wav", description='file names with {number}, e.g. "point_{number:04d}.wav"'
    )
    first_number: Annotated[int, Field(ge=0)] = Field(default=1, description="a whole number from 0")
    channel: Annotated[int, Field(ge=1, le=1024)] = Field(default=1, description="a whole number from 1")


class SoundSettings(Section):
    """[sound]: what the numbers mean."""

    pascal_per_unit: Above = Field(
        default=1.0, description="a number above 0 (Pa at full scale of whole numbers)"
    )
    time_zero_s: Seconds = Field(default=0.0, description="a number of seconds (first sample re the drive)")
    delay_s: Seconds = Field(
        default=0.0, description="a number of seconds (of converters and chain, taken out)"
    )
    microphone: str | None = Field(
        default=None, description="a CSV file with frequency_hz, level_db, phase_deg to divide by"
    )


class DriveSettings(Section):
    """[drive]: the signal of recorded sweeps, and how it is taken out."""

    file: str = Field(default="drive.wav", description="the name of a WAV file in the folder")
    lowest_hz: Hertz = Field(default=20.0, description="a number above 0")
    highest_hz: Hertz = Field(default=20000.0, description="a number above 0")
    floor_db: Annotated[float, Field(ge=-200, le=0)] = Field(
        default=-80.0, description="a number from -200 to 0 (dB re the drive's strongest frequency)"
    )
    before_s: Annotated[float, Field(ge=0, le=10)] = Field(
        default=0.05, description="a number of seconds from 0 to 10"
    )
    length_s: Above = Field(default=0.5, description="a number of seconds above 0")
    volts_per_unit: Above | None = Field(
        default=None, description="a number above 0 (absent: the drive voltage)"
    )
    harmonics: Literal[0, 2, 3, 4, 5] = Field(
        default=0, description="0, or the highest harmonic to keep, from 2 to 5"
    )


class ScanSettings(Section):
    """[scan]: what the scan file says about itself."""

    device: str = Field(default="", description="a text")
    notes: str = Field(default="", description="a text")
    date: str = Field(default="", description="a text in quotation marks")
    microphone: str = Field(default="", description="a text: which microphone, how calibrated")
    environment: Literal["", "anechoic", "room"] = Field(default="", description='"anechoic" or "room"')
    drive_voltage_v: Above = Field(default=REFERENCE_VOLTAGE_V, description="a number of volts above 0")
    temperature_c: Annotated[float, Field(ge=-50, le=70)] | None = Field(
        default=None, description="a number of degrees from -50 to 70"
    )
    humidity_percent: Annotated[float, Field(ge=0, le=100)] | None = Field(
        default=None, description="a number from 0 to 100"
    )
    air_pressure_kpa: Annotated[float, Field(ge=30, le=120)] | None = Field(
        default=None, description="a number from 30 to 120 (kPa)"
    )
    first_reflection_s: Above | None = Field(default=None, description="a number of seconds above 0")
    device_size_m: Vector | None = Field(
        default=None, description="three numbers [depth, width, height] in metres"
    )
    device_centre_m: Vector | None = Field(default=None, description="three numbers [x, y, z] in metres")


class ImportSettings(Section):
    """All sections of an import.

    >>> sp.ImportSettings(scan={"device": "quay horn", "temperature_c": 20.0}).scan.device
    'quay horn'
    """

    source: SourceSettings = Field(default=SourceSettings(), description="a section [source]")
    sound: SoundSettings = Field(default=SoundSettings(), description="a section [sound]")
    drive: DriveSettings = Field(default=DriveSettings(), description="a section [drive]")
    scan: ScanSettings = Field(default=ScanSettings(), description="a section [scan]")
