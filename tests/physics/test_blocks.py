"""Windows for a few rows, runs and blocks against versions that look at every row."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.physics.windows import Blocks, max_at, min_at, near, runs, sliding_max, sliding_min

SECOND = 1_000_000
T0 = np.datetime64("2026-03-29T00:00:00", "us")
NUMBERS = st.one_of(st.just(float("nan")), st.integers(-5, 5).map(float))
ROWS = st.lists(st.tuples(st.integers(0, 200), NUMBERS, st.booleans()), min_size=1, max_size=60).map(
    lambda rows: sorted(rows, key=lambda r: r[0])
)
REACH = st.integers(-20, 60)


def stamps(seconds: list[int]) -> np.ndarray:
    return T0 + (np.array(seconds, np.int64) * SECOND).astype("m8[us]")


@settings(max_examples=200, deadline=None)
@given(rows=ROWS, back=REACH, ahead=REACH)
def test_a_few_rows_have_the_extremes_that_all_rows_have(rows: list, back: int, ahead: int) -> None:
    time, values = stamps([r[0] for r in rows]), np.array([r[1] for r in rows])
    some = np.flatnonzero([r[2] for r in rows])
    for at, everywhere in ((max_at, sliding_max), (min_at, sliding_min)):
        found = at(values, time, some, back * SECOND, ahead * SECOND)
        np.testing.assert_array_equal(found, everywhere(values, time, back * SECOND, ahead * SECOND)[some])


@settings(max_examples=200, deadline=None)
@given(rows=ROWS, back=st.integers(0, 60), ahead=st.integers(0, 60))
def test_near_is_any_row_within_reach(rows: list, back: int, ahead: int) -> None:
    seconds = [r[0] for r in rows]
    some = [i for i, r in enumerate(rows) if r[2]]
    found = near(stamps(seconds), np.array(some, np.int64), back * SECOND, ahead * SECOND)
    assert found.tolist() == [any(seconds[i] - back <= s <= seconds[i] + ahead for i in some) for s in seconds]


@settings(max_examples=200, deadline=None)
@given(rows=ROWS, step=st.integers(0, 20))
def test_runs_are_unbroken(rows: list, step: int) -> None:
    seconds, mask = [r[0] for r in rows], [r[2] for r in rows]
    expected, open_ = [], None
    for i, holds in enumerate(mask):
        joined = holds and i > 0 and mask[i - 1] and seconds[i] - seconds[i - 1] <= step
        if open_ is not None and not joined:
            expected.append((open_, i - 1))
            open_ = None
        if holds and open_ is None:
            open_ = i
    if open_ is not None:
        expected.append((open_, len(mask) - 1))
    first, last = runs(np.array(mask), stamps(seconds), step * SECOND)
    assert list(zip(first.tolist(), last.tolist(), strict=True)) == expected


@settings(max_examples=200, deadline=None)
@given(rows=ROWS, span=st.integers(1, 50))
def test_blocks_hold_the_rows_of_their_time(rows: list, span: int) -> None:
    time, values = stamps([r[0] for r in rows]), np.array([r[1] for r in rows])
    flags = np.array([r[2] for r in rows])
    blocks = Blocks(time, span * SECOND)
    number = time.astype(np.int64) // (span * SECOND)
    kept = sorted(set(number.tolist()))
    assert blocks.time.astype(np.int64).tolist() == [k * span * SECOND for k in kept]
    assert blocks.of_row.tolist() == [kept.index(k) for k in number.tolist()]
    for i, k in enumerate(kept):
        here = values[number == k]
        sound = here[~np.isnan(here)]
        np.testing.assert_array_equal(blocks.max(values)[i], sound.max() if len(sound) else np.nan)
        np.testing.assert_array_equal(blocks.min(values)[i], sound.min() if len(sound) else np.nan)
        assert blocks.sum(flags)[i] == flags[number == k].sum()


def test_blocks_without_rows() -> None:
    blocks = Blocks(stamps([]), SECOND)
    assert len(blocks.time) == len(blocks.max([])) == len(blocks.sum(np.zeros(0, bool))) == 0


def test_blocks_sum_whole_numbers_only() -> None:
    with pytest.raises(TypeError, match="whole numbers"):
        Blocks(stamps([0]), SECOND).sum(np.array([0.1]))
