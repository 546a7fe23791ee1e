"""Sound in air: how fast it goes, how dense the air is, how much of the sound it takes away."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from scanproc.conventions import Real

REFERENCE_TEMPERATURE_C = 20.0
STANDARD_PRESSURE_KPA = 101.325
ZERO_C = 273.15
CARBON_DIOXIDE = 4e-4
"""Mole fraction of carbon dioxide."""

Speed = float | Real


def speed_of_sound_m_s(temperature_c: float | Real) -> Speed:
    """343.2·√(T/293.15) m/s (ISO 9613-1:1993)."""
    speed: Speed = 343.2 * np.sqrt((np.asarray(temperature_c) + ZERO_C) / 293.15)
    return speed


def speed_in_moist_air_m_s(
    temperature_c: float | Real, humidity_percent: float, air_pressure_kpa: float = STANDARD_PRESSURE_KPA
) -> Speed:
    """Speed of sound in m/s with water vapour and carbon dioxide, 0 to 30 °C, 75 to 102 kPa, to 300 ppm.

    The fit of Cramer, J. Acoust. Soc. Am. 93 (1993) 2510, at 400 ppm of carbon dioxide.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    p = 1000 * air_pressure_kpa
    water, carbon = water_vapour(t, humidity_percent, air_pressure_kpa), CARBON_DIOXIDE
    speed: Speed = (
        331.5024
        + 0.603055 * t
        - 0.000528 * t**2
        + (51.471935 + 0.1495874 * t - 0.000782 * t**2) * water
        + (-1.82e-7 + 3.73e-8 * t - 2.93e-10 * t**2) * p
        + (-85.20931 - 0.228525 * t + 5.91e-5 * t**2) * carbon
        - 2.835149 * water**2
        - 2.15e-13 * p**2
        + 29.179762 * carbon**2
        + 0.000486 * water * p * carbon
    )
    return speed


def water_vapour(
    temperature_c: float | Real, humidity_percent: float, air_pressure_kpa: float = STANDARD_PRESSURE_KPA
) -> Speed:
    """Mole fraction of water: humidity · enhancement factor · saturation pressure / pressure (CIPM-2007)."""
    t = np.asarray(temperature_c, dtype=np.float64)
    kelvin, p = t + ZERO_C, 1000 * air_pressure_kpa
    saturation = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    fraction: Speed = humidity_percent / 100 * enhancement * saturation / p
    return fraction


def density_kg_m3(
    temperature_c: float, air_pressure_kpa: float = STANDARD_PRESSURE_KPA, humidity_percent: float = 0.0
) -> float:
    """Density of moist air, kg/m³: CIPM-2007 (Picard, Davis, Gläser and Fujii, Metrologia 45 (2008) 149)."""
    kelvin, p = temperature_c + ZERO_C, 1000 * air_pressure_kpa
    x = float(water_vapour(temperature_c, humidity_percent, air_pressure_kpa))
    gas, dry_kg_mol, water_kg_mol = 8.314472, 28.96546e-3, 18.01528e-3
    ideal = p * dry_kg_mol / (gas * kelvin) * (1 - x * (1 - water_kg_mol / dry_kg_mol))
    return float(ideal / _compressibility(temperature_c, p / kelvin, x))


def _compressibility(t: float, p_over_t: float, x: float) -> float:
    """Z of CIPM-2007; its coefficients are from memory (Z differs from 1 by less than 0.001)."""
    linear = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * x
        + (1.9898e-4 - 2.376e-6 * t) * x**2
    )
    return 1 - p_over_t * linear + p_over_t**2 * (1.83e-11 - 0.765e-8 * x**2)


def absorption_db_m(
    frequency_hz: ArrayLike,
    temperature_c: float,
    humidity_percent: float,
    air_pressure_kpa: float = STANDARD_PRESSURE_KPA,
) -> Real:
    """Absorption of pure tones in dB/m, (F,) (ISO 9613-1:1993, equations 3 to 5 and annex B)."""
    f = np.asarray(frequency_hz, dtype=np.float64)
    warmth = (temperature_c + ZERO_C) / 293.15
    kelvin, pressure = temperature_c + ZERO_C, air_pressure_kpa / STANDARD_PRESSURE_KPA
    saturation = 10 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    h = humidity_percent * saturation / pressure
    oxygen = pressure * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen = pressure * warmth**-0.5 * (9 + 280 * h * np.exp(-4.170 * (warmth ** (-1 / 3) - 1)))
    relaxation = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen + f**2 / oxygen)
    relaxation = relaxation + 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen + f**2 / nitrogen)
    loss: Real = 8.686 * f**2 * (1.84e-11 / pressure * warmth**0.5 + warmth**-2.5 * relaxation)
    return loss
