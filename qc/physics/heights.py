"""What is usual at a place: pressure by height, air temperature by latitude and season, and how far both stray.

Rough on purpose: they tell a wrong unit or height from a right one, never a sensor that is a little off.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from qc.physics.pressure import LAPSE_RATE, standard_pressure
from qc.physics.vectors import Floats

SCALE_M_PER_K = 29.27
"""m of height for each K of the column's temperature over which pressure falls by e: Rd / g (computed)."""


def pressure_spread(latitude: float, days: float) -> float:
    """Standard deviation of a median of station pressure over some days about the standard pressure of its height.

    Parameters
    ----------
    latitude : [degree]
    days : of record. [d]

    Returns
    -------
    spread. [hPa] 8 for a day and 5 for two weeks in middle latitudes, 2.5 in the tropics (common practice; signatures
    1.12), with 1.2 hPa for heights that are known within 10 m.
    """
    wide = 5.0 + 3.0 * float(np.clip((14.0 - days) / 13.0, 0.0, 1.0))
    wide = 2.5 if abs(latitude) < 23.5 else wide
    return float(np.hypot(wide, 1.2))


COLUMN = (5.0, 10.0)
"""K; how far the air below a station lies from what the station's own air tells (inversions, slopes), and from the
standard atmosphere where no temperature is measured (judgement: seasons of middle latitudes)."""


def usual_pressure(elevation_m: float, temperature_degc: float | None) -> float:
    """Pressure at a height over which the air is as warm as at the station; standard without its temperature. [hPa]

    1013.25 hPa at sea level and `LAPSE_RATE` below. A station at 2900 m reads 9 hPa more in summer than the standard
    atmosphere has there (computed).
    """
    if temperature_degc is None:
        return float(standard_pressure(elevation_m))
    mean = temperature_degc + 273.15 + LAPSE_RATE * elevation_m / 2.0
    return 1013.25 * float(np.exp(-elevation_m / (SCALE_M_PER_K * mean)))


def metres_per_hpa(pressure_hpa: float, temperature_degc: float | None) -> float:
    """Metres for each hPa: 8.3 near sea level, 11 at 3000 m (computed). [m/hPa]"""
    return SCALE_M_PER_K * (273.15 + (10.0 if temperature_degc is None else temperature_degc)) / pressure_hpa


def pressure_spread_at(latitude: float, days: float, elevation_m: float, temperature_degc: float | None) -> float:
    """`pressure_spread`, and what the temperature of the air below the station leaves open at its height. [hPa]"""
    usual = usual_pressure(elevation_m, temperature_degc)
    warm = 273.15 + (10.0 if temperature_degc is None else temperature_degc)
    off = COLUMN[1] if temperature_degc is None else COLUMN[0]
    column = usual * abs(elevation_m) / (SCALE_M_PER_K * warm) * off / warm
    return float(np.hypot(pressure_spread(latitude, days), column))


HPA = (1.33322, 33.8639, 10.0, 0.01)
"""hPa in a mmHg, an inHg, a kPa and a Pa (from memory: definitions)."""


def in_other_unit(pressure: float, usual_hpa: float, spread_hpa: float) -> bool:
    """Whether a pressure in another unit than hPa would be usual within four spreads: it tells no height then."""
    return any(abs(pressure * factor - usual_hpa) < 4.0 * spread_hpa for factor in HPA)


def reduction(pressure_hpa: ArrayLike, elevation_m: float, temperature_degc: float = 15.0) -> Floats:
    """What a reduction to sea level adds to station pressure. [hPa]

    Parameters
    ----------
    pressure_hpa : at station level, any shape. [hPa]
    elevation_m : [m]
    temperature_degc : of the air at the station. [degC]
    """
    mean = temperature_degc + 273.15 + LAPSE_RATE * elevation_m / 2.0
    return np.asarray(np.asarray(pressure_hpa, float) * np.expm1(elevation_m / (SCALE_M_PER_K * mean)))


def height_of(pressure_hpa: float, temperature_degc: float | None = None) -> float:
    """Height at which a pressure is that of the U.S. Standard Atmosphere, or `usual_pressure` turned over. [m]"""
    if temperature_degc is None:
        return float(44330.8 * (1.0 - (pressure_hpa / 1013.25) ** 0.190263))
    fall = -SCALE_M_PER_K * float(np.log(pressure_hpa / 1013.25))  # m for each K of the column
    return fall * (temperature_degc + 273.15) / (1.0 - fall * LAPSE_RATE / 2.0)


def usual_temperature(latitude: float, elevation_m: float, day_of_year: ArrayLike) -> Floats:
    """A middle air temperature by latitude, height and day of the year. [degC]

    Rough climatology (from memory: 27 degC at the equator, 11 at 50, -13 at 80 degrees; half the yearly range 0.22 K
    for each degree of latitude, warmest three weeks after the solstice); a station's month lies within about 7 K of it.
    """
    day = np.asarray(day_of_year, float)
    away = abs(latitude)
    season = np.cos(2 * np.pi * (day - 200.0) / 365.25) * (1.0 if latitude >= 0 else -1.0)
    return np.asarray(27.0 - 0.0065 * elevation_m - away**2 * 0.0062 + 0.22 * away * season)
