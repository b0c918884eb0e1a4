"""Humidity: exact ties, inverses, impossible inputs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.humidity import dew_point, dew_point_of, relative_humidity, saturation_vapour_pressure

TENTHS = st.integers(-600, 600).map(lambda n: n / 10)


@given(t=TENTHS)
def test_saturated_air_has_its_own_temperature_as_dew_point_exactly(t: float) -> None:
    assert float(dew_point(t, 100.0)) == t
    assert float(relative_humidity(t, t)) == 100.0


@given(t=st.floats(-60, 60), rh=st.floats(1, 110))
def test_dew_point_and_humidity_are_inverse(t: float, rh: float) -> None:
    assert float(relative_humidity(t, dew_point(t, rh))) == pytest.approx(rh, abs=2e-5)


@given(t=TENTHS, rh=st.floats(0.1, 99.9))
def test_dew_point_below_temperature_until_saturation(t: float, rh: float) -> None:
    assert float(dew_point(t, rh)) < t
    assert float(dew_point(t, 200.0 - rh)) > t


@given(t=TENTHS)
def test_dew_point_is_where_vapour_pressure_saturates(t: float) -> None:
    held = 0.5 * float(saturation_vapour_pressure(t))
    assert float(saturation_vapour_pressure(dew_point(t, 50.0))) == pytest.approx(held, rel=1e-6)


@given(t=st.floats(-60, -0.1))
def test_ice_holds_less_than_water_below_freezing(t: float) -> None:
    assert saturation_vapour_pressure(t, over="ice") < saturation_vapour_pressure(t, over="water")


@pytest.mark.parametrize(
    ("t", "rh"),
    [
        (np.nan, 50.0),
        (20.0, np.nan),
        (20.0, 0.0),
        (20.0, -3.0),
        (-243.12, 50.0),
        (-9999.0, 50.0),
        (20.0, -9999.0),
        (20.0, 1e12),
    ],
)
def test_no_dew_point_where_there_is_none(t: float, rh: float) -> None:
    assert np.isnan(dew_point(t, rh))


@pytest.mark.parametrize("t", [np.nan, -243.12, -300.0, -9999.0])
def test_nothing_at_or_below_the_pole(t: float) -> None:
    assert np.isnan(saturation_vapour_pressure(t))
    assert np.isnan(relative_humidity(t, 5.0))
    assert np.isnan(relative_humidity(5.0, t))


def test_just_above_the_pole_nothing_overflows() -> None:
    assert float(saturation_vapour_pressure(-243.0)) == 0.0
    assert np.isnan(relative_humidity(-243.0, 5.0))


@given(t=TENTHS)
def test_a_vapour_pressure_saturates_where_its_dew_or_frost_point_says(t: float) -> None:
    for over in ("water", "ice"):
        held = saturation_vapour_pressure(t, over)  # type: ignore[arg-type]
        assert float(dew_point_of(held, over)) == pytest.approx(t, abs=1e-4)  # type: ignore[arg-type]


def test_dew_point_of_nothing_and_of_too_much() -> None:
    assert np.isnan(dew_point_of(np.array([0.0, -1.0, np.nan, 1e12]))).all()
    assert dew_point_of(6.112) == 0.0  # WMO-8: both formulas hold 6.112 hPa at 0 degC
    assert dew_point_of(6.112, "ice") == 0.0
