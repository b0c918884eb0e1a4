"""Water in the air, by the formulas of WMO-8 [1]_.

Relative humidity and dew point are with respect to liquid water at every temperature, as stations report them.

.. [1] WMO-No. 8, Guide to Instruments and Methods of Observation, Vol. I, ch. 4 annex (from memory).
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from qc.physics.vectors import Floats, settle, vectors


class _Magnus(NamedTuple):
    """e = at_zero * exp(slope * t / (pole + t)): hPa, 1, degC."""

    at_zero: float
    slope: float
    pole: float


# source: WMO-8 [1]; standing: from memory
_MAGNUS = {"water": _Magnus(6.112, 17.62, 243.12), "ice": _Magnus(6.112, 22.46, 272.62)}


def _vapour(t: Floats, over: Literal["water", "ice"]) -> Floats:
    m = _MAGNUS[over]
    t = np.where(t > -m.pole, t, np.nan)
    return m.at_zero * np.exp(m.slope * t / (m.pole + t))


def saturation_vapour_pressure(t: ArrayLike, over: Literal["water", "ice"] = "water") -> Floats:
    """Pressure of water vapour in equilibrium with water or ice.

    6.112 exp(17.62 t / (243.12 + t)) over water, meant for -45 to 60 degC; 6.112 exp(22.46 t / (272.62 + t)) over ice,
    meant for -65 to 0 degC.

    Parameters
    ----------
    t : temperature. [degC]
    over : `water` or `ice`.

    Returns
    -------
    pressure : same shape, NaN where t is NaN or at or below the formula's pole. [hPa]
    """
    shape, (temperature,) = vectors(t)
    return settle(_vapour(temperature, over), 9).reshape(shape)


def dew_point(t: ArrayLike, rh: ArrayLike) -> Floats:
    """Temperature at which the water in the air would saturate it over water.

    Parameters
    ----------
    t : air temperature. [degC]
    rh : relative humidity over water; above 100 the dew point lies above t. [%]

    Returns
    -------
    dew point : common shape of the inputs, exactly t at 100 % where t has six decimals or fewer; NaN where one is NaN,
    rh is not above 0, or no dew point exists. [degC]
    """
    shape, (temperature, humidity) = vectors(t, rh)
    m = _MAGNUS["water"]
    temperature = np.where(temperature > -m.pole, temperature, np.nan)
    share = np.where(humidity > 0.0, humidity, np.nan) / 100.0
    exponent = np.log(share) + m.slope * temperature / (m.pole + temperature)
    exponent = np.where(exponent < m.slope, exponent, np.nan)
    return settle(m.pole * exponent / (m.slope - exponent)).reshape(shape)


def relative_humidity(t: ArrayLike, td: ArrayLike) -> Floats:
    """Relative humidity over water from air temperature and dew point.

    Parameters
    ----------
    t : air temperature. [degC]
    td : dew point over water. [degC]

    Returns
    -------
    humidity : common shape of the inputs, exactly 100 where td = t, NaN where one is NaN or below the pole. [%]
    """
    shape, (temperature, dew) = vectors(t, td)
    m = _MAGNUS["water"]
    temperature = np.where(temperature > -m.pole, temperature, np.nan)
    dew = np.where(dew > -m.pole, dew, np.nan)
    exponent = m.slope * dew / (m.pole + dew) - m.slope * temperature / (m.pole + temperature)
    with np.errstate(over="ignore"):
        humidity = 100.0 * np.exp(exponent)
    return settle(np.where(np.isinf(humidity), np.nan, humidity)).reshape(shape)


def dew_point_of(vapour_hpa: ArrayLike, over: Literal["water", "ice"] = "water") -> Floats:
    """Temperature at which a vapour pressure saturates over water, or over ice: the frost point.

    Parameters
    ----------
    vapour_hpa : pressure of water vapour. [hPa]
    over : `water` or `ice`.

    Returns
    -------
    temperature : same shape, NaN where the pressure is NaN, not above 0 or above all that the formula reaches. [degC]
    """
    shape, (vapour,) = vectors(vapour_hpa)
    m = _MAGNUS[over]
    exponent = np.log(np.where(vapour > 0.0, vapour, np.nan) / m.at_zero)
    exponent = np.where(exponent < m.slope, exponent, np.nan)
    return settle(m.pole * exponent / (m.slope - exponent)).reshape(shape)


def ice_saturation(t: ArrayLike) -> Floats:
    """Relative humidity, over water as stations report it, at which the air is saturated over ice; 100 from 0 degC on.

    Parameters
    ----------
    t : air temperature. [degC]

    Returns
    -------
    humidity : same shape; 100 where t is NaN. [%]
    """
    shape, (temperature,) = vectors(t)
    frost = np.where(temperature < 0.0, temperature, 0.0)
    return settle(100.0 * _vapour(frost, "ice") / _vapour(frost, "water"), 9).reshape(shape)
