"""Exact statistics of a window that slides over an irregular time axis.

The window of row i holds every row j with time[i] - back_us <= time[j] <= time[i] + ahead_us: both ends closed, in time
and not in rows. A `back_us` of 1 us less leaves the older end open; `ahead_us=-1` leaves out the row and all later.
Extremes, counts and sums of whole numbers are exact whatever stands outside the window, so cutting a record changes no
bit. Running sums of floats are not, and none is offered.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.vectors import Floats

Rows = NDArray[np.int64]


def window_rows(time: NDArray[np.datetime64], back_us: int, ahead_us: int) -> tuple[Rows, Rows]:
    """First row of each row's window, and the row after its last; equal where the window is empty.

    Parameters
    ----------
    time : datetime64, or whole microseconds, never falling, shape (n,). A ValueError where it falls or holds NaT.
    back_us, ahead_us : reach of the window; negative ones move an end past the row. [us]

    Returns
    -------
    first, after : shape (n,), never falling.
    """
    time = np.asarray(time)
    if time.dtype.kind == "M":
        if np.isnat(time).any():
            raise ValueError("time holds NaT")
        time = time.astype("datetime64[us]").astype(np.int64)
    if time.dtype.kind not in "iu":
        raise TypeError(f"time must be datetime64 or whole microseconds, not {time.dtype}")
    if (time[1:] < time[:-1]).any():
        raise ValueError("time falls: sort the rows first")
    first = np.searchsorted(time, time - int(back_us), side="left")
    after = np.searchsorted(time, time + int(ahead_us), side="right")
    return first, np.maximum(first, after)


def _extreme(values: ArrayLike, time: NDArray[np.datetime64], back_us: int, ahead_us: int, pick: np.ufunc) -> Floats:
    first, after = window_rows(time, back_us, ahead_us)
    level = np.asarray(values, dtype=np.float64) + 0.0  # no -0.0: which of two zeros fmax picks is not defined
    if level.shape != first.shape:
        raise ValueError(f"values have shape {level.shape}, time has {first.shape}")
    out = np.full(level.shape, np.nan)
    length = after - first
    # any window is the union of two stretches of the largest power of two that fits: level[i] covers `span` rows from i
    span, longest = 1, int(length.max(initial=0))
    while span <= longest:
        rows = np.flatnonzero((length >= span) & (length < 2 * span))
        out[rows] = pick(level[first[rows]], level[after[rows] - span])
        # the last rows have no `span` more ahead of them; no window asks for them at the next level
        level[: max(level.size - span, 0)] = pick(level[: max(level.size - span, 0)], level[span:])
        span *= 2
    return out


def sliding_max(values: ArrayLike, time: NDArray[np.datetime64], back_us: int, ahead_us: int) -> Floats:
    """Largest value in each row's window; NaN are passed over.

    Parameters
    ----------
    values : shape (n,).
    time : datetime64, never falling, shape (n,).
    back_us, ahead_us : reach of the window, both ends closed. [us]

    Returns
    -------
    largest : shape (n,), NaN where the window holds no value; unit of `values`.
    """
    return _extreme(values, time, back_us, ahead_us, np.fmax)


def sliding_min(values: ArrayLike, time: NDArray[np.datetime64], back_us: int, ahead_us: int) -> Floats:
    """Smallest value in each row's window; NaN are passed over. Parameters and result as `sliding_max`."""
    return _extreme(values, time, back_us, ahead_us, np.fmin)


def sliding_sum(quanta: ArrayLike, time: NDArray[np.datetime64], back_us: int, ahead_us: int) -> Rows:
    """Sum of whole numbers (tips, counts) in each row's window.

    Parameters
    ----------
    quanta : whole numbers, shape (n,), a missing one as 0. A TypeError for floats, whose running sums are not exact.
    time : datetime64, never falling, shape (n,).
    back_us, ahead_us : reach of the window, both ends closed. [us]

    Returns
    -------
    sum : int64, shape (n,), 0 where the window is empty.
    """
    whole = np.asarray(quanta)
    if whole.dtype.kind not in "iub":
        raise TypeError(f"quanta must be whole numbers, not {whole.dtype}")
    first, after = window_rows(time, back_us, ahead_us)
    if whole.shape != first.shape:
        raise ValueError(f"quanta have shape {whole.shape}, time has {first.shape}")
    total = np.concatenate((np.zeros(1, np.int64), np.cumsum(whole, dtype=np.int64)))
    return total[after] - total[first]


def sliding_count(mask: ArrayLike, time: NDArray[np.datetime64], back_us: int, ahead_us: int) -> Rows:
    """Number of rows in each row's window where `mask` holds.

    Parameters
    ----------
    mask : booleans, shape (n,).
    time : datetime64, never falling, shape (n,).
    back_us, ahead_us : reach of the window, both ends closed. [us]

    Returns
    -------
    count : int64, shape (n,).
    """
    flags = np.asarray(mask)
    if flags.dtype.kind != "b":
        raise TypeError(f"mask must be booleans, not {flags.dtype}")
    return sliding_sum(flags, time, back_us, ahead_us)
