"""Excursions: single values that leave their neighbours and come back, and how much a series changes around them."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.vectors import Floats
from qc.physics.windows import Rows

Bools = NDArray[np.bool_]
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


def bends(values: ArrayLike, change: Floats) -> Floats:
    """How far each value lies off the smooth curve (of third degree) through the two values on either side.

    NaN where one of the four is missing, or follows no change. `change` as `changes` gives it, in the same unit.
    A tide or a steady fall bends little; one value that is off by e gives e here, -2/3 e beside it, 1/6 e next to that.
    """
    v = np.asarray(values, np.float64)
    out = np.full(len(v), np.nan)
    if len(v) > 4:
        near = (4.0 * (v[1:-3] + v[3:-1]) - (v[:-4] + v[4:])) / 6.0
        whole = change[1:-3] + change[2:-2] + change[3:-1] + change[4:]  # NaN where a row is missing
        out[2:-2] = np.where(np.isfinite(whole), v[2:-2] - near, np.nan)
    return out


def farthest(size: Floats, rows: Rows) -> Bools:
    """Whether some rows have the largest size among the two rows on either side, as far as those have one."""
    wide = np.pad(np.fmax(size, 0.0), 2)
    return np.asarray(wide[rows + 2] >= np.fmax.reduce([wide[rows + k] for k in (0, 1, 3, 4)]))


def usual(change: Floats, time: Times, rows: Rows, half_us: int, share: float, own: tuple[int, int] = (0, 1)) -> Floats:
    """The size that a share of the changes within `half_us` to either side of some rows stays below; NaN without one.

    The two changes that lead to and from the row itself do not count: from `own[0]` to `own[1]` rows from it on.
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
        mine = (place >= rows[some, None] + own[0]) & (place <= rows[some, None] + own[1])
        here = (place < after[some, None]) & ~mine
        sizes = np.where(here, np.abs(change[np.minimum(place, len(change) - 1)]), np.nan)
        sizes.sort(axis=1)  # NaN come last
        count = np.isfinite(sizes).sum(axis=1)
        rank = np.floor(share * np.maximum(count - 1, 0)).astype(np.int64)
        out[some] = np.where(count > 0, sizes[np.arange(len(count)), rank], np.nan)
    return out
