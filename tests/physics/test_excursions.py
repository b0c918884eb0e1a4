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
@given(rows=ROWS, half=st.integers(0, 20), share=st.sampled_from([0.0, 0.5, 0.9, 1.0]))
def test_usual_is_a_value_of_the_window_without_the_row_itself(
    rows: list[tuple[int, int | None]], half: int, share: float
) -> None:
    values, time = series(rows)
    change = excursions.changes(values, time, MINUTE)
    every = np.arange(len(rows))
    found = excursions.usual(change, time, every, half * MINUTE, share)
    for row in every:
        there = np.abs(time - time[row]) <= np.timedelta64(half * MINUTE, "us")
        there[row : row + 2] = False
        sizes = sorted(abs(c) for c in change[there] if not math.isnan(c))
        expected = sizes[math.floor(share * (len(sizes) - 1))] if sizes else math.nan
        assert np.array_equal(found[row], expected, equal_nan=True)


def test_ice_saturation_over_water() -> None:
    # handbook 5, computed: 95.2, 90.5, 82.0 and 74.3 % at -5, -10, -20 and -30 degC
    t = np.array([-5.0, -10.0, -20.0, -30.0, 0.0, 15.0, math.nan])
    np.testing.assert_allclose(ice_saturation(t), [95.2, 90.5, 82.0, 74.3, 100.0, 100.0, 100.0], atol=0.05)
