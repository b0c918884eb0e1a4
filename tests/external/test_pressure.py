"""Reduction to sea level by four methods; the standard atmosphere."""

from __future__ import annotations

import numpy as np
import pytest

from qc.physics.pressure import sea_level_pressure, standard_pressure

# Handbook section 5, the worked cases: station hPa, m, degC, vapour hPa, then the sea-level pressure in hPa by
# WMO-8's log10(p0/p) = 0.0148275 H / Tmv [from memory], the dry mean-temperature and the isothermal form [computed]
CASES = [
    pytest.param(950.0, 500.0, 15.0, 10.0, 1007.40, 1007.68, 1008.02, id="500 m"),
    pytest.param(900.0, 950.0, 10.0, 8.0, 1007.60, 1008.06, 1009.31, id="950 m"),
    pytest.param(1000.0, 100.0, 20.0, 12.0, 1011.64, 1011.71, 1011.72, id="100 m"),
]
NAMES = ("p", "h", "t", "e", "wmo", "dry", "isothermal")


def by_wmo8(p: float, h: float, t: float, e: float) -> float:
    return float(p * 10.0 ** (0.0148275 * h / (t + 273.15 + 0.0065 * h / 2.0 + 0.12 * e)))


def by_mean_temperature(p: float, h: float, t: float) -> float:
    return float(p * np.exp(9.80665 * h / (287.05 * (t + 273.15 + 0.0065 * h / 2.0))))


def by_station_temperature(p: float, h: float, t: float) -> float:
    return float(p * np.exp(9.80665 * h / (287.05 * (t + 273.15))))


def by_metpy(p: float, h: float, t: float) -> float:
    """MetPy has no station-to-sea-level reduction: through the altimeter setting that gives this station pressure."""
    from metpy.calc import altimeter_to_sea_level_pressure, altimeter_to_station_pressure
    from metpy.constants import Rd, g
    from metpy.units import units

    n = float((Rd * units.Quantity(6.5, "K/km") / g).m_as(""))
    setting = ((p - 0.3) ** n + 1013.25**n * 0.0065 * h / 288.0) ** (1.0 / n)  # Smithsonian Tables (1951) p. 269
    altimeter, height = units.Quantity(setting, "hPa"), units.Quantity(h, "m")
    assert altimeter_to_station_pressure(altimeter, height).m_as("hPa") == pytest.approx(p, abs=1e-8)
    return float(altimeter_to_sea_level_pressure(altimeter, height, units.Quantity(t, "degC")).m_as("hPa"))


@pytest.mark.parametrize(NAMES, CASES)
def test_the_other_formulas_give_the_handbooks_values(
    p: float, h: float, t: float, e: float, wmo: float, dry: float, isothermal: float
) -> None:
    assert by_wmo8(p, h, t, e) == pytest.approx(wmo, abs=0.006)
    assert by_mean_temperature(p, h, t) == pytest.approx(dry, abs=0.006)
    assert by_station_temperature(p, h, t) == pytest.approx(isothermal, abs=0.006)


@pytest.mark.parametrize(NAMES, CASES)
def test_reduction_of_dry_air_is_the_mean_temperature_form(
    p: float, h: float, t: float, e: float, wmo: float, dry: float, isothermal: float
) -> None:
    found = float(sea_level_pressure(p, t, h))
    assert found == pytest.approx(dry, abs=0.006)
    assert found == pytest.approx(wmo, abs=0.5)  # handbook: methods differ by 0.3 hPa at 500 m, 0.5 at 950 m
    assert 0.0 < isothermal - found < 1.3  # handbook: the isothermal form is higher, by up to 1.3 hPa at 950 m


@pytest.mark.parametrize(NAMES, CASES)
def test_reduction_with_vapour_is_wmo8s(
    p: float, h: float, t: float, e: float, wmo: float, dry: float, isothermal: float
) -> None:
    # 0.0148275 ln 10 is 0.06 % below g / Rd, and the reduction here is 108 hPa at most
    assert float(sea_level_pressure(p, t, h, e)) == pytest.approx(wmo, abs=0.08)


@pytest.mark.parametrize(NAMES, CASES)
def test_metpy_gives_the_same_from_the_same_temperature(
    p: float, h: float, t: float, e: float, wmo: float, dry: float, isothermal: float
) -> None:
    assert by_metpy(p, h, t) == pytest.approx(isothermal, abs=0.006)  # MetPy puts in the station's temperature
    column = t + 0.0065 * h / 2.0
    assert float(sea_level_pressure(p, t, h)) == pytest.approx(by_metpy(p, h, column), abs=1e-5)


@pytest.mark.parametrize(
    ("h", "dry_off", "moist_off", "isothermal_off"),
    [(310.0, 0.20, 0.02, 0.32), (2000.0, 1.21, 0.15, 6.26), (3000.0, 1.74, 0.22, 12.87), (5000.0, 2.66, 0.34, 31.81)],
)
def test_how_far_the_methods_part_on_high_ground(
    h: float, dry_off: float, moist_off: float, isothermal_off: float
) -> None:
    """Computed: above WMO-8's form in hPa, at standard pressure, 20 degC and 50 %."""
    p, t, e = float(standard_pressure(h)), 20.0, 11.663
    wmo = by_wmo8(p, h, t, e)
    assert float(sea_level_pressure(p, t, h)) - wmo == pytest.approx(dry_off, abs=0.01)
    assert float(sea_level_pressure(p, t, h, e)) - wmo == pytest.approx(moist_off, abs=0.01)
    assert by_station_temperature(p, h, t) - wmo == pytest.approx(isothermal_off, abs=0.02)


# U.S. Standard Atmosphere 1976: geopotential m, hPa, and how far MetPy may fall short: it starts from 288 K, not 288.15
USSA = [
    (0.0, 1013.25, 0.001),
    (500.0, 954.61, 0.05),
    (1000.0, 898.75, 0.1),
    (2000.0, 794.95, 0.15),
    (3000.0, 701.09, 0.2),
    (5000.0, 540.20, 0.25),
]


@pytest.mark.parametrize(("height", "hpa", "tolerance"), USSA)
def test_standard_pressure(height: float, hpa: float, tolerance: float) -> None:
    found = float(standard_pressure(height))
    assert found == pytest.approx(hpa, abs=tolerance)
    assert 1013.25 * (1.0 - 0.0065 * height / 288.15) ** 5.25588 == pytest.approx(hpa, abs=0.006)  # the standard's own


def test_standard_pressure_of_metpy_at_1000_m() -> None:
    assert float(standard_pressure(1000.0)) == pytest.approx(898.69, abs=0.005)  # handbook section 5, computed
