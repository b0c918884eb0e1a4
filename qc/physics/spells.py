"""Spells: something that holds without a break for at least some time."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qc.physics.windows import sliding_count


def unbroken(mask: ArrayLike, time: NDArray[np.datetime64], span_us: int, interval_us: int) -> NDArray[np.bool_]:
    """Rows of spells that last at least as long as `span_us`, `mask` holding in every interval of the spell.

    Parameters
    ----------
    mask : booleans, shape (n,).
    time : datetime64, never falling, one row an interval (a missing row ends a spell), shape (n,).
    span_us, interval_us : [us]

    Returns
    -------
    inside : bool, shape (n,). A row's answer rests on the rows within `span_us` of it, to either side.
    """
    flags = np.asarray(mask)
    need = -(-int(span_us) // int(interval_us))
    if np.count_nonzero(flags) < need:
        return np.zeros(flags.shape, bool)
    # the older end open, the window holds `need` rows at most
    last = flags & (sliding_count(flags, time, span_us - 1, 0) >= need)
    return np.asarray(flags & (sliding_count(last, time, 0, span_us - 1) > 0))


def count_near(
    events: ArrayLike, time: NDArray[np.datetime64], rows: NDArray[np.int64], back_us: int, ahead_us: int
) -> NDArray[np.int64]:
    """How many rows where `events` holds lie near each of some rows: as `sliding_count`, at the cost of those alone.

    Parameters
    ----------
    events : booleans, shape (n,).
    time : datetime64, never falling, shape (n,).
    rows : row numbers asked for.
    back_us, ahead_us : both ends closed. [us]

    Returns
    -------
    count : shape of `rows`.
    """
    stamps = np.asarray(time, "datetime64[us]").astype(np.int64)
    when = stamps[np.flatnonzero(events)]
    after = np.searchsorted(when, stamps[rows] + int(ahead_us), side="right")
    return np.asarray(after - np.searchsorted(when, stamps[rows] - int(back_us), side="left"))
