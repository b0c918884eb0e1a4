"""Is it complete? Rows and values by channel and month, and the gaps themselves.

A month is one of the delivery's calendar; a row lies in the month of the middle of its interval. Expected rows are
those of the grid from `--from` to `--to`, else from the first to the last stamp, as in `summary.json`: the months add
up to it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.chain import CheckedTable
from qc.delivery.calendar import UTC, Calendar, placed
from qc.gaps import on_grid
from qc.record import SECOND, Times
from qc.run import Result
from qc.station import Station
from qc.verdicts import CHANGED, ESTIMATED, is_usable
from qc.write.summary import expected_rows

Bools = NDArray[np.bool_]

WHOLE = "all"
"""What stands for the month where a share is that of the whole period, and for the channel of a gap of whole rows."""


@dataclass(frozen=True)
class Share:
    """One channel in one month (or in the whole period): counts, and the gaps as far as they lie in it.

    `expected` and `rows` count rows, `values` raw values, `usable` the values that may be used (verdict 0, 5 or 6).
    `verdicts` has one count for each code from 0 to 7: of raw values, but 5 and 6 of corrected ones. A gap is an
    unbroken run of expected stamps without a raw value; `longest_gap_s` is its length in s.
    """

    table: str
    channel: str
    month: str
    expected: int
    rows: int
    values: int
    usable: int
    verdicts: tuple[int, ...]
    gaps: int
    longest_gap_s: float

    @property
    def completeness(self) -> float | None:
        """Values over expected rows; None where none was expected."""
        return self.values / self.expected if self.expected else None

    @property
    def usable_share(self) -> float | None:
        """Usable values over expected rows; None where none was expected."""
        return self.usable / self.expected if self.expected else None


@dataclass(frozen=True)
class Gap:
    """An unbroken run of expected stamps without a value: `start` and `end` are the first and the last of them (UTC).

    `channel` is `all` where the rows are lacking, so that no channel of the table has a value. A channel has an entry
    of its own where at least one row is there without its value; `rows` counts rows lacking, `values` values lacking.
    """

    table: str
    channel: str
    start: np.datetime64
    end: np.datetime64
    rows: int
    values: int
    lasts_s: float


def shares(result: Result, calendar: Calendar = UTC) -> list[Share]:
    """One for each table, channel and month of the period, in that order. Tables of events expect the rows they have,
    and have no gaps."""
    station = result.checked.record.station
    found: list[Share] = []
    for table in result.checked.tables.values():
        if table.record.rows:
            rows = _rows(table)
            at = calendar.number(placed(station, table.record, rows.stamps), "month")
            expected = calendar.number(placed(station, table.record, expected_stamps(result, table)), "month")
            found += _shares(station, table, rows, at, expected, calendar)
    return found


def whole(result: Result) -> list[Share]:
    """The same for the whole period: one for each table and channel, with `month` = `all`."""
    station = result.checked.record.station
    found: list[Share] = []
    for table in result.checked.tables.values():
        if table.record.rows:
            rows = _rows(table)
            at = np.zeros(len(rows.stamps), np.int64)
            expected = np.zeros(expected_rows(station, table, result.period), np.int64)
            found += _shares(station, table, rows, at, expected, None)
    return found


def gaps(result: Result) -> list[Gap]:
    """All gaps of a delivery by time, then rows before channels in the order of the station file."""
    station = result.checked.record.station
    found: list[Gap] = []
    for table in result.checked.tables.values():
        interval = table.record.interval_us
        if not interval:
            continue
        rows = _rows(table)
        for first, last in _runs(~rows.there):
            found.append(_gap(table, WHOLE, rows, first, last))
        for channel in station.channels_of(table.record.table):
            for first, last in _runs(~_has_value(table, rows, channel.name)):
                if rows.there[first : last + 1].any():
                    found.append(_gap(table, channel.name, rows, first, last))
    return sorted(found, key=lambda g: g.start)


def expected_stamps(result: Result, table: CheckedTable) -> Times:
    """The stamps of the grid that `expected_rows` counts."""
    station, record, interval = result.checked.record.station, table.record, table.record.interval_us
    if not interval or not record.rows:
        return record.time
    begin = on_grid(station, record.time[[0, -1]], interval)[0]
    first = result.period[0]
    before = 0 if first is None else int((begin - first).astype("timedelta64[us]").astype(np.int64)) // interval
    number = expected_rows(station, table, result.period)
    moments: Times = begin + (np.arange(number) - before) * np.timedelta64(interval, "us")
    return moments


@dataclass(frozen=True)
class _Rows:
    """All stamps of a table, those for which a row is missing too; and which of them have one."""

    stamps: Times
    there: Bools


def _rows(table: CheckedTable) -> _Rows:
    if not len(table.missing):
        return _Rows(table.record.time, np.ones(table.record.rows, bool))
    stamps = np.concatenate((table.record.time, table.missing))
    order = np.argsort(stamps, kind="stable")
    return _Rows(stamps[order], order < table.record.rows)


def _has_value(table: CheckedTable, rows: _Rows, name: str) -> Bools:
    has = rows.there.copy()
    has[has] = np.isfinite(table.record.channels[name].values)
    return has


def _shares(
    station: Station,
    table: CheckedTable,
    rows: _Rows,
    at: NDArray[np.int64],
    expected: NDArray[np.int64],
    calendar: Calendar | None,
) -> list[Share]:
    """`at` is the month of each stamp, `expected` that of each stamp of the grid; without a calendar there is one."""
    numbers = np.arange(min(at[0], *expected[:1]), max(at[-1], *expected[-1:]) + 1)  # both rise
    of_row = at[rows.there] - numbers[0]
    many = len(numbers)
    expect, read = np.bincount(expected - numbers[0], minlength=many), np.bincount(of_row, minlength=many)
    found = []
    for channel in station.channels_of(table.record.table):
        name = channel.name
        has = np.isfinite(table.record.channels[name].values)
        counts = np.bincount(of_row * 8 + table.codes[name], minlength=8 * many).reshape(many, 8)
        if (corrected := table.corrected.get(name)) is not None:
            again = np.bincount(of_row * 8 + corrected.codes, minlength=8 * many).reshape(many, 8)
            counts[:, [CHANGED, ESTIMATED]] = again[:, [CHANGED, ESTIMATED]]
        values = np.bincount(of_row[has], minlength=many)
        usable = np.bincount(of_row[is_usable(table.best(name)[1])], minlength=many)
        number, longest = _gaps_by_month(table, rows, name, at - numbers[0], many)
        for n, month in enumerate(numbers):
            found.append(
                Share(
                    table.record.table.id,
                    name,
                    WHOLE if calendar is None else calendar.name(int(month), "month"),
                    int(expect[n]),
                    int(read[n]),
                    int(values[n]),
                    int(usable[n]),
                    tuple(int(c) for c in counts[n]),
                    int(number[n]),
                    int(longest[n]) * (table.record.interval_us or 0) / SECOND,
                )
            )
    return found


def _gaps_by_month(
    table: CheckedTable, rows: _Rows, name: str, at: NDArray[np.int64], many: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """For each month the number of gaps that reach into it, and the stamps of the longest, as far as they lie in it."""
    number, longest = np.zeros(many, np.int64), np.zeros(many, np.int64)
    if not table.record.interval_us:
        return number, longest
    for first, last in _runs(~_has_value(table, rows, name)):
        for month in range(int(at[first]), int(at[last]) + 1):
            begin, end = np.searchsorted(at[first : last + 1], [month, month + 1])
            number[month] += 1
            longest[month] = max(longest[month], end - begin)
    return number, longest


def _runs(mask: Bools) -> Sequence[tuple[int, int]]:
    """First and last place of each unbroken run."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _gap(table: CheckedTable, channel: str, rows: _Rows, first: int, last: int) -> Gap:
    number = last - first + 1
    lacking = number - int(np.count_nonzero(rows.there[first : last + 1]))
    lasts = number * (table.record.interval_us or 0) / SECOND
    return Gap(table.record.table.id, channel, rows.stamps[first], rows.stamps[last], lacking, number, lasts)
