"""Rows that are missing in an interval table, and the stamps that they would have had."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.read import clock
from qc.record import TableRecord, Times
from qc.station import Station


def broken(record: TableRecord) -> NDArray[np.bool_]:
    """For each row whether a row is missing before it: more than one and a half intervals. The first does not count."""
    out = np.zeros(record.rows, bool)
    if record.interval_us and record.rows > 1:
        out[1:] = (record.time[1:] - record.time[:-1]).astype(np.int64) * 2 > 3 * record.interval_us
    return out


def missing(
    station: Station, record: TableRecord, first: np.datetime64 | None = None, last: np.datetime64 | None = None
) -> Times:
    """Stamps for which a table has no row, on the grid of the logger's own clock.

    Parameters
    ----------
    station : Station
    record : TableRecord
        rows with what lies around the period.
    first, last : datetime64[us] UTC, optional
        period asked for, both ends included: where one is given, stamps are missing from or to there too.

    Returns
    -------
    datetime64[us] array, rising; empty for a table of events.
    """
    interval = record.interval_us
    if not interval or not record.rows:
        return np.zeros(0, "datetime64[us]")
    step = np.timedelta64(interval, "us")
    after = np.flatnonzero(broken(record))
    befores, afters = (on_grid(station, record.time[rows], interval) for rows in (after - 1, after))
    found = [np.arange(a + step, b, step) for a, b in zip(befores, afters, strict=True)]
    begin, end = on_grid(station, record.time[[0, -1]], interval)
    if first is not None and first < begin:
        found.insert(0, begin - step * np.arange((begin - first) // step, 0, -1))
    if last is not None and last > end:
        found.append(end + step * np.arange(1, (last - end) // step + 1))
    times = np.concatenate([np.zeros(0, "datetime64[us]"), *found])
    keep = np.ones(len(times), bool)
    keep &= True if first is None else times >= first
    keep &= True if last is None else times <= last
    return times[keep]


def on_grid(station: Station, time: Times, interval: int) -> Times:
    """The moments of the grid nearest to some stamps, which may stray."""
    from qc.read.tables import clock_entries

    if not len(time):
        return time
    timeline = clock.timeline(clock_entries(station), time.min(), time.max())
    local = clock.to_logger_clock(time, timeline).astype(np.int64)
    off = (local + interval // 2) % interval - interval // 2
    moments: Times = time - off.astype("timedelta64[us]")
    return moments
