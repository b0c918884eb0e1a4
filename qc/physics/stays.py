"""Stays: stretches of a series that keep within a tolerance for at least a window of time.

A window ends at a row and holds the rows of (time - window, time]: the older end is open, so that twelve hours of
ten-minute values are 72 rows. Windows are found exactly, whatever came before; a coarse look at blocks of rows only
saves the work where no window can qualify, and changes no result.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.vectors import Floats
from qc.physics.windows import Rows, sliding_max, sliding_min, window_rows

Bools = NDArray[np.bool_]
Times = NDArray[np.datetime64]

_ROUNDING = 1e-9  # of the number itself: 20.3 - 20.1 is 0.1999999999999993 in doubles
_BLOCKS = 8  # blocks in the least stay: more of them let fewer false candidates through


class Ends(NamedTuple):
    """Rows at which a window that stays ends, in order, and the smallest and largest value in each window."""

    rows: Rows
    low: Floats
    high: Floats

    def take(self, keep: Bools) -> Ends:
        """Some of them."""
        return Ends(self.rows[keep], self.low[keep], self.high[keep])


def stays(
    values: ArrayLike,
    time: Times,
    window_us: int,
    least: int,
    tolerance: float,
    *,
    circular: bool = False,
    span_us: int = 0,
) -> Ends:
    """Windows that hold at least `least` values, none further from another than `tolerance`.

    Parameters
    ----------
    values : shape (n,); NaN are passed over, and no window ends at one.
    time : datetime64, never falling, shape (n,).
    window_us : length of the window. [us]
    least : values that a window must hold, 2 or more.
    tolerance : in the unit of `values`; a spread that equals it passes.
    circular : `values` are directions, degrees; a window around north is looked at from south, with its low and high.
    span_us : least time from its first value to its last. [us]
    """
    if circular:
        both = [stays(v, time, window_us, least, tolerance, span_us=span_us) for v in (values, turned(values))]
        return _either(*both)
    level = np.asarray(values, np.float64)
    there = np.isfinite(level)
    rows = np.flatnonzero(there)
    x, when = (level, time) if len(rows) == len(level) else (level[rows], time[rows])
    first, stop = _candidates(x, when, window_us, max(least, 2), tolerance)
    if not len(first):
        return Ends(np.zeros(0, np.int64), np.zeros(0), np.zeros(0))
    window = np.timedelta64(window_us, "us")
    ends = _covered(first, stop, len(x))
    back = np.searchsorted(when, when[first] - window, side="right")
    near = np.flatnonzero(_covered(back, stop, len(x)))  # all rows that a window ending in `ends` can hold
    x, when, ends = x[near], when[near], ends[near]
    after_first, after = window_rows(when, window_us - 1, 0)
    low, high = sliding_min(x, when, window_us - 1, 0), sliding_max(x, when, window_us - 1, 0)
    enough = (after - after_first >= max(least, 2)) & ((when - when[after_first]).astype(np.int64) >= span_us)
    keep = ends & enough & (high - low <= _allowed(low, high, tolerance))
    return Ends(rows[near[keep]], low[keep], high[keep])


def turned(values: ArrayLike) -> Floats:
    """Directions seen from south, so that those around north do not jump from 360 to 0. [degree]"""
    level = np.asarray(values, np.float64)
    return np.where(level < 180.0, level + 180.0, level - 180.0)


def _either(one: Ends, other: Ends) -> Ends:
    """Windows of either, in order; where both end at a row the narrower one."""
    rows = np.concatenate((one.rows, other.rows))
    low, high = np.concatenate((one.low, other.low)), np.concatenate((one.high, other.high))
    order = np.lexsort((high - low, rows))
    first = np.append(True, np.diff(rows[order]) > 0)[: len(order)]
    return Ends(rows[order], low[order], high[order]).take(first)


def extremes(values: ArrayLike, time: Times, rows: Rows, window_us: int) -> Ends:
    """Windows that end at some rows, which rise; NaN where a window holds no value."""
    near = np.flatnonzero(inside(rows, time, window_us))
    level, when, place = np.asarray(values, np.float64)[near], time[near], np.searchsorted(near, rows)
    low, high = sliding_min(level, when, window_us - 1, 0), sliding_max(level, when, window_us - 1, 0)
    return Ends(rows, low[place], high[place])


def blamed(ends: Ends, time: Times, window_us: int) -> tuple[Rows, Floats]:
    """Rows that stand in one of the windows, and for each the spread of the one that ends next."""
    rows = np.flatnonzero(inside(ends.rows, time, window_us))
    return rows, (ends.high - ends.low)[np.searchsorted(ends.rows, rows)]


def running(same: Bools, times: int) -> Rows:
    """Rows at which `same` has held for so many rows running."""
    ends = same.copy()
    for step in range(1, times):
        ends[step:] &= same[:-step]
        ends[:step] = False
    return np.flatnonzero(ends)


def inside(ends: Rows, time: Times, window_us: int) -> Bools:
    """Rows that stand in a window which ends at one of `ends`."""
    start = np.searchsorted(time, time[ends] - np.timedelta64(window_us, "us"), side="right")
    return _covered(start, ends + 1, len(time))


def _allowed(low: Floats, high: Floats, tolerance: float) -> Floats:
    return tolerance + _ROUNDING * np.maximum(np.abs(low), np.abs(high))


def _covered(start: Rows, stop: Rows, rows: int) -> Bools:
    """Rows in any of the stretches from `start` up to, without, `stop`; neither falls."""
    out = np.zeros(rows, bool)
    if len(start):
        apart = np.flatnonzero(start[1:] > stop[:-1])
        for first, after in zip(start[np.append(0, apart + 1)], stop[np.append(apart, len(stop) - 1)], strict=True):
            out[first:after] = True
    return out


def _candidates(x: Floats, when: Times, window_us: int, least: int, tolerance: float) -> tuple[Rows, Rows]:
    """Stretches of rows, first and stop, outside which no window that stays can end.

    Any `least` rows running hold `run` whole blocks; a window that stays holds them, so they keep within the tolerance.
    """
    block = max(1, least // _BLOCKS)
    run = (least + 1) // block - 1
    blocks = len(x) // block
    starts = blocks - run + 1
    if starts < 1:
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    # one column of each block at a time: numpy is slow along short rows
    parts = x[: blocks * block].reshape(blocks, block)
    low, high = parts[:, 0].copy(), parts[:, 0].copy()
    for column in range(1, block):
        np.minimum(low, parts[:, column], out=low)
        np.maximum(high, parts[:, column], out=high)
    least_of, most_of = low[:starts].copy(), high[:starts].copy()
    for later in range(1, run):
        np.minimum(least_of, low[later : later + starts], out=least_of)
        np.maximum(most_of, high[later : later + starts], out=most_of)
    found = np.flatnonzero(most_of - least_of <= _allowed(least_of, most_of, tolerance))
    first = (found + run) * block - 1  # such a window ends at the last row of the run or later
    stop = np.searchsorted(when, when[found * block] + np.timedelta64(window_us, "us"), side="left")
    return first, stop
