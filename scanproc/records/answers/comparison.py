"""A far-field reference, and how far a scan agrees with it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import REFERENCE_VOLTAGE_V, Boolean, Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.checked import complex_array, increasing, positive, real_array, short_repr

CAUSES = (
    *("gain", "slope", "delay", "polarity", "toe-in", "tilt", "x", "y", "z", "reflection", "points"),
    *("noise", "room", "device"),
)
"""What can be told apart behind a difference; the units of ``Cause.size`` are dB, dB per octave, s, sign, deg, deg,
m three times (where the device stood against where it stood for the scan), dB re the direct sound (``at``: its delay
in s), Hz from which the points are too few (``at``: how many the wanted frequency would take, NaN where that cannot be
told), and for noise, an ungated room and another device the power of what they add, dB re the reference."""


@short_repr
@dataclass(frozen=True, eq=False)
class Reference:
    """Pressures measured in (quasi-)free field at a few angles.

    ``direction`` (angles, 3) unit vectors of the microphones from the scan's origin; ``distance_m`` (angles,), or None
    for values of the far field itself, p·r·e^{+jkr} in Pa·m; ``pressure_pa`` complex (angles, F) at the microphones,
    real and positive where only magnitudes are known (``has_phase`` off). ``relative``: the unit is not Pa, so levels
    mean nothing but their differences; ``clock_known`` off: the start of the record says nothing, so a delay is no
    fault. ``standard_error_db`` (angles, F), if the reference has its own. ``gate_s`` is the time from the direct
    sound to the end of the window, None without one, and ``onset_s`` when that sound begins at the nearest microphone,
    after the drive, None for spectra; below ``lowest_valid_hz`` nothing is judged. Raises ScanDataError when a shape
    or a value cannot be used.

    >>> sp.Reference("hall", ("axis",), [[1, 0, 0]], [2.0], [100.0, 200.0], np.ones((1, 2), complex)).angles
    1
    """

    name: str
    label: tuple[str, ...]
    direction: Real
    distance_m: Real | None
    frequency_hz: Real
    pressure_pa: Complex
    has_phase: bool = True
    relative: bool = False
    clock_known: bool = True
    standard_error_db: Real | None = None
    gate_s: float | None = None
    onset_s: float | None = None
    lowest_valid_hz: float = 0.0
    drive_voltage_v: float = REFERENCE_VOLTAGE_V

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "direction", real_array("direction", self.direction, ("angles", 3)))
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        increasing("frequency_hz", self.frequency_hz)
        shape = (len(self.direction), len(self.frequency_hz))
        put(self, "pressure_pa", complex_array("pressure_pa", self.pressure_pa, shape))
        if not shape[0] or not shape[1]:
            raise ScanDataError("the reference is empty: it needs at least one angle and one frequency")
        if len(self.label) != shape[0]:
            raise ScanDataError(f"label must name all {shape[0]} angles, got {len(self.label)}")
        if not np.allclose(np.linalg.norm(self.direction, axis=1), 1, atol=1e-9):
            raise ScanDataError("direction must hold unit vectors")
        if self.distance_m is not None:
            put(self, "distance_m", real_array("distance_m", self.distance_m, shape[:1]))
            if np.any(self.distance_m <= 0):
                raise ScanDataError("distance_m must be above zero at all angles")
        if self.standard_error_db is not None:
            error = real_array("standard_error_db", self.standard_error_db, shape, finite=False)
            put(self, "standard_error_db", error)
        put(self, "drive_voltage_v", positive("drive_voltage_v", self.drive_voltage_v))

    @property
    def angles(self) -> int:
        return len(self.direction)


@short_repr
@dataclass(frozen=True, eq=False)
class Alignment:
    """What would bring the scan's prediction nearest to the reference, each with a standard error.

    The reference is louder than the scan by ``gain_db`` plus ``slope_db`` per octave above ``pivot_hz``, later by
    ``delay_s``, of opposite polarity if ``inverted``, and was taken of a device turned by ``toe_in_deg`` (towards +y)
    and ``tilt_deg`` (front up) and moved by ``offset_m`` (x, y, z) against the scan. NaN where the data cannot tell;
    zero, with the error of a fit of all, where nothing differs. ``differs`` names what does ("gain", "slope", "delay",
    "toe-in", "tilt", "x", "y", "z"). ``applied`` names what the comparison has taken out ("gain", "delay", "polarity",
    "turn", "place"); ``residual_db`` is the relative difference that is left with all of them taken out, dB.
    """

    gain_db: float
    gain_error_db: float
    slope_db: float
    slope_error_db: float
    pivot_hz: float
    delay_s: float
    delay_error_s: float
    inverted: bool
    toe_in_deg: float
    toe_in_error_deg: float
    tilt_deg: float
    tilt_error_deg: float
    offset_m: tuple[float, float, float]
    offset_error_m: tuple[float, float, float]
    differs: tuple[str, ...]
    residual_db: float
    applied: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cause:
    """A likely cause of a difference: ``kind`` of ``CAUSES``, its size and standard error in the unit named there."""

    kind: str
    size: float
    error: float
    at: float = np.nan


@short_repr
@dataclass(frozen=True, eq=False)
class BandErrors:
    """By third-octave band (B,), NaN where nothing is known.

    Per angle (angles, B), scan minus reference: ``mean_db``, ``rms_db``, ``largest_db`` (absolute), ``complex_db``
    (|difference|² over |reference|², dB) and ``within`` (share of frequencies whose difference stays within 1.96
    combined standard errors). Over all angles (B,), dB: ``held_out_db``, the fit's error at left-out points;
    ``predicted_db``, what the error bars expect of the difference; ``actual_db``, the difference (complex if the
    reference has phase, else of the magnitudes).
    """

    band_hz: Real
    mean_db: Real
    rms_db: Real
    largest_db: Real
    complex_db: Real
    within: Real
    held_out_db: Real
    predicted_db: Real
    actual_db: Real

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "band_hz", real_array("band_hz", self.band_hz, ("bands",)))
        count = len(self.band_hz)
        for name in ("mean_db", "rms_db", "largest_db", "complex_db", "within"):
            put(self, name, real_array(name, getattr(self, name), ("angles", count), finite=False))
        for name in ("held_out_db", "predicted_db", "actual_db"):
            put(self, name, real_array(name, getattr(self, name), (count,), finite=False))


@short_repr
@dataclass(frozen=True, eq=False)
class Comparison:
    """A scan against a reference at its microphones.

    ``predicted_db`` and ``reference_db`` (angles, F): levels at the microphones, smoothed alike over 1/``per_octave``
    octave, those more than ``floor_db`` below the loudest angle raised to that floor, in dB re 20 µPa (re the far
    field at 1 m where ``distance_m`` is None) for 2.83 V, the alignment's ``applied`` parts taken out.
    ``uncertainty_db`` (angles, F) is one standard error of their difference: the fit's, the reference's own, and what
    its gate changes. ``judged`` (F,): at or above the lowest valid frequency. ``agrees`` (angles, F): the difference is
    within ``tolerance_db``. ``met_from_hz`` and ``met_up_to_hz``: the unbroken run of agreement at all angles from
    the lowest judged frequency; ``angle_up_to_hz`` (angles,) the same for each angle, NaN where there is none.
    ``points``: of the scan. ``beyond_errors``: where the two disagree, somewhere the difference is larger than the
    errors of both allow; off where they agree, or where it is only not known that they do. ``rms_db`` and
    ``left_rms_db``: the difference over all judged frequencies and angles, as it is and with the causes taken out; NaN
    where no cause was called for.
    """

    reference: str
    label: tuple[str, ...]
    direction: Real
    distance_m: Real | None
    frequency_hz: Real
    predicted_db: Real
    reference_db: Real
    uncertainty_db: Real
    judged: Boolean
    agrees: Boolean
    tolerance_db: float
    per_octave: float
    floor_db: float
    wanted_hz: float
    met_from_hz: float | None
    met_up_to_hz: float | None
    angle_up_to_hz: Real
    lowest_valid_hz: float
    gate_s: float | None
    has_phase: bool
    clock_known: bool
    relative: bool
    speed_of_sound_m_s: float
    points: int
    alignment: Alignment
    bands: BandErrors
    causes: tuple[Cause, ...]
    beyond_errors: bool = True
    rms_db: float = np.nan
    left_rms_db: float = np.nan

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        shape = (len(self.label), len(self.frequency_hz))
        for name in ("predicted_db", "reference_db", "uncertainty_db"):
            put(self, name, real_array(name, getattr(self, name), shape, finite=False))

    @property
    def difference_db(self) -> Real:
        """Scan minus reference (angles, F)."""
        return self.predicted_db - self.reference_db

    @property
    def matches(self) -> bool:
        """Whether the agreement reaches the wanted frequency."""
        return self.met_up_to_hz is not None and self.met_up_to_hz >= self.wanted_hz * (1 - 1e-9)
