"""All files of a station to one Record: clock, repeated rows, conflicts, units. No order of files or lines matters."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc import logs, units
from qc.errors import FairvaneError, InputError, RefusedFile, UnknownLayout, printable
from qc.moments import clock_entries
from qc.read import cells as c
from qc.read import clock
from qc.read import file as file_
from qc.read.layout import Section
from qc.read.lines import Lines, load
from qc.read.numbers import ABSENT, TEXT, VALUE
from qc.record import SECOND, FileAccount, ReadChannel, Record, RejectedLine, TableRecord, Times
from qc.station import Channel, Station, Table

if TYPE_CHECKING:
    import pyarrow as pa


@dataclass(frozen=True)
class Part:
    """Rows of one table in one file with UTC; `second` is the other time that an unsettled stamp may mean, or NaT."""

    file: int
    rows: file_.Rows
    time: Times
    second: Times
    off_grid: NDArray[np.float64]


@dataclass
class _File:
    """What is kept of a file once it is read: the lines themselves are let go."""

    lines: Lines
    sections: list[Section]
    standing: NDArray[np.int64]
    rejects: list[RejectedLine]
    backward: int
    kept: int = 0
    repeated: int = 0


def read_tables(
    station: Station,
    paths: Sequence[Path | str],
    *,
    progress: Callable[[int, int], None] = lambda done, total: None,
    note: Callable[[Path, Sequence[Section], Sequence[Part]], None] = lambda path, sections, parts: None,
    opened: Callable[[Path], Lines] = load,
    known: logs.Logs | None = None,
) -> tuple[Record, list[RefusedFile]]:
    """Read the tables of a station.

    Parameters
    ----------
    station : Station
    paths : list of path
        table files in any order; the same file given twice counts twice, its rows once.
    progress : callable
        called with bytes done and bytes in all.
    note : callable
        called with each file that was read, its sections, and its rows by table: see `qc.read.source`.
    opened : callable
        gives the lines of a path; the store has them without a file.
    known : Logs, optional
        the station's logs, where they are at hand already.

    Returns
    -------
    record, refused
        files that could not be read are refused by name, the others are read.

    Raises
    ------
    InputError
        if no file could be read, or no file holds a row.
    LogError
        if a log that the station file names cannot be used.
    """
    known = logs.read(station) if known is None else known  # a log that cannot be used is told before tables are read
    refused: list[RefusedFile] = []
    files: list[_File] = []
    parts: dict[str, list[Part]] = {t.id: [] for t in station.table}
    text = frozenset(ch.name for ch in station.channel if not _plain(station, ch))
    ordered = sorted(Path(p) for p in paths)
    sizes = [_size(p) for p in ordered]
    for number, path in enumerate(ordered):
        try:
            one, found = _one(path, station, text, number=len(files), opened=opened)
        except FairvaneError as error:
            if not isinstance(error, RefusedFile):
                raise
            here = printable(path, 300)
            where = error.where if error.where and here in error.where else here
            refused.append(type(error)(error.what, where=where, mend=error.mend))
        else:
            files.append(one)
            note(path, one.sections, found)
            for part in found:
                parts[part.rows.table.id].append(part)
        progress(sum(sizes[: number + 1]), sum(sizes))
    if not files:
        raise _nothing(refused)
    tables = {}
    for table in station.table:
        if parts[table.id]:
            tables[table.id] = _merged(station, table, parts[table.id], files)
    accounts = tuple(_account(f) for f in files)
    rejects = tuple(r for f in files for r in f.rejects)
    seen = {
        ch.name
        for f in files
        for section in f.sections
        for kind in section.kinds
        for ch in station.channels_of(kind.table)
        if section.channel(ch) is not None
    }
    absent = tuple(ch.name for ch in station.channel if ch.name not in seen)
    return Record(station, tables, accounts, rejects, absent, known), refused


def read_station_tables(station: Station, paths: Sequence[Path | str]) -> Record:
    """Read the tables of a station; the first file that is refused is an error. See `read_tables`."""
    record, refused = read_tables(station, paths)
    if refused:
        raise refused[0]
    return record


def _nothing(refused: list[RefusedFile]) -> FairvaneError:
    if not refused:
        return InputError("no table file was given", mend="give one or more files")
    first = refused[0]
    kind = UnknownLayout if all(isinstance(error, UnknownLayout) for error in refused) else InputError
    others = [str(error.where) for error in refused[1:]]
    more = f" and {len(others) - 5} more" if len(others) > 5 else ""
    told = f" (nor can {', '.join(others[:5])}{more} be read)" if others else ""
    return kind(f"{first.what}{told}", where=first.where, mend=first.mend)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except (OSError, ValueError):
        return 0  # `load` says what is wrong


def line_times(lines: Lines, station: Station) -> NDArray[np.datetime64]:
    """UTC of the row that each line of a file holds, shape (lines,), NaT where it holds none; errors as of one file."""
    out = np.full(lines.count, np.datetime64("NaT", "us"))
    for part in parts_of(lines, station):
        out[part.rows.line] = part.time
    return out


def parts_of(lines: Lines, station: Station) -> list[Part]:
    """The rows of each table in one file, with their UTC; errors as of one file."""
    read = file_.read(lines, station)
    return [_timed(read, rows, station, 0) for rows in _joined(read.rows)]


def _one(
    path: Path, station: Station, text: frozenset[str], number: int, opened: Callable[[Path], Lines] = load
) -> tuple[_File, list[Part]]:
    """Read one file."""
    read = file_.read(opened(path), station, text)
    parts = [_timed(read, rows, station, number) for rows in _joined(read.rows)]
    parts = [part for part in parts if len(part.time)]
    if not parts:
        what, mend = _no_row(read)
        raise RefusedFile(what, mend=mend)
    lines = read.lines
    rejects = [
        RejectedLine(str(lines.path), r.line + 1, r.reason, lines.text(r.line))
        for r in sorted(read.rejects, key=lambda r: r.line)
    ]
    backward = sum(int((np.diff(part.time) < np.timedelta64(0)).sum()) for part in parts)
    standing = np.bincount(read.standing, minlength=6)
    return _File(lines.emptied(), read.sections, standing, rejects, backward), parts


def _timed(read: file_.ReadFile, rows: file_.Rows, station: Station, number: int) -> Part:
    """UTC for the rows of one table in one file; stamps that the clock never showed lose their line."""
    entries = clock_entries(station)
    zone = np.full(len(rows.local), np.nan) if rows.zone_s is None else rows.zone_s
    off_grid = _off_grid(rows.local, rows.table)
    time = np.full(len(rows.local), np.datetime64("NaT", "us"))
    second, skipped = time.copy(), np.zeros(len(time), bool)
    # a stamp that tells its zone is one of a clock that shows UTC, but for its known error
    own = [clock.ClockEntry(e.from_utc, 0.0, None, e.minutes_ahead) for e in entries]
    for history, some in ((entries, np.isnan(zone)), (own, np.isfinite(zone))):
        if some.any():
            local = rows.local[some] - (np.nan_to_num(zone[some]) * SECOND).astype("timedelta64[us]")
            counter = None if rows.counter is None else rows.counter[some]
            utc = clock.to_utc(local, counter, clock.timeline_for(history, local), rows.table.interval_s)
            time[some], skipped[some] = utc.time, utc.skipped
            second[some] = np.where(utc.ambiguous, utc.other, np.datetime64("NaT", "us"))
    if skipped.any():
        for line in rows.line[skipped].tolist():
            read.reject(line, "the logger clock never showed this time (it was set ahead then)")
        keep = np.flatnonzero(~skipped)
        rows, time, second, off_grid = rows.take(keep), time[keep], second[keep], off_grid[keep]
    return Part(number, rows, time, second, off_grid)


def _no_row(read: file_.ReadFile) -> tuple[str, str]:
    """Why a file holds no row, and how to mend it."""
    if read.rejects:
        first = min(read.rejects, key=lambda r: r.line)
        what = f"none of its {len(read.rejects)} lines could be read (line {first.line + 1}: {first.reason})"
        return what, "mend the layout in the station file, or take the file out"
    if (read.standing == c.ELSEWHERE).any():
        return "holds rows of other stations only", "mend select in the station file, or take the file out"
    return "holds header lines only, no row", "take it out of the list, or download it again"


def _joined(rows: list[file_.Rows]) -> list[file_.Rows]:
    """Rows of one table in one file as one piece, in file order."""
    out = []
    for table_id in dict.fromkeys(r.table.id for r in rows):
        same = [r for r in rows if r.table.id == table_id]
        if len(same) == 1:
            out.append(same[0])
            continue
        names = list(dict.fromkeys(name for r in same for name in r.columns))
        sizes = [len(r.line) for r in same]
        columns = {name: _stacked([r.columns.get(name) for r in same], sizes) for name in names}
        has_zone, has_counter = any(r.zone_s is not None for r in same), any(r.counter is not None for r in same)
        nan = [np.full(size, np.nan) for size in sizes]
        zones = np.concatenate([r.zone_s if r.zone_s is not None else e for r, e in zip(same, nan, strict=True)])
        counts = np.concatenate([r.counter if r.counter is not None else e for r, e in zip(same, nan, strict=True)])
        whole = file_.Rows(
            same[0].table, np.concatenate([r.line for r in same]), np.concatenate([r.local for r in same]),
            zones if has_zone else None, counts if has_counter else None, columns,
        )  # fmt: skip
        in_order = bool((np.diff(whole.line) > 0).all())
        out.append(whole if in_order else whole.take(np.argsort(whole.line, kind="stable")))
    return out


def _stacked(columns: Sequence[file_.Column | None], sizes: Sequence[int]) -> file_.Column:
    import pyarrow as pa

    if len(columns) == 1 and columns[0] is not None:
        return columns[0]
    values = np.concatenate([x.values if x else np.full(k, np.nan) for x, k in zip(columns, sizes, strict=True)])
    cells = None
    if any(x is not None and x.cells is not None for x in columns):
        cells = pa.concat_arrays(
            [
                x.cells if x and x.cells is not None else pa.nulls(k, pa.string())
                for x, k in zip(columns, sizes, strict=True)
            ]
        )
    state = None
    if any(x is None or x.state is not None for x in columns):
        state = np.concatenate(
            [
                np.full(k, ABSENT, np.uint8) if x is None else np.zeros(k, np.uint8) if x.state is None else x.state
                for x, k in zip(columns, sizes, strict=True)
            ]
        )
    return file_.Column(values, cells, state)


def _off_grid(local: Times, table: Table) -> NDArray[np.float64]:
    """Seconds that stamps lie off the grid of the interval, on the logger's own clock; 0 where `stray` allows it."""
    if table.kind == "event" or table.interval_s is None:
        return np.zeros(len(local))
    interval = round(table.interval_s * SECOND)
    phase = local.astype(np.int64) % interval
    off = np.minimum(phase, interval - phase)
    return np.where(off > round(table.stray_s * SECOND), off / SECOND, 0.0)


