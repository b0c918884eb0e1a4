"""Runs: rows in which something holds without a break."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Rows = NDArray[np.int64]


class Runs(NamedTuple):
    """First row of each run and the row after its last, shape (k,)."""

    start: Rows
    stop: Rows

    @property
    def length(self) -> Rows:
        """Rows of each run."""
        return self.stop - self.start

    def take(self, keep: ArrayLike) -> Runs:
        """Some of them."""
        return Runs(self.start[np.asarray(keep)], self.stop[np.asarray(keep)])


def runs(mask: ArrayLike) -> Runs:
    """Runs of True in booleans, shape (n,)."""
    flags = np.concatenate(([False], np.asarray(mask, bool), [False])).astype(np.int8)
    change = np.diff(flags)
    return Runs(np.flatnonzero(change == 1), np.flatnonzero(change == -1))


def repeats(same: ArrayLike) -> Runs:
    """Runs of equal rows, where `same` says for each row whether it equals the row before: two rows at least."""
    found = runs(same)
    return Runs(np.maximum(found.start - 1, 0), found.stop)


def rows_of(found: Runs) -> Rows:
    """All rows that stand in one of the runs, in order."""
    length = found.length
    before = np.cumsum(length) - length
    return np.asarray(np.arange(length.sum()) + np.repeat(found.start - before, length), np.int64)


def joined(found: Runs, gap: int) -> Runs:
    """Runs with those apart by `gap` rows or less made one."""
    if not len(found.start):
        return found
    apart = np.flatnonzero(found.start[1:] - found.stop[:-1] > gap)
    return Runs(found.start[np.append(0, apart + 1)], found.stop[np.append(apart, len(found.stop) - 1)])


def spread(values: ArrayLike, found: Runs, *, circular: bool = False) -> Floats:
    """Largest less smallest value within each run, in the unit of `values`; directions (degrees) the short way round.

    Values are finite within the runs.
    """
    x = np.append(np.asarray(values, float), 0.0)
    if not len(found.start):
        return np.zeros(0)
    ends = np.column_stack((found.start, found.stop)).ravel()
    wide = np.asarray(np.maximum.reduceat(x, ends)[::2] - np.minimum.reduceat(x, ends)[::2])
    if not circular:
        return wide
    turned = np.where(x < 180.0, x + 180.0, x - 180.0)
    return np.asarray(np.minimum(wide, np.maximum.reduceat(turned, ends)[::2] - np.minimum.reduceat(turned, ends)[::2]))


def usual_longest(length: ArrayLike, day: ArrayLike, days: int, spreads: float) -> float:
    """Longest run, in rows, that a series is used to show on a day.

    Parameters
    ----------
    length : rows of each run, shape (k,).
    day : number of the day that each begins on, shape (k,).
    days : how many days were seen; on those without a run the longest is one row.
    spreads : how many robust standard deviations of the logarithm of the longest run of a day lie above its median.

    Returns
    -------
    rows; NaN where fewer than two days were seen.
    """
    seen, place = np.unique(np.asarray(day), return_inverse=True)
    if max(days, len(seen)) < 2:
        return float("nan")
    longest = np.ones(max(days, len(seen)))
    np.maximum.at(longest, place, np.asarray(length, float))
    logs = np.log(longest)
    middle = float(np.median(logs))
    return float(np.exp(middle + spreads * 1.4826 * float(np.median(np.abs(logs - middle)))))
