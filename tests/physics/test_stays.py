"""Stays against a version that looks at every window by itself."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics.stays import blamed, extremes, inside, running, stays

MINUTE = 60_000_000
T0 = np.datetime64("2026-03-29T00:00:00", "us")

# steps between rows in s (a few gaps and stray stamps), and values in tenths with some missing
ROWS = st.lists(
    st.tuples(st.sampled_from([60, 60, 60, 55, 66, 180]), st.one_of(st.none(), st.integers(-3, 3), st.just(0))),
    max_size=70,
)


def series(rows: list[tuple[int, int | None]], wander: bool) -> tuple[np.ndarray, np.ndarray]:
    time = T0 + np.cumsum([step for step, _ in rows]).astype("m8[s]").astype("m8[us]")
    values = np.array([np.nan if v is None else v / 10 for _, v in rows], np.float64)
    if wander:
        walked = np.round(np.nancumsum(values), 1)
        walked[np.isnan(values)] = np.nan
        return walked, time
    return values, time


def brute(
    values: np.ndarray, time: np.ndarray, window_us: int, least: int, tolerance: float, span_us: int = 0
) -> dict[int, tuple[float, float]]:
    found = {}
    for row in np.flatnonzero(np.isfinite(values)):
        here = (time > time[row] - np.timedelta64(window_us, "us")) & (time <= time[row]) & np.isfinite(values)
        low, high = values[here].min(), values[here].max()
        long = (time[row] - time[here][0]).astype(np.int64) >= span_us
        if long and here.sum() >= max(least, 2) and high - low <= tolerance + 1e-9 * max(abs(low), abs(high)):
            found[int(row)] = (float(low), float(high))
    return found


@settings(max_examples=400, deadline=None)
@given(
    rows=ROWS, wander=st.booleans(), minutes=st.integers(1, 60), least=st.integers(0, 40),
    tolerance=st.sampled_from([0.0, 0.1, 0.2, 0.5]), span=st.integers(0, 30),
)  # fmt: skip
def test_windows_equal_brute_force(
    rows: list[tuple[int, int | None]], wander: bool, minutes: int, least: int, tolerance: float, span: int
) -> None:
    values, time = series(rows, wander)
    ends = stays(values, time, minutes * MINUTE, least, tolerance, span_us=span * MINUTE)
    told = {int(r): (float(a), float(b)) for r, a, b in zip(ends.rows, ends.low, ends.high, strict=True)}
    assert told == brute(values, time, minutes * MINUTE, least, tolerance, span * MINUTE)


@settings(max_examples=200, deadline=None)
@given(rows=ROWS, minutes=st.integers(1, 40), least=st.integers(2, 20))
def test_blamed_rows_stand_in_a_window_and_tell_the_spread_of_the_next(
    rows: list[tuple[int, int | None]], minutes: int, least: int
) -> None:
    values, time = series(rows, False)
    ends = stays(values, time, minutes * MINUTE, least, 0.1)
    window = np.timedelta64(minutes * MINUTE, "us")
    where, spread = blamed(ends, time, minutes * MINUTE)
    expected = {}
    for row in range(len(time)):
        for end, low, high in zip(ends.rows, ends.low, ends.high, strict=True):
            if end >= row and time[row] > time[end] - window:
                expected[row] = high - low
                break
    assert dict(zip(where.tolist(), spread.tolist(), strict=True)) == expected
    assert np.flatnonzero(inside(ends.rows, time, minutes * MINUTE)).tolist() == sorted(expected)


@settings(max_examples=200, deadline=None)
@given(rows=ROWS, minutes=st.integers(1, 40), data=st.data())
def test_extremes_at_some_rows(rows: list[tuple[int, int | None]], minutes: int, data: st.DataObject) -> None:
    values, time = series(rows, False)
    asked = sorted(data.draw(st.sets(st.integers(0, len(rows) - 1)))) if rows else []
    found = extremes(values, time, np.array(asked, np.int64), minutes * MINUTE)
    for place, row in enumerate(asked):
        here = (time > time[row] - np.timedelta64(minutes * MINUTE, "us")) & (time <= time[row]) & np.isfinite(values)
        expected = (values[here].min(), values[here].max()) if here.any() else (np.nan, np.nan)
        assert np.array_equal((found.low[place], found.high[place]), expected, equal_nan=True)


def test_a_direction_may_sway_around_north() -> None:
    time = T0 + np.arange(12) * np.timedelta64(MINUTE, "us")
    values = np.array([90.0, 90.0, *([359.5, 0.5] * 4), 180.0, 90.0])
    assert stays(values, time, 8 * MINUTE, 8, 1.0).rows.tolist() == []
    assert stays(values, time, 8 * MINUTE, 8, 1.0, circular=True).rows.tolist() == [9]
    assert stays(values, time, 8 * MINUTE, 8, 0.9, circular=True).rows.tolist() == []


def test_running() -> None:
    same = np.array([1, 1, 0, 1, 1, 1, 1, 0], bool)
    assert running(same, 1).tolist() == [0, 1, 3, 4, 5, 6]
    assert running(same, 3).tolist() == [5, 6]
    assert running(same, 9).tolist() == []


def test_the_older_end_of_a_window_is_open() -> None:
    time = T0 + np.arange(10) * np.timedelta64(MINUTE, "us")
    values = np.array([5.0, *[1.0] * 9])
    assert stays(values, time, 9 * MINUTE, 9, 0.0).rows.tolist() == [9]
    assert stays(values, time, 9 * MINUTE + 1, 9, 0.0).rows.tolist() == []
    found = extremes(values, time, np.array([9]), 9 * MINUTE)
    assert (found.low.tolist(), found.high.tolist()) == ([1.0], [1.0])
    assert extremes(values, time, np.array([9]), 9 * MINUTE + 1).high.tolist() == [5.0]
