"""Sound in air."""

from __future__ import annotations

import numpy as np

from scanproc.conventions import Real

REFERENCE_TEMPERATURE_C = 20.0
STANDARD_PRESSURE_KPA = 101.325
GAS_CONSTANT_DRY_AIR = 287.05
"""J/(kg K)."""


def speed_of_sound_m_s(temperature_c: float | Real) -> float | Real:
    """343.2·√(T/293.15) m/s (ISO 9613-1:1993)."""
    speed: float | Real = 343.2 * np.sqrt((np.asarray(temperature_c) + 273.15) / 293.15)
    return speed


def density_kg_m3(temperature_c: float, air_pressure_kpa: float = STANDARD_PRESSURE_KPA) -> float:
    """Dry air as an ideal gas, kg/m³."""
    return 1000 * air_pressure_kpa / (GAS_CONSTANT_DRY_AIR * (temperature_c + 273.15))