def _merged(station: Station, table: Table, parts: list[Part], files: list[_File]) -> TableRecord:
    """One row for each stamp, chosen by the values alone; what else stood there is repeated, or in conflict."""
    names = [ch.name for ch in station.channels_of(table)]
    sizes = [len(p.time) for p in parts]
    columns = {name: _stacked([p.rows.columns.get(name) for p in parts], sizes) for name in names}
    # + 0.0 makes 0.0 of -0.0: both are one number, so no order of files may choose between them
    columns = {name: replace(column, values=column.values + 0.0) for name, column in columns.items()}
    time = np.concatenate([p.time for p in parts])
    file_of = np.repeat([p.file for p in parts], sizes)
    off_grid = np.concatenate([p.off_grid for p in parts])
    second = np.concatenate([p.second for p in parts])
    unsettled = ~np.isnat(second)
    repeated = np.zeros(len(time), bool)
    if unsettled.any():
        time, repeated = _placed(time, second, unsettled, columns)
    stands, losers, repeated = _chosen(time, columns, off_grid, repeated)
    for number, one in enumerate(files):
        here = file_of == number
        one.kept += int((here & ~repeated).sum())
        one.repeated += int((here & repeated).sum())

    def table_of(rows: NDArray[np.int64], conflicts: TableRecord | None, conflicting: NDArray[np.bool_]) -> TableRecord:
        channels = {}
        for ch in station.channels_of(table):
            column = _pick(columns[ch.name], rows)
            if ch.statistic == "counter":
                totals = columns[ch.name].values[stands]
                column = _increments(column, time[rows], totals, time[stands], table)
            channels[ch.name] = _converted(station, ch, column, time[rows])
        return TableRecord(table, time[rows], channels, off_grid[rows], conflicting, unsettled[rows], conflicts)

    other = table_of(losers, None, np.ones(len(losers), bool))
    return table_of(stands, other, np.isin(time[stands], time[losers]) if len(losers) else np.zeros(len(stands), bool))


