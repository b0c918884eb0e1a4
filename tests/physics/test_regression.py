"""Regression in a sliding window against numpy's own, window by window; and that cuts change no bit."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from qc.physics.regression import LARGEST, lines

HOUR = 3600_000_000


def _time(rows: int) -> np.ndarray:
    return np.datetime64("2026-01-01T00:00", "us") + np.arange(rows) * np.timedelta64(HOUR, "us")


def _series(seed: int, rows: int) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Stamps, x, y and which pairs are known."""
    rng = np.random.default_rng(seed)
    x = np.rint(10_000 + 5_000 * np.sin(np.arange(rows) / 4.0) + rng.normal(0, 800, rows)).astype(np.int64)
    y = np.rint(0.8 * x + 3_000 + rng.normal(0, 600, rows)).astype(np.int64)
    return _time(rows), x, y, rng.random(rows) < 0.9


def test_each_line_is_the_one_that_numpy_fits() -> None:
    time, x, y, known = _series(1, 80)
    found = lines(x, y, known, time, 12 * HOUR, HOUR // 2)
    for row in range(80):
        away = np.abs(np.arange(80) - row)
        pairs = known & (away <= 12) & (away >= 1)
        slope, intercept = np.polyfit(x[pairs], y[pairs], 1)
        left = y[pairs] - (slope * x[pairs] + intercept)
        n = int(pairs.sum())
        assert found.pairs[row] == n
        np.testing.assert_allclose(found.slope[row], slope, rtol=1e-9)
        np.testing.assert_allclose(found.at(x.astype(float))[row], slope * x[row] + intercept, rtol=1e-9)
        spread = np.sqrt((left**2).sum() / (n - 2))
        np.testing.assert_allclose(found.spread[row], spread, rtol=1e-9)
        # the error of a single value at x, as textbooks of statistics have it (from memory)
        lever = (x[row] - x[pairs].mean()) ** 2 / ((x[pairs] - x[pairs].mean()) ** 2).sum()
        error = spread * np.sqrt(1 + 1 / n + lever)
        np.testing.assert_allclose(found.error(x.astype(float))[row], error, rtol=1e-9)


def test_a_ratio_goes_through_zero() -> None:
    x = np.array([1_000_000, 1_010_000, 990_000, 1_000_000, 1_004_000])
    found = lines(x, x * 97 // 100, np.ones(5, bool), _time(5), 12 * HOUR, 0, through_zero=True)
    np.testing.assert_allclose(found.slope, 0.97, rtol=1e-12)
    np.testing.assert_allclose(found.spread, 0.0, atol=1e-6)


def test_slopes_are_held_within_bounds() -> None:
    x = np.arange(10) * 100
    for factor, slope in ((-1, 0.0), (1, 1.0), (3, 2.0)):
        assert (lines(x, x * factor, np.ones(10, bool), _time(10), 12 * HOUR, 0).slope == slope).all()


def test_fewer_than_three_pairs_tell_nothing() -> None:
    x = np.arange(5) * 100
    found = lines(x, x, np.array([True, True, False, True, False]), _time(5), HOUR, 0)
    assert found.pairs.tolist() == [1, 1, 2, 0, 1]
    assert np.isnan(found.slope).all()
    assert np.isnan(found.at(x.astype(float))).all()


def test_numbers_out_of_bounds_take_no_part() -> None:
    x = np.array([100, 200, LARGEST + 1, 300, 400])
    found = lines(x, np.array([100, 200, 900, 300, -LARGEST - 1]), np.ones(5, bool), _time(5), 12 * HOUR, 0)
    assert found.pairs.tolist() == [2, 2, 3, 2, 3]


def test_an_empty_table() -> None:
    none = np.zeros(0, np.int64)
    assert len(lines(none, none, none.astype(bool), _time(0), HOUR, 0).slope) == 0


@given(seed=st.integers(0, 50), cut=st.integers(1, 119), far=st.booleans())
def test_cuts_change_no_bit(seed: int, cut: int, far: bool) -> None:
    """Each side of a cut with the window's reach beside it, and nothing more."""
    time, x, y, known = _series(seed, 120)
    if far:  # what stands outside a window must not matter, however large
        x[::40], y[::40] = 1_900_000, -1_900_000
    whole = lines(x, y, known, time, 12 * HOUR, HOUR // 2)
    for first, after in ((0, cut), (cut, 120)):
        rows = slice(max(first - 12, 0), after + 12)
        piece = lines(x[rows], y[rows], known[rows], time[rows], 12 * HOUR, HOUR // 2)
        inside = slice(first - rows.start, first - rows.start + after - first)
        for a, b in zip(piece, whole, strict=True):
            assert a[inside].tobytes() == b[first:after].tobytes()
