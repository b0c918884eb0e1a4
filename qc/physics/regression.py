"""Regression of one series on another in a sliding window of time, of whole numbers: the same bits wherever cut."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.physics.vectors import Floats
from qc.physics.windows import window_rows

Whole = NDArray[np.int64]

LARGEST = 2_000_000
"""Largest whole number that takes part: squares of a day of seconds stay exact in 64 bits (computed)."""


class Lines(NamedTuple):
    """A line for each row: y = mean_y + slope (x - mean_x), fitted to the pairs around it; NaN where it could not be.

    `spread` is the standard deviation of the pairs about the line, `mean_x`, `mean_y` and `spread` in quanta; `sum_x`
    is the sum of squares of x about its mean.
    """

    pairs: Whole
    mean_x: Floats
    mean_y: Floats
    slope: Floats
    spread: Floats
    sum_x: Floats

    def at(self, x: Floats) -> Floats:
        """What the lines say at x."""
        return np.asarray(self.mean_y + self.slope * (x - self.mean_x))

    def error(self, x: Floats) -> Floats:
        """Standard error of what the lines say of a single value at x: spread of the pairs, and of mean and slope."""
        away = x - self.mean_x
        lever = np.divide(away * away, self.sum_x, out=np.zeros(len(x)), where=self.sum_x > 0)
        return np.asarray(self.spread * np.sqrt(1.0 + 1.0 / np.maximum(self.pairs, 1) + lever))


def lines(
    x: Whole, y: Whole, known: NDArray[np.bool_], time: NDArray[np.datetime64], half_us: int, apart_us: int,
    *, steepest: float = 2.0, through_zero: bool = False,
) -> Lines:  # fmt: skip
    """For each row the line through the pairs from `half_us` before to `half_us` after it, but those within `apart_us`.

    Parameters
    ----------
    x, y : whole numbers (values over their quantum), shape (n,); those beyond `LARGEST` take no part.
    known : where both are known and shall take part, shape (n,).
    time : datetime64, never falling, shape (n,).
    half_us, apart_us : both ends closed. [us]
    steepest : slopes are held within 0 and this.
    through_zero : slope mean_y / mean_x instead: for pressures, one a share of the other.

    Returns
    -------
    lines : NaN where fewer than three pairs are known.
    """
    known = known & (np.abs(x) <= LARGEST) & (np.abs(y) <= LARGEST)
    x, y = np.where(known, x, 0), np.where(known, y, 0)
    first, after = window_rows(time, half_us, half_us)
    before, beside = window_rows(time, apart_us, apart_us)
    origin_x, origin_y = _some(x, known, first, after), _some(y, known, first, after)

    def total(quanta: Whole | NDArray[np.bool_]) -> Whole:
        sums = np.concatenate((np.zeros(1, np.int64), np.cumsum(quanta, dtype=np.int64)))
        return np.asarray(sums[after] - sums[first] - (sums[beside] - sums[before]))

    n, sx, sy = total(known), total(x), total(y)
    # sums about an origin inside the window: whole numbers wrap around, but come out exact where the result is small
    xx = (total(x * x) - 2 * origin_x * sx + n * origin_x * origin_x).astype(np.float64)
    yy = (total(y * y) - 2 * origin_y * sy + n * origin_y * origin_y).astype(np.float64)
    xy = (total(x * y) - origin_x * sy - origin_y * sx + n * origin_x * origin_y).astype(np.float64)
    dx, dy = (sx - n * origin_x).astype(np.float64), (sy - n * origin_y).astype(np.float64)
    pairs = np.where(n >= 3, n, 3).astype(np.float64)
    xx, yy, xy = (np.maximum(xx - dx * dx / pairs, 0.0), np.maximum(yy - dy * dy / pairs, 0.0), xy - dx * dy / pairs)
    mean_x, mean_y = origin_x + dx / pairs, origin_y + dy / pairs
    if through_zero:
        slope = np.divide(mean_y, mean_x, out=np.ones(len(x)), where=mean_x != 0.0)
    else:
        slope = np.divide(xy, xx, out=np.zeros(len(x)), where=xx > 0.0)
    slope = np.clip(slope, 0.0, steepest)
    left = np.maximum(yy - 2.0 * slope * xy + slope * slope * xx, 0.0)
    spread = np.sqrt(left / np.maximum(pairs - 2.0, 1.0))
    none = n < 3
    return Lines(n, *(np.where(none, np.nan, a) for a in (mean_x, mean_y, slope, spread, xx)))


def _some(quanta: Whole, known: NDArray[np.bool_], first: Whole, after: Whole) -> Whole:
    """A number known within each row's window: the first one; 0 where there is none."""
    rows = np.flatnonzero(known)
    if not len(rows):
        return np.zeros(len(quanta), np.int64)
    place = np.minimum(np.searchsorted(rows, first), len(rows) - 1)
    found = quanta[rows[place]]
    return np.where((rows[place] >= first) & (rows[place] < after), found, 0)