def _pick(column: file_.Column, rows: NDArray[np.int64]) -> file_.Column:
    if len(rows) == len(column.values) and (not len(rows) or (rows[0] == 0 and (np.diff(rows) == 1).all())):
        return column
    return column.take(rows)


def _chosen(
    time: Times, columns: dict[str, file_.Column], off_grid: NDArray[np.float64], repeated: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_]]:
    """Rows that stand and rows in conflict with them, both in time order, and which rows are repeated."""
    rows = np.flatnonzero(~repeated)
    moments = time[rows]
    if len(rows) < 2 or bool((moments[1:] > moments[:-1]).all()):
        return rows, np.zeros(0, np.int64), repeated
    order = rows[np.argsort(moments, kind="stable")]
    moments = time[order]
    same = moments[1:] == moments[:-1]
    many = np.concatenate((same, [False])) | np.concatenate(([False], same))
    if not many.any():
        return order, np.zeros(0, np.int64), repeated
    among = order[many]
    keys, equal_keys = _keys(columns, among)
    sort = np.lexsort((off_grid[among], *reversed(keys), time[among]))
    among = among[sort]
    new_time = np.concatenate(([True], time[among][1:] != time[among][:-1]))
    new_value = new_time.copy()
    for key in equal_keys:
        ordered = key[sort]
        new_value[1:] |= ordered[1:] != ordered[:-1]
    repeated = repeated.copy()
    repeated[among[~new_value]] = True
    losers = among[new_value & ~new_time]
    stands = np.concatenate((order[~many], among[new_time]))
    return stands[np.argsort(time[stands], kind="stable")], losers, repeated


