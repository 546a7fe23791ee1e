"""Far-field frequency responses at a set of angles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from scanproc.conventions import REFERENCE_VOLTAGE_V, Complex, Real
from scanproc.errors import ScanDataError
from scanproc.records.checked import complex_array, positive, real_array, short_repr


@short_repr
@dataclass(frozen=True, eq=False)
class DirectionSet:
    """Far-field pressures p·r·e^{+jkr} (Pa·m) at directions, with a standard error each.

    ``direction`` (angles, 3) unit vectors; ``pressure_pa_m`` complex (angles, F); ``standard_error_db``
    (angles, F). For orbits ``orbit`` names the orbit of each angle ("horizontal", "vertical") and
    ``angle_deg`` (angles,) the angle on it. ``distance_m`` (angles,) is None for the far field, else the distance
    r of seats at which p·r·e^{+jkr} was taken. ``delay`` says whether the delay over the distance (1 m for the far
    field) is "removed", as the factor e^{+jkr} does, or "kept". Raises ScanDataError when a shape or a value cannot
    be used.
    """

    name: str
    direction: Real
    frequency_hz: Real
    pressure_pa_m: Complex
    standard_error_db: Real
    orbit: tuple[str, ...] | None = None
    angle_deg: Real | None = None
    drive_voltage_v: float = REFERENCE_VOLTAGE_V
    distance_m: Real | None = None
    delay: str = "removed"
    speed_of_sound_m_s: float | None = None

    def __post_init__(self) -> None:
        put = object.__setattr__
        put(self, "frequency_hz", real_array("frequency_hz", self.frequency_hz, ("frequencies",)))
        put(self, "direction", real_array("direction", self.direction, ("angles", 3)))
        shape = (len(self.direction), len(self.frequency_hz))
        put(self, "pressure_pa_m", complex_array("pressure_pa_m", self.pressure_pa_m, shape))
        error = real_array("standard_error_db", self.standard_error_db, shape, finite=False)
        put(self, "standard_error_db", error)
        put(self, "drive_voltage_v", positive("drive_voltage_v", self.drive_voltage_v))
        if self.distance_m is not None:
            put(self, "distance_m", real_array("distance_m", self.distance_m, (shape[0],)))
            if np.any(self.distance_m <= 0):
                raise ScanDataError("distance_m must be above zero at all angles")
        if self.delay not in ("removed", "kept"):
            raise ScanDataError(f'delay must be "removed" or "kept", got {self.delay!r}')
        if not np.allclose(np.linalg.norm(self.direction, axis=1), 1, atol=1e-9):
            raise ScanDataError("direction must hold unit vectors")
        if (self.orbit is None) != (self.angle_deg is None):
            raise ScanDataError("orbit and angle_deg belong together: give both or neither")
        if self.orbit is not None and self.angle_deg is not None:
            put(self, "orbit", tuple(str(name) for name in self.orbit))
            put(self, "angle_deg", real_array("angle_deg", self.angle_deg, (shape[0],)))
            if len(self.orbit) != shape[0]:
                raise ScanDataError(f"orbit must name all {shape[0]} angles, got {len(self.orbit)}")

    @property
    def angles(self) -> int:
        return len(self.direction)
