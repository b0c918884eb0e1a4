"""Pressure and height."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from qc.physics.vectors import Floats, settle, vectors

LAPSE_RATE = 0.0065
"""K/m, of the column of air that stands in for the ground. Source: WMO-8 and USSA. Standing: from memory."""

VAPOUR_TERM = 0.12
"""K/hPa, warming of the column's mean virtual temperature per hPa of vapour. Source: WMO-8. Standing: from memory."""


def sea_level_pressure(
    pressure_hpa: ArrayLike,
    temperature_degc: ArrayLike,
    elevation_m: ArrayLike,
    vapour_pressure_hpa: ArrayLike = 0.0,
) -> Floats:
    """Station pressure reduced to sea level by the hypsometric equation p0 = p exp(g H / (Rd Tmv)).

    That is the equation of MetPy's `altimeter_to_sea_level_pressure` ([1]_, eq. 2.31), with MetPy's g and Rd. MetPy
    1.7.1 has no reduction from station pressure, and takes the station's temperature; here it is the mean virtual
    temperature of the column, which the equation asks for, in WMO-8's terms [2]_: Tmv = T + 0.0065 H / 2 + 0.12 e.

    Higher than WMO-8's own form, log10(p0/p) = 0.0148275 H / Tmv, by (computed; standard pressure, 20 degC, 50 %):
    0.02 hPa at 310 m, 0.07 at 950 m, 0.2 at 2000 m, 0.3 at 4000 m. Without vapour pressure: 0.2, 0.6, 1.2, 2.2 hPa.
    With the station's temperature alone: 0.3, 1.8, 6.3, 21 hPa.
    Above some 750 m any reduction is a convention: there is no air below the station to measure.

    Parameters
    ----------
    pressure_hpa : at station level. [hPa]
    temperature_degc : of the air at the station. [degC]
    elevation_m : of the barometer above mean sea level. [m]
    vapour_pressure_hpa : at the station; 0, the default, takes the air for dry. [hPa]

    Returns
    -------
    pressure : common shape of the inputs, NaN where one is NaN or the column would be at absolute zero. [hPa]

    References
    ----------
    .. [1] J. M. Wallace and P. V. Hobbs, Atmospheric Science: An Introductory Survey, Academic Press, 1977.
    .. [2] WMO-No. 8, Guide to Instruments and Methods of Observation, Vol. I, ch. 3 (from memory).
    """
    from metpy.constants import Rd, g

    per_kelvin = float((Rd / g).m_as("m/K"))
    shape, (p, t, h, e) = vectors(pressure_hpa, temperature_degc, elevation_m, vapour_pressure_hpa)
    mean = t + 273.15 + LAPSE_RATE * h / 2.0 + VAPOUR_TERM * e
    # an undeclared marker such as -9999 must not blow up the exponential
    mean = np.where(mean > 0.0, mean, np.nan)
    with np.errstate(over="ignore"):
        reduced = p * np.exp(h / (per_kelvin * mean))
    return settle(np.where(np.isinf(reduced), np.nan, reduced)).reshape(shape)


def standard_pressure(elevation_m: ArrayLike) -> Floats:
    """Pressure of the U.S. Standard Atmosphere at a height, by MetPy's `height_to_pressure_std` [1]_.

    MetPy starts from 288 K where the standard has 288.15: 0.06 hPa too low at 1000 m, 0.2 at 5000 m.

    Parameters
    ----------
    elevation_m : above mean sea level, below 11 km. [m]

    Returns
    -------
    pressure : same shape. [hPa]

    References
    ----------
    .. [1] P. V. Hobbs and J. M. Wallace, Atmospheric Science: An Introductory Survey, 1977, pp. 60-61 (as MetPy
       cites it).
    """
    from metpy.calc import height_to_pressure_std
    from metpy.units import units

    shape, (h,) = vectors(elevation_m)
    return settle(np.asarray(height_to_pressure_std(units.Quantity(h, "m")).m_as("hPa"))).reshape(shape)