def _keys(
    columns: dict[str, file_.Column], rows: NDArray[np.int64]
) -> tuple[list[NDArray[np.float64]], list[NDArray[np.float64]]]:
    """Keys to choose by: most values first, then the values, then the cells; and the part that makes rows equal."""
    valid = np.zeros(len(rows))
    values: list[NDArray[np.float64]] = []
    texts: list[NDArray[np.float64]] = []
    for whole in columns.values():
        column = whole.take(rows)
        valid -= np.isfinite(column.values)
        values.append(np.where(np.isnan(column.values), np.inf, column.values))
        if column.cells is not None:
            texts.append(_rank(column.cells))
        if column.state is not None:
            if column.cells is not None:
                values.append(np.where(column.state == TEXT, texts[-1], 0.0))
            texts.append(column.state.astype(np.float64))
    return [valid, *values, *texts], values


def _rank(cells: pa.Array) -> NDArray[np.float64]:
    """Ranks of texts in the order of their characters; null is lowest."""
    words = cells.to_pylist()
    ranks = {word: float(rank) for rank, word in enumerate(sorted({w for w in words if w is not None}), 1)}
    return np.array([0.0 if w is None else ranks[w] for w in words])


def _placed(
    time: Times, second: Times, unsettled: NDArray[np.bool_], columns: dict[str, file_.Column]
) -> tuple[Times, NDArray[np.bool_]]:
    """Rows of a repeated hour that neither counter nor order settles: the values alone say which of two goes first."""
    rows = np.flatnonzero(unsettled)
    moments = np.unique(np.concatenate((time[rows], second[rows])))
    settled = np.flatnonzero(~unsettled & np.isin(time, moments))
    among = np.concatenate((rows, settled))
    keys, equal = _keys(columns, among)
    value_key = {row: tuple(float(k[i]) for k in equal) for i, row in enumerate(among.tolist())}
    order_key = {row: tuple(float(k[i]) for k in keys) for i, row in enumerate(among.tolist())}
    there: dict[object, set[tuple[float, ...]]] = {}
    for row in settled.tolist():
        there.setdefault(time[row], set()).add(value_key[row])
    time, repeated = time.copy(), np.zeros(len(time), bool)
    by_stamp: dict[tuple[np.datetime64, np.datetime64], list[int]] = {}
    for row in rows.tolist():
        by_stamp.setdefault((time[row], second[row]), []).append(row)
    for (first, other), group in by_stamp.items():
        group.sort(key=lambda row: order_key[row])
        known = there.get(first, set()) | there.get(other, set())
        distinct: list[int] = []
        for row in group:
            if value_key[row] in known or (distinct and value_key[distinct[-1]] == value_key[row]):
                repeated[row] = True
            else:
                distinct.append(row)
        free = [moment for moment in (first, other) if moment not in there] or [first]
        for row, moment in zip(distinct, [*free, *[free[-1]] * len(distinct)], strict=False):
            time[row] = moment
    return time, repeated


