"""Excursions: single values that leave their neighbours and come back, and how much a series changes around them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.vectors import Floats
from qc.physics.windows import Rows

Times = NDArray[np.datetime64]

_AT_ONCE = 20_000  # rows whose windows are laid side by side: bounds the memory


def changes(values: ArrayLike, time: Times, interval_us: int) -> Floats:
    """Change from the row before, in the unit of `values`; NaN where that lies over one and a half intervals back."""
    level = np.asarray(values, np.float64)
    out = np.full(len(level), np.nan)
    np.subtract(level[1:], level[:-1], out=out[1:])
    far = (time[1:] - time[:-1]).astype(np.int64) * 2 > 3 * interval_us
    if far.any():
        out[1:][far] = np.nan
    return out


def excursions(change: Floats) -> Floats:
    """How far each value leaves both its neighbours to one side: the smaller of the two changes, signed.

    0 where the value lies between its neighbours, NaN where one is missing.
    """
    out = np.full(len(change), np.nan)
    rise, fall = change[:-1], -change[1:]
    out[:-1] = np.maximum(np.minimum(rise, fall), 0.0) + np.minimum(np.maximum(rise, fall), 0.0)
    return out


def usual(change: Floats, time: Times, rows: Rows, half_us: int, share: float) -> Floats:
    """The size that a share of the changes within `half_us` to either side of some rows stays below; NaN without one.

    The two changes that lead to and from the row itself do not count.
    A quantile that is one of the values itself: rank floor(share (n - 1)), counted from 0.

    Parameters
    ----------
    change : as `changes` gives it, shape (n,).
    rows : rows that are asked for, rising.
    half_us : reach to each side, both ends closed. [us]
    share : 0 to 1.
    """
    half = np.timedelta64(half_us, "us")
    first = np.searchsorted(time, time[rows] - half, side="left")
    after = np.searchsorted(time, time[rows] + half, side="right")
    out = np.full(len(rows), np.nan)
    for start in range(0, len(rows), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        place = first[some, None] + np.arange(int((after - first)[some].max(initial=0)))
        own = (place == rows[some, None]) | (place == rows[some, None] + 1)
        here = (place < after[some, None]) & ~own
        sizes = np.where(here, np.abs(change[np.minimum(place, len(change) - 1)]), np.nan)
        sizes.sort(axis=1)  # NaN come last
        count = np.isfinite(sizes).sum(axis=1)
        rank = np.floor(share * np.maximum(count - 1, 0)).astype(np.int64)
        out[some] = np.where(count > 0, sizes[np.arange(len(count)), rank], np.nan)
    return out
