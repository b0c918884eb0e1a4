"""Sliding windows against a version that looks at every pair of rows."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics.windows import sliding_count, sliding_max, sliding_min, sliding_sum, window_rows

SECOND = 1_000_000
T0 = np.datetime64("2026-03-29T00:00:00", "us")


def stamps(*seconds: float) -> np.ndarray:
    return T0 + np.round(np.array(seconds) * SECOND).astype("m8[us]")


def brute(
    pick: Callable[[list[float]], float], empty: float, values: Sequence[float], s: list[int], b: int, a: int
) -> list[float]:
    out = []
    for now in s:
        inside = [v for v, t in zip(values, s, strict=True) if now - b <= t <= now + a and not np.isnan(v)]
        out.append(pick(inside) if inside else empty)
    return out


NUMBERS = st.one_of(st.just(float("nan")), st.integers(-5, 5).map(float), st.floats(-1e6, 1e6), st.just(-0.0))
ROWS = st.lists(st.tuples(st.integers(0, 200), NUMBERS), max_size=80).map(lambda rows: sorted(rows, key=lambda r: r[0]))
REACH = st.one_of(st.integers(-30, 30), st.integers(0, 250))


@settings(max_examples=300, deadline=None)
@given(rows=ROWS, back=REACH, ahead=REACH)
def test_extremes_equal_brute_force(rows: list[tuple[int, float]], back: int, ahead: int) -> None:
    s, values = [r[0] for r in rows], [r[1] for r in rows]
    time = stamps(*s)
    high = sliding_max(values, time, back * SECOND, ahead * SECOND)
    low = sliding_min(values, time, back * SECOND, ahead * SECOND)
    np.testing.assert_array_equal(high, np.array(brute(max, np.nan, values, s, back, ahead), dtype=float))
    np.testing.assert_array_equal(low, np.array(brute(min, np.nan, values, s, back, ahead), dtype=float))


@settings(max_examples=200, deadline=None)
@given(rows=ROWS, back=REACH, ahead=REACH)
def test_sums_and_counts_equal_brute_force(rows: list[tuple[int, float]], back: int, ahead: int) -> None:
    s = [r[0] for r in rows]
    tips = [0 if np.isnan(r[1]) else int(r[1]) for r in rows]
    time = stamps(*s)
    total = sliding_sum(np.array(tips, dtype=np.int64), time, back * SECOND, ahead * SECOND)
    assert total.tolist() == brute(sum, 0, tips, s, back, ahead)
    mask = np.array([t > 0 for t in tips], dtype=bool)
    count = sliding_count(mask, time, back * SECOND, ahead * SECOND)
    assert count.tolist() == brute(sum, 0, mask.tolist(), s, back, ahead)


@settings(max_examples=150, deadline=None)
@given(rows=ROWS, back=st.integers(0, 60), ahead=st.integers(0, 60), cut=st.integers(0, 200))
def test_cutting_with_the_reach_as_margin_changes_no_bit(
    rows: list[tuple[int, float]], back: int, ahead: int, cut: int
) -> None:
    s, values = np.array([r[0] for r in rows], dtype=np.int64), np.array([r[1] for r in rows], dtype=float)
    time = stamps(*s)
    whole = sliding_max(values, time, back * SECOND, ahead * SECOND)
    piece = s >= cut - back
    part = sliding_max(values[piece], time[piece], back * SECOND, ahead * SECOND)
    assert part[s[piece] >= cut].tobytes() == whole[s >= cut].tobytes()


@settings(max_examples=100, deadline=None)
@given(rows=ROWS, reach=st.integers(0, 100), more=st.integers(0, 100))
def test_a_longer_window_never_lowers_the_largest(rows: list[tuple[int, float]], reach: int, more: int) -> None:
    values, time = [r[1] for r in rows], stamps(*[r[0] for r in rows])
    short = sliding_max(values, time, reach * SECOND, 0)
    long = sliding_max(values, time, (reach + more) * SECOND, 0)
    assert (np.isnan(short) | (long >= short)).all()


@pytest.mark.parametrize(
    ("back", "ahead", "expected"),
    [
        (60.0, 0.0, [1.0, 5.0, 5.0, 4.0]),  # 60 s back exactly: counts
        (59.999999, 0.0, [1.0, 5.0, 2.0, 4.0]),  # 1 us less: does not
        (0.0, 60.0, [5.0, 5.0, 2.0, 4.0]),  # 60 s ahead exactly
        (0.0, 59.999999, [1.0, 5.0, 2.0, 4.0]),
        (0.0, 0.0, [1.0, 5.0, 2.0, 4.0]),
        (60.0, -0.000001, [np.nan, 1.0, 5.0, np.nan]),  # only earlier rows
        (-0.000001, 60.0, [5.0, 2.0, np.nan, np.nan]),  # only later rows
        (-1.0, -1.0, [np.nan] * 4),  # turned inside out: empty
    ],
)
def test_ends_of_the_window(back: float, ahead: float, expected: list[float]) -> None:
    time = stamps(0, 60, 120, 240)
    found = sliding_max([1.0, 5.0, 2.0, 4.0], time, round(back * SECOND), round(ahead * SECOND))
    np.testing.assert_array_equal(found, expected)


def test_missing_values_are_passed_over_and_a_window_of_them_is_missing() -> None:
    time = stamps(0, 60, 120, 300)
    found = sliding_min([np.nan, 3.0, np.nan, np.nan], time, 60 * SECOND, 0)
    np.testing.assert_array_equal(found, [np.nan, 3.0, 3.0, np.nan])


def test_rows_of_one_stamp_see_each_other() -> None:
    first, after = window_rows(stamps(0, 10, 10, 20), 0, 0)
    assert first.tolist() == [0, 1, 1, 3]
    assert after.tolist() == [1, 3, 3, 4]


def test_a_window_turned_inside_out_is_empty_not_negative() -> None:
    time = stamps(0, 10, 20, 30)
    first, after = window_rows(time, -15 * SECOND, -15 * SECOND)
    assert (first == after).all()
    assert sliding_sum([1, 1, 1, 1], time, -15 * SECOND, -15 * SECOND).tolist() == [0, 0, 0, 0]


def test_no_negative_zero_comes_out() -> None:
    found = sliding_max([-0.0, 0.0, -0.0], stamps(0, 1, 2), 0, SECOND)
    assert not np.signbit(found).any()


def test_large_sums_are_exact_where_floats_are_not() -> None:
    big = 2**53
    assert sliding_sum([big, 1, 1], stamps(0, 1, 2), 2 * SECOND, 0).tolist() == [big, big + 1, big + 2]


def test_values_are_not_altered() -> None:
    values = np.array([1.0, 2.0, -0.0, np.nan])
    before = values.tobytes()
    sliding_max(values, stamps(0, 1, 2, 3), 2 * SECOND, 2 * SECOND)
    assert values.tobytes() == before


def test_empty_record() -> None:
    none = np.empty(0, dtype="M8[us]")
    assert sliding_max([], none, SECOND, SECOND).shape == (0,)
    assert sliding_sum(np.empty(0, dtype=np.int64), none, SECOND, SECOND).shape == (0,)


@pytest.mark.parametrize(
    ("call", "error", "says"),
    [
        (lambda: sliding_max([1.0, 2.0], stamps(1, 0), 0, 0), ValueError, "time falls"),
        (lambda: sliding_max([1.0], np.array(["NaT"], dtype="M8[us]"), 0, 0), ValueError, "NaT"),
        (lambda: sliding_max([1.0, 2.0], stamps(0), 0, 0), ValueError, "shape"),
        (lambda: sliding_sum([1, 2], stamps(0), 0, 0), ValueError, "shape"),
        (lambda: sliding_sum([0.2], stamps(0), 0, 0), TypeError, "whole numbers"),
        (lambda: sliding_count([1], stamps(0), 0, 0), TypeError, "booleans"),
        (lambda: window_rows(np.array([0.5]), 0, 0), TypeError, "microseconds"),
    ],
)
def test_misuse_is_refused(call: Callable[[], object], error: type[Exception], says: str) -> None:
    with pytest.raises(error, match=says):
        call()