def _plain(station: Station, channel: Channel) -> bool:
    """Whether each value of a channel is, digit for digit, its cell."""
    if channel.statistic == "counter" or channel.north == "magnetic":
        return False
    interval = station.table_of(channel).interval_s
    spelt = [channel.unit, *(d.unit for d in channel.deployment if d.unit is not None)]
    return all(units.conversion(channel.quantity, unit, interval).identity for unit in spelt)


def _converted(station: Station, channel: Channel, column: file_.Column, time: Times) -> ReadChannel:
    """Values in the output unit: the unit of each deployment, true north."""
    values = column.values
    table = station.table_of(channel)
    periods = [(None, channel.unit), *((d.from_, d.unit) for d in channel.deployment if d.unit is not None)]
    if len(periods) == 1:
        values = units.apply(values, units.conversion(channel.quantity, channel.unit, table.interval_s))
    else:
        values = values.copy()
        edges = [
            np.datetime64("0001-01-01", "us"),
            *(_naive(d.from_) for d in channel.deployment if d.unit is not None),
        ]
        period = np.searchsorted(np.array(edges), time, side="right") - 1
        for number, (_, unit) in enumerate(periods):
            here = period == number
            values[here] = units.apply(values[here], units.conversion(channel.quantity, unit, table.interval_s))
    if channel.north == "magnetic" and channel.declination is not None:
        values = np.mod(values + channel.declination, 360.0)
    return ReadChannel(values, column.cells, column.state)


def _naive(moment: object) -> np.datetime64:
    from datetime import UTC, datetime

    assert isinstance(moment, datetime)
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")


# differences of a running total are rounded here: 12.4 - 12.2 is 0.2 (judgement: far below any tip)
_COUNTER_DECIMALS = 9
# s; an event's amount needs the total of an event at most so long before (judgement: reach has an end)
EVENT_COUNTER_S = 24 * 3600.0


def counter_reach_s(table: Table) -> float:
    """Seconds that the amount from a running total looks back."""
    return EVENT_COUNTER_S if table.interval_s is None else table.interval_s + 2 * table.stray_s


def _increments(
    column: file_.Column, time: Times, totals: NDArray[np.float64], moments: Times, table: Table
) -> file_.Column:
    """Amounts from a running total, `totals` at `moments` being the rows that stand.

    One needs the total one interval before; a fall is a reset, and what stands after it is the amount.
    """
    values, state = column.values, column.state
    before = np.searchsorted(moments, time, side="left") - 1
    age = (time - moments[before]).astype(np.int64)
    least = 0 if table.interval_s is None else (table.interval_s - 2 * table.stray_s) * SECOND
    known = (before >= 0) & (age >= least) & (age <= counter_reach_s(table) * SECOND)
    step = np.round(values - totals[before], _COUNTER_DECIMALS)
    out = np.where(known, np.where(step < 0, values, step), np.nan)
    lost = np.isnan(out) & np.isfinite(values)
    if lost.any():
        state = np.zeros(len(values), np.uint8) if state is None else state.copy()
        state[lost & (state == VALUE)] = ABSENT
    return file_.Column(out, column.cells, state)


def _account(one: _File) -> FileAccount:
    lines, standing = one.lines, one.standing
    tables = list(dict.fromkeys(kind.table.id for section in one.sections for kind in section.kinds))
    return FileAccount(
        path=str(lines.path),
        table=";".join(tables),
        sha256=lines.sha256,
        encoding=lines.encoding,
        lines=int(standing.sum()),
        header=int(standing[c.HEADER]),
        blank=int(standing[c.BLANK] + standing[c.ELSEWHERE]),
        kept=one.kept,
        repeated=one.repeated,
        rejected=int(standing[c.REJECT]),
        backward=one.backward,
        elsewhere=int(standing[c.ELSEWHERE]),
    )
