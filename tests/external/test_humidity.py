"""Vapour pressures and dew points of WMO-8 and FAO56; MetPy as another opinion."""

from __future__ import annotations

import numpy as np
import pytest

from qc.physics.humidity import dew_point, relative_humidity, saturation_vapour_pressure

# WMO-8, vol. I, from memory; values computed from its formula (handbook section 11): degC, hPa
OVER_WATER = [(-20, 1.260), (-10, 2.870), (0, 6.112), (10, 12.260), (20, 23.326), (30, 42.337), (40, 73.675)]
OVER_ICE = [(-20, 1.033), (-10, 2.599)]
# WMO-8: degC, %, dew point in degC
DEW_POINTS = [(20, 50, 9.26), (30, 40, 14.93), (10, 90, 8.43), (0, 80, -3.04), (-10, 90, -11.33)]
# humidity over water of air saturated over ice, degC, % (handbook section 5, computed)
AT_ICE_SATURATION = [(-5, 95.2), (-10, 90.5), (-20, 82.0), (-30, 74.3)]


@pytest.mark.parametrize(("t", "hpa"), OVER_WATER)
def test_saturation_over_water(t: float, hpa: float) -> None:
    assert float(saturation_vapour_pressure(t)) == pytest.approx(hpa, abs=0.0006)


@pytest.mark.parametrize(("t", "hpa"), OVER_ICE)
def test_saturation_over_ice(t: float, hpa: float) -> None:
    assert float(saturation_vapour_pressure(t, over="ice")) == pytest.approx(hpa, abs=0.0006)


@pytest.mark.parametrize(("t", "rh", "td"), DEW_POINTS)
def test_dew_points(t: float, rh: float, td: float) -> None:
    assert float(dew_point(t, rh)) == pytest.approx(td, abs=0.006)
    assert float(relative_humidity(t, td)) == pytest.approx(rh, abs=0.05)


@pytest.mark.parametrize(("t", "rh"), AT_ICE_SATURATION)
def test_humidity_at_ice_saturation(t: float, rh: float) -> None:
    held = saturation_vapour_pressure(t, over="ice") / saturation_vapour_pressure(t)
    assert 100.0 * float(held) == pytest.approx(rh, abs=0.06)


@pytest.mark.parametrize(("t", "kpa"), [(24.5, 3.075), (15.0, 1.705)])
def test_fao56_example_3_within_what_the_formulas_differ(t: float, kpa: float) -> None:
    """FAO56 eq. 11 has other constants than WMO-8: 0.3 % higher at 25 degC."""
    assert float(saturation_vapour_pressure(t)) / 10.0 == pytest.approx(kpa, rel=0.003)


def test_fao56_example_5() -> None:
    """18 / 25 degC and 82 / 54 %: actual vapour pressure 1.70 kPa."""
    morning = 0.82 * float(saturation_vapour_pressure(18.0))
    afternoon = 0.54 * float(saturation_vapour_pressure(25.0))
    assert (morning + afternoon) / 20.0 == pytest.approx(1.70, abs=0.005)


DEGC = np.arange(-40.0, 45.5, 0.5)


def test_metpys_saturation_is_another_opinion() -> None:
    """MetPy 1.7.1 integrates with latent heats linear in temperature (Ambaum 2020). Computed: 0.41 % apart at
    most over water from -40 to 45 degC, 0.29 % over ice."""
    from metpy.calc import saturation_vapor_pressure
    from metpy.units import units

    water = saturation_vapor_pressure(units.Quantity(DEGC, "degC")).m_as("hPa")
    assert saturation_vapour_pressure(DEGC) == pytest.approx(water, rel=0.0042)
    frozen = DEGC[DEGC <= 0.0]
    ice = saturation_vapor_pressure(units.Quantity(frozen, "degC"), phase="solid").m_as("hPa")
    assert saturation_vapour_pressure(frozen, over="ice") == pytest.approx(ice, rel=0.003)


@pytest.mark.parametrize("percent", [10.0, 50.0, 95.0])
def test_metpys_dew_point_is_another_opinion(percent: float) -> None:
    """MetPy 1.7.1 goes up by Ambaum (2020) and down by Bolton (1980): at 95 % it lies 0.18 K off at the worst."""
    from metpy.calc import dewpoint_from_relative_humidity
    from metpy.units import units

    rh = np.full(DEGC.size, percent)
    theirs = dewpoint_from_relative_humidity(units.Quantity(DEGC, "degC"), units.Quantity(rh, "percent"))
    assert dew_point(DEGC, rh) == pytest.approx(theirs.m_as("degC"), abs=0.2)
