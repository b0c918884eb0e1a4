"""Pressure: missing and impossible inputs, direction of change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics import heights
from qc.physics.pressure import sea_level_pressure, standard_pressure


def test_at_sea_level_nothing_changes() -> None:
    assert sea_level_pressure([1013.2, 950.0], [15.0, -40.0], 0.0).tolist() == [1013.2, 950.0]


@pytest.mark.parametrize(
    ("p", "t", "h"),
    [
        (np.nan, 15.0, 310.0),
        (980.0, np.nan, 310.0),
        (980.0, 15.0, np.nan),
        (980.0, -9999.0, 310.0),
        (980.0, -274.16, 310.0),
        (980.0, -274.15, 310.0),
    ],
)
def test_missing_or_impossible_gives_missing_without_a_warning(p: float, t: float, h: float) -> None:
    assert np.isnan(sea_level_pressure(p, t, h))


@given(p=st.floats(500, 1100), t=st.floats(-80, 60), h=st.floats(1, 5000))
def test_colder_air_weighs_more_and_vapour_less(p: float, t: float, h: float) -> None:
    here = float(sea_level_pressure(p, t, h))
    assert here > p
    assert float(sea_level_pressure(p, t - 1.0, h)) > here
    assert float(sea_level_pressure(p, t, h, 10.0)) < here


@given(h=st.floats(-400, 8999))
def test_pressure_falls_with_height(h: float) -> None:
    assert float(standard_pressure(h + 1.0)) < float(standard_pressure(h))


def test_shapes_and_missing_heights() -> None:
    found = standard_pressure([[0.0, np.nan], [1000.0, -400.0]])
    assert found.shape == (2, 2)
    assert np.isnan(found).tolist() == [[False, True], [False, False]]
    assert standard_pressure(310.0).shape == ()
    assert sea_level_pressure(np.empty(0), np.empty(0), 310.0).shape == (0,)


@pytest.mark.parametrize(
    ("height", "celsius", "hpa"),
    [(0.0, 15.0, 1013.25), (1000.0, 8.5, 898.75), (2000.0, 2.0, 794.95), (3000.0, -4.5, 701.08)],
)
def test_pressure_under_standard_air_is_standard(height: float, celsius: float, hpa: float) -> None:
    """U.S. Standard Atmosphere 1976, table of pressures by height (from memory)."""
    assert heights.usual_pressure(height, celsius) == pytest.approx(hpa, abs=0.7)
    assert heights.usual_pressure(height, None) == pytest.approx(hpa, abs=0.7)


@given(h=st.floats(-400, 5000), t=st.one_of(st.none(), st.floats(-50, 45)))
def test_a_height_comes_back_from_its_pressure(h: float, t: float | None) -> None:
    p = heights.usual_pressure(h, t)
    assert heights.height_of(p, t) == pytest.approx(h, abs=2.0 + 1e-3 * h)
    assert heights.usual_pressure(h + 1.0, t) == pytest.approx(p - 1.0 / heights.metres_per_hpa(p, t), rel=1e-4)


@given(h=st.floats(0, 5000), t=st.floats(-50, 45))
def test_what_is_usual_is_less_sure_high_up_and_without_a_temperature(h: float, t: float) -> None:
    low, here = heights.pressure_spread_at(50.0, 14.0, 0.0, t), heights.pressure_spread_at(50.0, 14.0, h, t)
    assert low == heights.pressure_spread(50.0, 14.0) <= here
    assert here <= heights.pressure_spread_at(50.0, 14.0, h, None) + 1.0


def test_the_air_below_a_mountain_is_worth_some_hectopascals() -> None:
    assert heights.pressure_spread_at(50.0, 14.0, 2890.0, 8.0) == pytest.approx(np.hypot(5.14, 4.5), abs=0.3)
