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


def _extreme_at(
    values: ArrayLike, time: NDArray[np.datetime64], rows: Rows, back_us: int, ahead_us: int, pick: np.ufunc
) -> Floats:
    stamps = np.asarray(time, "datetime64[us]").astype(np.int64)
    first = np.searchsorted(stamps, stamps[rows] - int(back_us), side="left")
    after = np.searchsorted(stamps, stamps[rows] + int(ahead_us), side="right")
    level = np.append(np.asarray(values, np.float64) + 0.0, np.nan)  # a last place, so that `after` is one too
    if not len(first):
        return np.zeros(0)
    found = pick.reduceat(level, np.column_stack((first, np.maximum(first, after))).ravel())[::2]
    return np.where(after > first, found, np.nan)


def max_at(values: ArrayLike, time: NDArray[np.datetime64], rows: Rows, back_us: int, ahead_us: int) -> Floats:
    """As `sliding_max`, for a few rows only (their numbers), at a cost that goes with them and their windows.

    Returns
    -------
    largest : one for each of `rows`, NaN where its window holds no value.
    """
    return _extreme_at(values, time, rows, back_us, ahead_us, np.fmax)


def min_at(values: ArrayLike, time: NDArray[np.datetime64], rows: Rows, back_us: int, ahead_us: int) -> Floats:
    """As `sliding_min`, for a few rows only; see `max_at`."""
    return _extreme_at(values, time, rows, back_us, ahead_us, np.fmin)


def near(time: NDArray[np.datetime64], rows: Rows, back_us: int, ahead_us: int) -> NDArray[np.bool_]:
    """Whether each row lies from `back_us` before to `ahead_us` after any of some rows (their numbers).

    Returns
    -------
    mask : shape of `time`.
    """
    stamps = np.asarray(time, "datetime64[us]").astype(np.int64)
    edges = np.zeros(len(stamps) + 1, np.int64)
    np.add.at(edges, np.searchsorted(stamps, stamps[rows] - int(back_us), side="left"), 1)
    np.add.at(edges, np.searchsorted(stamps, stamps[rows] + int(ahead_us), side="right"), -1)
    return np.asarray(np.cumsum(edges[:-1]) > 0)


def runs(mask: NDArray[np.bool_], time: NDArray[np.datetime64], longest_step_us: int) -> tuple[Rows, Rows]:
    """First and last rows of the unbroken runs of a mask; rows further apart than `longest_step_us` break a run.

    A run may reach on without end: whoever uses one cuts it to the reach that it claims.

    Returns
    -------
    first, last : row numbers, one of each for every run, in order.
    """
    flags = np.asarray(mask, np.bool_)
    joined = np.zeros(len(flags) + 1, bool)
    if len(flags) > 1:
        stamps = np.asarray(time, "datetime64[us]").astype(np.int64)
        joined[1:-1] = flags[1:] & flags[:-1] & (stamps[1:] - stamps[:-1] <= int(longest_step_us))
    return np.flatnonzero(flags & ~joined[:-1]), np.flatnonzero(flags & ~joined[1:])


class Blocks:
    """Rows gathered into blocks of a fixed length on a grid tied to UTC, for long windows over short intervals.

    A record that is cut within a block changes that block alone, so a window over blocks reaches one block further.

    Parameters
    ----------
    time : datetime64, never falling, shape (n,): the middle of each interval, so that no interval lies in two blocks.
    span_us : length of a block. [us]

    Attributes
    ----------
    time : datetime64[us], shape (blocks,): start of each block that has rows.
    of_row : shape (n,): number of each row's block.
    """

    def __init__(self, time: NDArray[np.datetime64], span_us: int) -> None:
        number = np.asarray(time, "datetime64[us]").astype(np.int64) // int(span_us)
        new = np.ones(len(number), bool)
        new[1:] = number[1:] != number[:-1]
        self._starts = np.flatnonzero(new)
        self.span_us = int(span_us)
        self.time = (number[self._starts] * int(span_us)).astype("datetime64[us]")
        self.of_row = np.cumsum(new) - 1

    def max(self, values: ArrayLike) -> Floats:
        """Largest value in each block, NaN where it holds none."""
        return self._reduced(np.asarray(values, np.float64) + 0.0, np.fmax)

    def min(self, values: ArrayLike) -> Floats:
        """Smallest value in each block, NaN where it holds none."""
        return self._reduced(np.asarray(values, np.float64) + 0.0, np.fmin)

    def sum(self, quanta: ArrayLike) -> Rows:
        """Sum of whole numbers, or number of true ones, in each block."""
        whole = np.asarray(quanta)
        if whole.dtype.kind not in "iub":
            raise TypeError(f"quanta must be whole numbers, not {whole.dtype}")
        return np.asarray(self._reduced(whole.astype(np.int64), np.add), np.int64)

    def _reduced(self, values: NDArray[np.float64] | Rows, pick: np.ufunc) -> Floats:
        return np.asarray(pick.reduceat(values, self._starts)) if len(values) else np.asarray(values)
