"""Spells: against a plain loop, on the bound, and cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.spells import count_near, unbroken
from qc.physics.windows import sliding_count

MINUTE = 60_000_000
ORIGIN = np.datetime64("2026-01-01T00:00", "us")


def grid(minutes: list[int]) -> np.ndarray:
    return ORIGIN + np.array(minutes, np.int64) * np.timedelta64(MINUTE, "us")


def by_loop(mask: list[bool], minutes: list[int], span: int) -> list[bool]:
    """Runs of rows that follow minute by minute, kept where they are long enough."""
    out = [False] * len(mask)
    start = 0
    for i in range(1, len(mask) + 1):
        if i < len(mask) and minutes[i] == minutes[i - 1] + 1 and mask[i] and mask[i - 1]:
            continue
        if mask[start] and i - start >= span:
            out[start:i] = [True] * (i - start)
        start = i
    return out


@given(
    rows=st.lists(st.tuples(st.integers(0, 40), st.booleans()), unique_by=lambda r: r[0], min_size=1),
    span=st.integers(1, 9),
)
def test_as_a_plain_loop_says(rows: list[tuple[int, bool]], span: int) -> None:
    minutes, mask = (list(column) for column in zip(*sorted(rows), strict=True))
    found = unbroken(np.array(mask), grid(minutes), span * MINUTE, MINUTE)
    assert found.tolist() == by_loop(mask, minutes, span)


@pytest.mark.parametrize(("minutes_long", "kept"), [(11, False), (12, True), (13, True)])
def test_a_spell_as_long_as_the_span_counts(minutes_long: int, kept: bool) -> None:
    mask = np.zeros(30, bool)
    mask[5 : 5 + minutes_long] = True
    found = unbroken(mask, grid(list(range(30))), 12 * MINUTE, MINUTE)
    assert found.tolist() == (mask & kept).tolist()


def test_a_span_that_is_no_multiple_of_the_interval_asks_for_one_more() -> None:
    mask = np.array([True, True, True, False, True, True])
    found = unbroken(mask, grid([0, 1, 2, 3, 4, 5]), 2 * MINUTE + 1, MINUTE)
    assert found.tolist() == [True, True, True, False, False, False]


@given(
    minutes=st.lists(st.integers(0, 300), unique=True, min_size=1),
    back=st.integers(0, 50),
    ahead=st.integers(0, 50),
    data=st.data(),
)
def test_counting_at_some_rows_equals_counting_at_all(
    minutes: list[int], back: int, ahead: int, data: st.DataObject
) -> None:
    time = grid(sorted(minutes))
    events = np.array(data.draw(st.lists(st.booleans(), min_size=len(time), max_size=len(time))))
    rows = np.array(data.draw(st.lists(st.integers(0, len(time) - 1))), np.int64)
    everywhere = sliding_count(events, time, back * MINUTE, ahead * MINUTE)
    assert count_near(events, time, rows, back * MINUTE, ahead * MINUTE).tolist() == everywhere[rows].tolist()
