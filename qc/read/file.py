"""One file to rows: every physical line gets one standing, every row a stamp on the logger's clock and its cells."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from qc.errors import RefusedFile, printable
from qc.read import cells as c
from qc.read import numbers as n
from qc.read.layout import Section, sections
from qc.read.lines import Lines
from qc.read.stamps import StampFormat, join_cells
from qc.station import Channel, Station, Table

if TYPE_CHECKING:
    import pyarrow as pa

BLOCK = 32 << 20  # bytes read at once: memory stays flat in the size of a file (judgement)
_AFTER_NAMES = 4  # lines of units and statistics that may follow a names row; real tables have up to two (measured, seven stations)


@dataclass(frozen=True)
class Column:
    """Cells of one channel as read: numbers in the unit of the table, text where it is needed, state where not all are numbers."""

    values: NDArray[np.float64]
    cells: pa.Array | None
    state: NDArray[np.uint8] | None


@dataclass(frozen=True)
class Rows:
    """Rows of one table in one file, in file order."""

    table: Table
    line: NDArray[np.int64]
    local: NDArray[np.datetime64]
    zone_s: NDArray[np.float64] | None
    counter: NDArray[np.float64] | None
    columns: dict[str, Column]


@dataclass
class ReadFile:
    """One file read: the standing of each line, its rows by table, and the lines rejected with why."""

    lines: Lines
    standing: NDArray[np.uint8]
    rows: list[Rows]
    rejects: list[c.Reject]
    sections: list[Section]


def read(lines: Lines, station: Station, keep_text: frozenset[str] = frozenset()) -> ReadFile:
    """Read one file.

    Parameters
    ----------
    lines : Lines
    station : Station
    keep_text : set of str
        channels whose every cell is wanted as text (their values are not, digit for digit, their cells).

    Raises
    ------
    RefusedFile
        if its names row fits no layout, or it holds no row.
    """
    found = sections(lines, station)
    out = ReadFile(lines, np.zeros(lines.count, np.uint8), [], [], found)
    headers: set[bytes] = set()
    before = found[0].names_line if found[0].names_line is not None else found[0].first
    for line in range(before):
        out.standing[line] = c.HEADER if lines.raw(line).strip() else c.BLANK
        headers.add(lines.raw(line).strip())
    for section in found:
        if section.names_line is not None:
            out.standing[section.names_line] = c.HEADER
            headers.add(lines.raw(section.names_line).strip())
        _section(out, section, station, keep_text, headers)
    out.rejects.sort(key=lambda r: r.line)
    return out


def _section(
    out: ReadFile, section: Section, station: Station, keep_text: frozenset[str], headers: set[bytes]
) -> None:
    first = section.first
    if section.names_line is not None:
        first = _after_names(out, section, station, headers)
    for start, stop in _blocks(out.lines, first, section.stop):
        base = out.lines.start(start)
        data = out.lines.data[base : out.lines.start(stop)]
        standing = np.zeros(stop - start, np.uint8)
        size = len(section.names)
        block, rejects = c.regular_block(
            data, out.lines.ends[start:stop] - base, section.delimiter, size, section.least, standing
        )
        del data
        taken = np.zeros(stop - start, bool)
        for table in (section.table, *section.others):
            rows = _rows(block, section, table, station, keep_text, standing, rejects)
            taken[rows.line] = True
            if len(rows.line):
                out.rows.append(_shifted(rows, start))
        standing[(standing == c.ROW) & ~taken] = c.ELSEWHERE
        _settle(out, start, standing, rejects, headers)


def _blocks(lines: Lines, first: int, stop: int) -> Iterator[tuple[int, int]]:
    """Pieces of whole lines of about BLOCK bytes."""
    while first < stop:
        last = int(np.searchsorted(lines.ends, lines.start(first) + BLOCK, side="right"))
        last = min(max(last, first + 1), stop)
        yield first, last
        first = last


def _after_names(out: ReadFile, section: Section, station: Station, headers: set[bytes]) -> int:
    """Mark the units and statistics rows after a names row; gives the first line that may be a row."""
    stamp = StampFormat.compile(section.layout.time.format)
    columns = [p for ch in station.channels_of(section.table) if (p := section.channel(ch)) is not None]
    times = [section.position(column) for column in section.layout.time.columns]
    line = section.first
    while line < min(section.stop, section.first + _AFTER_NAMES):
        text = out.lines.text(line)
        cells = c.split(text, section.delimiter) if len(text) < 64 * c.LONGEST_CELL else None
        if cells is None or not text.strip():
            break
        here = [cells[p] for p in times if p is not None and p < len(cells)]
        held = [cells[p] for p in columns if p < len(cells)]
        numbers = any(n.number(cell, section.layout.decimal) is not None for cell in held)
        if numbers or not np.isnat(stamp.parse([" ".join(here)]).local[0]) or not any(cells):
            break
        out.standing[line] = c.HEADER
        headers.add(out.lines.raw(line).strip())
        line += 1
    return line


def _rows(
    block: c.Block, section: Section, table: Table, station: Station, keep_text: frozenset[str],
    standing: NDArray[np.uint8], rejects: list[c.Reject],
) -> Rows:  # fmt: skip
    """Rows of one table in one block; lines without a readable stamp lose their standing."""
    layout = section.layout
    at = {ch.name: p for ch in station.channels_of(table) if (p := section.channel(ch)) is not None and p < block.columns}
    channels = [ch for ch in station.channels_of(table) if ch.name in at]
    times = [_needed(section, column, "time column") for column in layout.time.columns]
    counter = section.position(table.line_counter) if table.line_counter is not None else None
    select = _needed(section, table.select.column, "select column") if table.select else None
    extra = list(range(len(section.names), block.columns))
    text = [*times, *extra, *([select] if select is not None else []), *([counter] if counter is not None else [])]
    markers = {ch.name: n.Markers.of([*layout.missing, *ch.missing], layout.decimal) for ch in channels}
    wide = block.wide(n.EXACT_DIGITS)
    as_text = {
        p for ch in channels if (p := at[ch.name]) in text or ch.name in keep_text or ch.quantity == "other" or wide[p]
    }
    columns = _parse(block, text, set(at.values()), as_text, markers.values(), layout.decimal)

    stamps = StampFormat.compile(layout.time.format).parse(join_cells([columns[p] for p in times]))
    good = ~np.isnat(stamps.local)
    if select is not None and table.select is not None:
        good &= _equal(columns[select], table.select.equals)
    for p in extra:
        over = good & _filled(columns[p])
        good &= ~over
        for row in np.flatnonzero(over):
            line = int(block.line[row])
            standing[line] = c.REJECT
            rejects.append(c.Reject(line, f"{p + 1} cells where the names row has {len(section.names)}"))
    for row in np.flatnonzero(np.isnat(stamps.local)):
        line = int(block.line[row])
        if standing[line] == c.ROW:
            standing[line] = c.REJECT
            told = printable(" ".join(str(columns[p][int(row)].as_py()) for p in times), 40)
            rejects.append(c.Reject(line, f"time '{told}' does not read as {layout.time.format}"))
    keep = None if good.all() else np.flatnonzero(good)
    out: dict[str, Column] = {}
    for ch in channels:
        p = at[ch.name]
        column = _column(block, columns[p], p, ch, markers[ch.name], layout.decimal, ch.name in keep_text)
        out[ch.name] = column if keep is None else _kept(column, keep)
    rows = slice(None) if keep is None else keep
    counts = n.numbers(columns[counter], layout.decimal)[rows] if counter is not None else None
    zones = stamps.offset_s[rows] if stamps.offset_s is not None else None
    return Rows(table, block.line[rows], stamps.local[rows], zones, counts, out)


def _needed(section: Section, column: Any, what: str) -> int:
    at = section.position(column)
    if at is None:
        raise RefusedFile(
            f"its names row has no {what} '{printable(column, 60)}'",
            where=f"line {(section.names_line or 0) + 1}",
            mend="mend the layout in the station file",
        )
    return at


def _parse(
    block: c.Block, text: list[int], channels: set[int], as_text: set[int], markers: Iterable[n.Markers], decimal: str
) -> dict[int, pa.Array]:
    """All columns, numbers where every cell of a column is a number or a marker word, text elsewhere."""
    import re

    import pyarrow as pa

    words = {w for m in markers for w in m.words if n.number(w, decimal) is None}
    nulls = sorted({"", *words, *(w.upper() for w in words), *(w.title() for w in words), "NaN" if "nan" in words else ""})
    as_text = set(as_text)
    for attempt in range(3):  # a column that holds words is the exception: each costs one more look at the block
        numbers = channels - as_text if attempt < 2 else set()
        try:
            return c.parse(block, [*text, *channels], sorted(numbers), decimal=decimal, nulls=nulls)
        except pa.ArrowInvalid as error:
            found = re.search(r"CSV column #(\d+)", str(error))
            if not found or not numbers:
                raise
            as_text.add(int(found[1]))
    raise AssertionError("a read without numbers cannot fail on one")


def _column(
    block: c.Block, cells: pa.Array, position: int, channel: Channel, markers: n.Markers, decimal: str, keep_text: bool
) -> Column:
    import pyarrow as pa
    import pyarrow.compute as pc

    if pa.types.is_floating(cells.type):
        values = pc.fill_null(cells, float("nan")).to_numpy(zero_copy_only=False)
        special = np.flatnonzero(~np.isfinite(values) | n.isin(values, markers.numbers))
        if not len(special):
            return Column(values, None, None)
        text = c.parse(block, [position])[position]
        values = np.where(np.isfinite(values), values, np.nan)
        inexact = np.zeros(0, np.int64)
    else:
        text = cells
        values = n.numbers(text, decimal)
        special = np.flatnonzero(np.isnan(values) | n.isin(values, markers.numbers))
        inexact = n.inexact(text, values, decimal)
    state = np.zeros(len(values), np.uint8)
    state[special] = n.states(text, values, special, markers, channel.quantity == "other")
    values[special] = np.nan
    if keep_text:
        return Column(values, pc.utf8_trim_whitespace(text), state if len(special) else None)
    if not len(special) and not len(inexact):
        return Column(values, None, None)
    shown = np.zeros(len(values), bool)
    shown[special] = shown[inexact] = True
    kept = pc.if_else(pa.array(shown), pc.utf8_trim_whitespace(text), pa.scalar(None, pa.string()))
    return Column(values, kept, state if len(special) else None)


def _kept(column: Column, keep: NDArray[np.int64]) -> Column:
    import pyarrow as pa

    cells = None if column.cells is None else column.cells.take(pa.array(keep))
    return Column(column.values[keep], cells, None if column.state is None else column.state[keep])


def _equal(cells: pa.Array, text: str) -> NDArray[np.bool_]:
    import pyarrow.compute as pc

    found: NDArray[np.bool_] = pc.fill_null(pc.equal(pc.utf8_trim_whitespace(cells), text.strip()), False).to_numpy(
        zero_copy_only=False
    )
    return found


def _filled(cells: pa.Array) -> NDArray[np.bool_]:
    import pyarrow.compute as pc

    size = pc.binary_length(pc.utf8_trim_whitespace(cells))
    filled: NDArray[np.bool_] = pc.greater(pc.fill_null(size, 0), 0).to_numpy(zero_copy_only=False)
    return filled


def _shifted(rows: Rows, by: int) -> Rows:
    return Rows(rows.table, rows.line + by, rows.local, rows.zone_s, rows.counter, rows.columns)


def _settle(
    out: ReadFile, start: int, standing: NDArray[np.uint8], rejects: list[c.Reject], headers: set[bytes]
) -> None:
    """Standings of a block into those of the file; a header line that stands again is a header."""
    for reject in rejects:
        line = start + reject.line
        if out.lines.raw(line).strip() in headers:
            standing[reject.line] = c.HEADER
        else:
            out.rejects.append(c.Reject(line, reject.reason))
    out.standing[start : start + len(standing)] = standing
