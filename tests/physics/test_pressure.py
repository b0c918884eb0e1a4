"""Pressure: missing and impossible inputs, direction of change."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

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
