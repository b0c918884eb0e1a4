"""Sun position: ranges, refraction, misuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics.sun import (
    _bearing,
    extraterrestrial_normal,
    fastest_change,
    horizon_elevation,
    mu,
    position,
    sun_earth_distance,
)

DAY = np.datetime64("2026-03-20T00:00:00", "us") + np.arange(0, 86400, 60) * np.timedelta64(1_000_000, "us")


@settings(max_examples=40, deadline=None)
@given(latitude=st.floats(-90, 90), longitude=st.floats(-180, 180), elevation=st.floats(-400, 6000))
def test_angles_stay_in_range_everywhere(latitude: float, longitude: float, elevation: float) -> None:
    found = position(DAY[::10], latitude, longitude, elevation)
    assert ((found.zenith >= 0) & (found.zenith <= 180)).all()
    assert ((found.azimuth >= 0) & (found.azimuth < 360)).all()
    lift = found.zenith - found.apparent_zenith
    # straight overhead the SPA's refraction is -0.00004 degree, at the horizon and 1050 hPa it is 0.6
    assert ((lift >= -0.0001) & (lift < 0.65)).all()


def test_refraction_ends_below_the_horizon() -> None:
    found = position(DAY, 54.61, -2.95, 310.0)
    below = 90.0 - found.zenith < -(0.26667 + 0.5667)
    assert below.any() and not below.all()
    assert (found.zenith[below] == found.apparent_zenith[below]).all()
    assert (found.apparent_zenith[~below] < found.zenith[~below]).all()


def test_the_pole_of_the_refraction_formula_is_never_touched() -> None:
    """The SPA divides by elevation + 5.11: a sun at exactly -5.11 degree must not warn, nor give NaN."""
    rough = position(DAY, 54.61, -2.95, 310.0)
    before = int(np.flatnonzero(rough.zenith[:720] > 95.11)[-1])  # the last minute of the night
    seconds = DAY[before] + np.arange(61) * np.timedelta64(1_000_000, "us")
    second = int(np.flatnonzero(position(seconds, 54.61, -2.95, 310.0).zenith > 95.11)[-1])
    fine = seconds[second] + np.arange(0, 1_000_000, 50) * np.timedelta64(1, "us")
    found = position(fine, 54.61, -2.95, 310.0)
    there = found.zenith == 95.11
    assert there.any()
    assert (found.apparent_zenith[there] == 95.11).all()


@pytest.mark.parametrize(
    ("east", "north", "expected"),
    [(0.0, 1.0, 0.0), (1.0, 0.0, 90.0), (0.0, -1.0, 180.0), (-1.0, 0.0, 270.0), (-1e-10, 1.0, 0.0), (1e-10, 1.0, 0.0)],
)
def test_bearing(east: float, north: float, expected: float) -> None:
    assert _bearing(np.array([east]), np.array([north]))[0] == expected


def test_refraction_grows_with_pressure_and_falls_with_warmth() -> None:
    low = position(DAY[480:481], 54.61, -2.95, 310.0, pressure=900.0)
    high = position(DAY[480:481], 54.61, -2.95, 310.0, pressure=1000.0)
    warm = position(DAY[480:481], 54.61, -2.95, 310.0, pressure=1000.0, temperature=40.0)
    assert high.apparent_zenith[0] < warm.apparent_zenith[0] < high.zenith[0]
    assert high.apparent_zenith[0] < low.apparent_zenith[0]
    assert low.zenith[0] == high.zenith[0]


@pytest.mark.parametrize(
    "function", [sun_earth_distance, extraterrestrial_normal, lambda t: position(t, 0.0, 0.0, 0.0)]
)
def test_misuse_and_nothing(function: object) -> None:
    assert callable(function)
    with pytest.raises(ValueError, match="NaT"):
        function(np.array(["2026-01-01", "NaT"], dtype="M8[us]"))
    assert np.size(function(np.empty(0, dtype="M8[us]"))) == 0


@pytest.mark.parametrize(
    ("zenith", "expected"),
    [(0.0, 1.0), (60.0, 0.5), (89.999, 1.7453e-5), (90.0, 0.0), (90.001, 0.0), (180.0, 0.0), (np.nan, np.nan)],
)
def test_mu(zenith: float, expected: float) -> None:
    assert float(mu(zenith)) == pytest.approx(expected, rel=1e-4, abs=0.0, nan_ok=True)


def test_other_time_units_give_the_same() -> None:
    minutes = DAY.astype("M8[m]")
    assert position(minutes, 10.0, 20.0, 30.0).zenith.tobytes() == position(DAY, 10.0, 20.0, 30.0).zenith.tobytes()
    assert position(minutes[0], 10.0, 20.0, 30.0).zenith.shape == (1,)


@pytest.mark.parametrize(
    ("azimuth", "expected"),
    [(90.0, 6.0), (100.0, 4.0), (110.0, 2.0), (350.0, 4.0), (10.0, 4.4), (0.0, 4.2), (359.999999, 4.2)],
)
def test_horizon_runs_in_a_line_between_its_points_and_around_north(azimuth: float, expected: float) -> None:
    points = [(300.0, 3.0), (90.0, 6.0), (110.0, 2.0)]
    assert float(horizon_elevation(azimuth, points)) == pytest.approx(expected, abs=1e-5)


def test_horizon_of_one_point_is_even() -> None:
    assert horizon_elevation(np.array([0.0, 95.0, 180.0, 360.0, np.nan]), [(95.0, 6.0)])[:4].tolist() == [6.0] * 4


@pytest.mark.parametrize("latitude", [0.0, 54.61, -70.0, 90.0])
def test_the_sun_never_moves_faster_than_it_can(latitude: float) -> None:
    zenith = position(DAY, latitude, 10.0, 0.0).zenith
    fastest = np.abs(zenith[60:] - zenith[:-60]).max()
    limit = fastest_change(latitude, 3600.0)
    assert fastest <= limit + 0.02  # its declination moves by up to 0.017 degree an hour
    assert fastest >= 0.9 * limit
