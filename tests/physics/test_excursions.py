"""Excursions against a version that looks at one row at a time."""

from __future__ import annotations

import math

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics import excursions
from qc.physics.humidity import ice_saturation

MINUTE = 60_000_000
T0 = np.datetime64("2026-03-29T00:00:00", "us")
ROWS = st.lists(
    st.tuples(st.sampled_from([60, 60, 60, 90, 91, 120]), st.one_of(st.none(), st.integers(-9, 9))), max_size=60
)


def series(rows: list[tuple[int, int | None]]) -> tuple[np.ndarray, np.ndarray]:
    time = T0 + np.cumsum([step for step, _ in rows]).astype("m8[s]").astype("m8[us]")
    return np.array([np.nan if v is None else float(v) for _, v in rows]), time


def near(time: np.ndarray, row: int) -> bool:
    return bool(0 < row < len(time) and time[row] - time[row - 1] <= np.timedelta64(90, "s"))


@settings(max_examples=300, deadline=None)
@given(rows=ROWS)
def test_changes_and_excursions_row_by_row(rows: list[tuple[int, int | None]]) -> None:
    values, time = series(rows)
    change = excursions.changes(values, time, MINUTE)
    away = excursions.excursions(change)
    for row in range(len(rows)):
        before = values[row] - values[row - 1] if near(time, row) else math.nan
        after = values[row + 1] - values[row] if near(time, row + 1) else math.nan
        assert np.array_equal(change[row], before, equal_nan=True)
        expected = math.copysign(min(abs(before), abs(after)), before) if before * after < 0 else 0.0
        assert np.array_equal(away[row], math.nan if math.isnan(before + after) else expected, equal_nan=True)


@settings(max_examples=200, deadline=None)
@given(rows=ROWS)
def test_bends_row_by_row(rows: list[tuple[int, int | None]]) -> None:
    values, time = series(rows)
    off = excursions.bends(values, excursions.changes(values, time, MINUTE))
    for row in range(len(rows)):
        some = values[max(row - 2, 0) : row + 3]
        whole = len(some) == 5 and row >= 2 and all(near(time, row + k) for k in (-1, 0, 1, 2))
        expected = some[2] - (4 * (some[1] + some[3]) - (some[0] + some[4])) / 6 if whole else math.nan
        assert np.array_equal(off[row], expected, equal_nan=True)


def test_a_curve_of_third_degree_does_not_bend_and_one_value_off_it_does() -> None:
    x = np.arange(11.0)
    time = T0 + np.arange(11) * np.timedelta64(MINUTE, "us")
    values = 1000 + 2 * x - 0.5 * x**2 + 0.04 * x**3
    np.testing.assert_allclose(excursions.bends(values, excursions.changes(values, time, MINUTE))[2:-2], 0, atol=1e-9)
    values[5] += 3.0
    off = excursions.bends(values, excursions.changes(values, time, MINUTE))
    np.testing.assert_allclose(off[3:8], [0.5, -2.0, 3.0, -2.0, 0.5], atol=1e-9)
    assert excursions.farthest(np.abs(off), np.arange(3, 8)).tolist() == [False, False, True, False, False]


def test_of_two_that_lie_off_as_far_both_are_farthest() -> None:
    size = np.array([np.nan, 1.0, 0.5, 1.0, 2.0, np.nan, 0.1])
    assert excursions.farthest(size, np.arange(7)).tolist() == [False, True, False, False, True, False, False]
    assert excursions.farthest(np.array([1.0, 0.2, 1.0, 0.9]), np.array([0, 2, 3])).tolist() == [True, True, False]


@settings(max_examples=200, deadline=None)
@given(
    rows=ROWS,
    half=st.integers(0, 20),
    share=st.sampled_from([0.0, 0.5, 0.9, 1.0]),
    own=st.sampled_from([(0, 1), (-2, 2)]),
)
def test_usual_is_a_value_of_the_window_without_the_row_itself(
    rows: list[tuple[int, int | None]], half: int, share: float, own: tuple[int, int]
) -> None:
    values, time = series(rows)
    change = excursions.changes(values, time, MINUTE)
    every = np.arange(len(rows))
    found = excursions.usual(change, time, every, half * MINUTE, share, own)
    for row in every:
        there = np.abs(time - time[row]) <= np.timedelta64(half * MINUTE, "us")
        there[max(row + own[0], 0) : row + own[1] + 1] = False
        sizes = sorted(abs(c) for c in change[there] if not math.isnan(c))
        expected = sizes[math.floor(share * (len(sizes) - 1))] if sizes else math.nan
        assert np.array_equal(found[row], expected, equal_nan=True)


def test_ice_saturation_over_water() -> None:
    # handbook 5, computed: 95.2, 90.5, 82.0 and 74.3 % at -5, -10, -20 and -30 degC
    t = np.array([-5.0, -10.0, -20.0, -30.0, 0.0, 15.0, math.nan])
    np.testing.assert_allclose(ice_saturation(t), [95.2, 90.5, 82.0, 74.3, 100.0, 100.0, 100.0], atol=0.05)
