"""A scan: where the microphone was, and what it heard there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from scanproc.conventions import REFERENCE_VOLTAGE_V, Boolean, Complex, Integer, Real, Words
from scanproc.errors import ScanDataError
from scanproc.records.checked import (
    all_within,
    boolean_array,
    complex_array,
    finite,
    increasing,
    integer_array,
    positive,
    real_array,
    short_repr,
    text_array,
    within,
)

FARTHEST_M, HIGHEST_HZ, LARGEST_PA, HIGHEST_LAYER = 1e4, 1e7, 1e12, 10**9
"""Beyond these no number can be meant, and squares overflow."""
TEMPERATURES_C = (-100.0, 100.0)

ENVIRONMENTS = ("", "anechoic", "room")


@short_repr
@dataclass(frozen=True, eq=False)
class ScanSetup:
    """Everything about a scan apart from the sound itself.

    ``position_m`` (points, 3) in the frame of :mod:`scanproc.conventions`; ``time_s`` (points,) since the
    start; ``point_temperature_c`` (points,); ``layer`` (points,), a number per layer of points; ``point_name``
    (points,), the file that each point came from; ``clipped`` (points,), whether its recording was clipped.
    ``device_size_m`` is (depth, width, height), ``device_centre_m`` the middle of that box. ``environment`` is
    "anechoic", "room" or "" where nothing is said; ``date`` and ``microphone`` in the laboratory's own words.
    ``lowest_hz`` and ``highest_hz`` bound the band that was driven, where that is known.

    Raises ScanDataError when a shape or a value cannot be used.

    >>> sp.ScanSetup(np.eye(3), device="quay horn", device_size_m=[0.3, 0.2, 0.4]).points
    3
    """

    position_m: Real
    time_s: Real | None = None
    point_temperature_c: Real | None = None
    layer: Integer | None = None
    point_name: Words | None = None
    clipped: Boolean | None = None
    device: str = ""
    drive_voltage_v: float = REFERENCE_VOLTAGE_V
    temperature_c: float | None = None
    humidity_percent: float | None = None
    air_pressure_kpa: float | None = None
    speed_of_sound_m_s: float | None = None
    device_size_m: Real | None = None
    device_centre_m: Real | None = None
    first_reflection_s: float | None = None
    environment: str = ""
    date: str = ""
    microphone: str = ""
    lowest_hz: float | None = None
    highest_hz: float | None = None
    notes: str = ""

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "position_m", real_array("position_m", self.position_m, ("points", 3)))
        if self.points and np.abs(self.position_m).max() > FARTHEST_M:
            raise ScanDataError(
                f"position_m must lie within {FARTHEST_M:.0f} m, got {np.abs(self.position_m).max():.3g} m: m or mm?"
            )
        for name in ("time_s", "point_temperature_c"):
            if getattr(self, name) is not None:
                put(self, name, real_array(name, getattr(self, name), (self.points,)))
        if self.point_temperature_c is not None:
            all_within("temperature_c", self.point_temperature_c, *TEMPERATURES_C)
        if self.layer is not None:
            put(self, "layer", integer_array("layer", self.layer, (self.points,)))
            all_within("layer", self.layer, -HIGHEST_LAYER, HIGHEST_LAYER)
        if self.point_name is not None:
            put(self, "point_name", text_array("point_name", self.point_name, (self.points,)))
        if self.clipped is not None:
            put(self, "clipped", boolean_array("clipped", self.clipped, (self.points,)))
        for name in ("device_size_m", "device_centre_m"):
            if getattr(self, name) is not None:
                put(self, name, real_array(name, getattr(self, name), (3,)))
        if self.device_size_m is not None and np.any(self.device_size_m <= 0):
            raise ScanDataError("device_size_m must be above zero in depth, width and height")
        if self.environment not in ENVIRONMENTS:
            raise ScanDataError(
                f'environment must be "anechoic" or "room", or left out, got {self.environment!r}'
            )
        put(self, "drive_voltage_v", positive("drive_voltage_v", self.drive_voltage_v))
        for name in (
            "speed_of_sound_m_s",
            "air_pressure_kpa",
            "first_reflection_s",
            "lowest_hz",
            "highest_hz",
        ):
            if getattr(self, name) is not None:
                put(self, name, positive(name, getattr(self, name)))
        for name, bounds in (("temperature_c", TEMPERATURES_C), ("humidity_percent", (0.0, 100.0))):
            if getattr(self, name) is not None:
                put(self, name, within(name, getattr(self, name), *bounds))

    @property
    def points(self) -> int:
        return len(self.position_m)

    @property
    def names(self) -> Words:
        """What each point is called, (points,): its file, else its number counted from 1."""
        if self.point_name is not None:
            return self.point_name
        return np.arange(1, self.points + 1).astype(np.str_)

    def take(self, which: Integer) -> ScanSetup:
        """The setup with only the points of the given indices, in their order."""
        same = self.point_name is None and np.array_equal(which, np.arange(self.points))
        return replace(
            self,
            position_m=self.position_m[which],
            time_s=None if self.time_s is None else self.time_s[which],
            point_temperature_c=None if self.point_temperature_c is None else self.point_temperature_c[which],
            layer=None if self.layer is None else self.layer[which],
            point_name=None if same else self.names[which],
            clipped=None if self.clipped is None else self.clipped[which],
        )


@short_repr
@dataclass(frozen=True, eq=False)
class Scan:
    """Complex pressures (rms phasors, Pa) by point and frequency.

    ``frequency_hz`` (F,) increasing; ``pressure_pa`` (points, F); ``noise_pa`` (F,) or (points, F), the rms
    background of each value, if known. Raises ScanDataError when a shape or a value cannot be used.

    >>> sp.Scan(sp.ScanSetup(np.eye(3)), np.array([100.0, 200.0]), np.ones((3, 2), complex)).points
    3
    """

    setup: ScanSetup
    frequency_hz: Real
    pressure_pa: Complex
    noise_pa: Real | None = None

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        if len(self.frequency_hz) == 0:
            raise ScanDataError("frequency_hz is empty: a scan needs at least one frequency")
        if self.frequency_hz[0] <= 0:
            raise ScanDataError(f"frequency_hz must be above zero, starts at {self.frequency_hz[0]:g}")
        increasing("frequency_hz", self.frequency_hz)
        all_within("frequency_hz", self.frequency_hz, 0.0, HIGHEST_HZ)
        shape = (self.setup.points, len(self.frequency_hz))
        put(self, "pressure_pa", complex_array("pressure_pa", self.pressure_pa, shape))
        if self.noise_pa is not None:
            noise_shape = shape if np.ndim(self.noise_pa) == 2 else shape[1:]
            put(self, "noise_pa", real_array("noise_pa", self.noise_pa, noise_shape))
            all_within("noise_pa", self.noise_pa, 0.0, LARGEST_PA)

    @property
    def points(self) -> int:
        return self.setup.points

    def take_points(self, which: Integer) -> Scan:
        """The scan with only the points of the given indices, in their order."""
        noise = self.noise_pa
        if noise is not None and noise.ndim == 2:
            noise = noise[which]
        return Scan(self.setup.take(which), self.frequency_hz, self.pressure_pa[which], noise)

    def take_frequencies(self, which: slice | Integer) -> Scan:
        """The scan with only the frequencies of the given slice or indices."""
        noise = None if self.noise_pa is None else self.noise_pa[..., which]
        return Scan(self.setup, self.frequency_hz[which], self.pressure_pa[:, which], noise)


def beside(parts: Sequence[Scan]) -> Scan:
    """One scan from parts of one scan with rising frequencies."""
    noises = [part.noise_pa for part in parts if part.noise_pa is not None]
    noise = np.concatenate(noises, axis=-1) if len(noises) == len(parts) else None
    return Scan(
        parts[0].setup,
        np.concatenate([part.frequency_hz for part in parts]),
        np.concatenate([part.pressure_pa for part in parts], axis=1),
        noise,
    )


@short_repr
@dataclass(frozen=True, eq=False)
class ImpulseScan:
    """Impulse responses (Pa per drive) by point and sample.

    ``impulse_response_pa`` (points, samples), float32 or float64; ``time_zero_s`` is the time of the first
    sample relative to the drive. Raises ScanDataError when a shape or a value cannot be used.

    >>> sp.ImpulseScan(sp.ScanSetup(np.eye(3)), np.zeros((3, 512)), 48000.0).points
    3
    """

    setup: ScanSetup
    impulse_response_pa: Real
    sampling_rate_hz: float
    time_zero_s: float = 0.0

    def __post_init__(self) -> None:
        put = object.__setattr__
        shape = (self.setup.points, "samples")
        put(self, "impulse_response_pa", real_array("impulse_response_pa", self.impulse_response_pa, shape))
        put(self, "sampling_rate_hz", positive("sampling_rate_hz", self.sampling_rate_hz))
        put(self, "time_zero_s", finite("time_zero_s", self.time_zero_s))

    @property
    def points(self) -> int:
        return self.setup.points
