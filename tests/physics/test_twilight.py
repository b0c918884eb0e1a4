"""First and last light: crossings, errors of the clock, robust means."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics import sun, twilight

LAT, LON = 51.0, 11.0


def elevation(time: np.ndarray) -> np.ndarray:  # type: ignore[type-arg]
    return 90.0 - sun.position(time, LAT, LON, 0.0).zenith


def middles(days: int, minutes: int, start: str = "2025-03-01") -> np.ndarray:  # type: ignore[type-arg]
    n = days * 1440 // minutes
    return np.datetime64(start, "us") + (np.arange(n) * 2 + 1) * np.timedelta64(minutes * 30, "s")


@pytest.mark.parametrize("late", [-600.0, -60.0, -7.0, 0.0, 12.0, 60.0, 350.0, 719.0])
def test_a_clock_that_is_late_by_known_minutes(late: float) -> None:
    true = middles(10, 10)
    light = twilight.modelled(true, 600.0, elevation)
    stamps = true + np.timedelta64(round(late * 60), "s")
    found = twilight.crossings(stamps, light, LON, 600.0)
    assert found is not None
    each = twilight.daily(twilight.errors(found, elevation, LON))
    assert len(each) >= 8
    assert abs(np.nanmedian((each - late + 720.0) % 1440.0 - 720.0)) < 0.6
    assert np.nanmax(np.abs((each - late + 720.0) % 1440.0 - 720.0)) < 2.5


@settings(max_examples=20, deadline=None)
@given(scale=st.floats(0.3, 3.0), cut=st.floats(0.2, 1.0))
def test_neither_scale_nor_afternoon_cloud_moves_a_clock_far(scale: float, cut: float) -> None:
    time = middles(6, 10)
    light = twilight.modelled(time, 600.0, elevation) * scale
    high = elevation(time)
    noon = np.abs(high) > 10.0
    light[noon & (np.arange(len(time)) % 144 > 70)] *= cut  # cloud in the afternoons, the sun above 10 degrees
    found = twilight.crossings(time, light, LON, 600.0)
    assert found is not None
    assert abs(twilight.level(twilight.daily(twilight.errors(found, elevation, LON))).mean) < 1.5


def test_heights_are_those_at_which_the_model_reaches_each_level() -> None:
    time = middles(20, 1)
    found = twilight.crossings(time, twilight.modelled(time, 60.0, elevation), LON, 60.0)
    assert found is not None
    heights = np.nanmedian(twilight.heights(found, elevation, np.zeros(len(found.day))), axis=0)
    # light(e) = 3.2 ln(1 + exp(e)) solved for e (computed); the noise of the dark is 0 here
    want = np.log(np.expm1(np.array(twilight.LEVELS) / 3.2))
    assert heights == pytest.approx(want, abs=0.1)


def test_cells_left_empty_by_night_count_as_dark() -> None:
    time = middles(10, 60)
    light = twilight.modelled(time, 3600.0, elevation)
    blank = np.where(light > 0.05, light, np.nan)
    assert np.isnan(blank).any()
    found = twilight.crossings(time, blank, LON, 3600.0)
    assert found is not None
    assert len(found.day) >= 8


@pytest.mark.parametrize(
    "values",
    [np.full(288, np.nan), np.zeros(288), np.full(288, 400.0), np.empty(0), np.array([5.0])],
    ids=["none", "dark", "always light", "no rows", "one row"],
)
def test_no_first_light_no_crossing(values: np.ndarray) -> None:  # type: ignore[type-arg]
    assert twilight.crossings(middles(2, 10)[: len(values)], values, LON, 600.0) is None


def test_a_gap_at_dawn_is_no_first_light() -> None:
    time = middles(3, 10)
    light = twilight.modelled(time, 600.0, elevation)
    keep = ~((np.arange(len(time)) // 144 == 1) & (light > 0.2) & (np.arange(len(time)) % 144 < 60))
    found = twilight.crossings(time[keep], light[keep], LON, 600.0)
    assert found is not None
    assert len(found.day) == 2


def test_level_leaves_odd_days_out() -> None:
    each = np.array([1.0, 2.0, 3.0, 2.0, 90.0, np.nan])
    got = twilight.level(each)
    assert got.days == 5
    assert got.mean == pytest.approx(2.0)
    assert np.isnan(twilight.level(np.array([np.nan])).mean)


def test_two_levels_make_a_day() -> None:
    by_level = np.array([[1.0, np.nan, np.nan], [1.0, 3.0, np.nan]])
    assert np.isnan(twilight.daily(by_level)[0])
    assert twilight.daily(by_level)[1] == 2.0


def test_a_single_row_that_jumps_is_left_out_and_a_rise_stays() -> None:
    x = np.array([0.0, 0.0, 50.0, 0.0, 0.0, 1.0, 4.0, 9.0, -300.0, 30.0, np.nan, 40.0])
    got = twilight.held(x)
    np.testing.assert_array_equal(got[:8], [0.0, 0.0, 0.0, 0.0, 0.0, 1.0, 4.0, 4.0])
    np.testing.assert_array_equal(got[9:], [30.0, np.nan, 40.0])


def test_jumps_at_night_move_no_first_light() -> None:
    time = middles(12, 10)
    light = twilight.modelled(time, 600.0, elevation)
    night = np.flatnonzero(light < 0.01)
    light[night[5::9]] += 60.0  # several in each night
    found = twilight.crossings(time, light, LON, 600.0)
    assert found is not None
    assert abs(twilight.level(twilight.daily(twilight.errors(found, elevation, LON))).mean) < 0.6


@pytest.mark.parametrize(
    ("spoil", "kept"),
    [
        (lambda x: -x + 3.0 * (x < 1.0), False),
        (lambda x: 14.9 * x / x.max(), False),
        (lambda x: 15.1 * x / x[:144].max(), True),
    ],
)
def test_days_that_do_not_behave_like_light_are_left_out(spoil, kept: bool) -> None:  # type: ignore[no-untyped-def]
    time = middles(12, 10)
    light = twilight.modelled(time, 600.0, elevation)
    light[6 * 144 :] = spoil(light[6 * 144 :])
    found = twilight.crossings(time, light, LON, 600.0)
    assert found is not None
    assert (found.row > 6 * 144).sum() == (6 if kept else 0)


@pytest.mark.parametrize("first", [*range(144 * 5 - 12, 144 * 5 + 1), 144, 144 * 3 + 72, 144 * 7 + 72, 144 * 9])
def test_nights_with_an_offset_are_dark_however_many_they_are(first: int) -> None:
    """Of ten days; with half of them the middle of all nights is a value that none of them has."""
    time = middles(10, 10)
    light = np.round(twilight.modelled(time, 600.0, elevation))
    found = twilight.crossings(time, np.where(np.arange(len(time)) >= first, light + 24.0, light), LON, 600.0)
    assert found is not None and found.noise < 2.0
    each = twilight.daily(twilight.errors(found, elevation, LON))
    assert len(each) >= 7
    assert abs(np.nanmedian(each)) < 1.0
