"""One file to rows: every physical line gets one standing, every row a stamp on the logger's clock and its cells."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from qc.errors import printable
from qc.read import cells as c
from qc.read import numbers as n
from qc.read.layout import Kind, Section, Unfit, sections
from qc.read.lines import LONGEST_CELL, Lines
from qc.read.stamps import StampFormat, join_cells
from qc.station import Channel, Station, Table
from qc.threads import in_order

if TYPE_CHECKING:
    import pyarrow as pa

BLOCK = 8 << 20  # bytes read at once: memory stays flat in the size of a file (judgement)
# lines of units and statistics below a names row; real tables have up to two (measured, seven stations)
_AFTER_NAMES = 4


@dataclass(frozen=True)
class Column:
    """Cells of one channel: numbers in the table's unit, text where it is needed, state where not all are numbers."""

    values: NDArray[np.float64]
    cells: pa.Array | None
    state: NDArray[np.uint8] | None

    def take(self, rows: NDArray[np.int64]) -> Column:
        """The same for some of the rows."""
        import pyarrow as pa

        cells = None if self.cells is None else self.cells.take(pa.array(rows))
        return Column(self.values[rows], cells, None if self.state is None else self.state[rows])


@dataclass(frozen=True)
class Rows:
    """Rows of one table in one file, in file order."""

    table: Table
    line: NDArray[np.int64]
    local: NDArray[np.datetime64]
    zone_s: NDArray[np.float64] | None
    counter: NDArray[np.float64] | None
    columns: dict[str, Column]

    def take(self, rows: NDArray[np.int64]) -> Rows:
        """Some of the rows, in the order given."""
        zone = None if self.zone_s is None else self.zone_s[rows]
        counter = None if self.counter is None else self.counter[rows]
        columns = {name: column.take(rows) for name, column in self.columns.items()}
        return Rows(self.table, self.line[rows], self.local[rows], zone, counter, columns)


@dataclass
class ReadFile:
    """One file read: the standing of each line, its rows by table, and the lines rejected with why."""

    lines: Lines
    standing: NDArray[np.uint8]
    rows: list[Rows]
    rejects: list[c.Reject]
    sections: list[Section]

    def reject(self, line: int, reason: str) -> None:
        """Reject a line, counted from 0."""
        self.standing[line] = c.REJECT
        self.rejects.append(c.Reject(line, reason))


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
        if its names row fits no layout.
    """
    found, unfit = sections(lines, station)
    out = ReadFile(lines, np.zeros(lines.count, np.uint8), [], [], found)
    headers: set[bytes] = set()
    _before_names(out, found[0], headers)
    for section in found:
        _section(out, section, station, keep_text, headers)
    for one in unfit:
        _unread(out, one, headers)
    out.rejects.sort(key=lambda r: r.line)
    return out


def _before_names(out: ReadFile, section: Section, headers: set[bytes]) -> None:
    """Lines before the first names row are header, unless one is a row itself: its columns are not known."""
    first = min(section.names_lines, default=section.stretches[0][0])
    stamp = StampFormat.compile(section.kinds[0].layout.time.format)
    for line in range(first):
        raw = out.lines.raw(line)
        if c.is_blank(raw):
            out.standing[line] = c.BLANK
        elif not section.by_position and _stamped(out.lines.text(line), section, stamp):
            out.reject(line, f"stands before the names row (line {first + 1})")
        else:
            out.standing[line] = c.HEADER
            headers.add(raw.strip())


def _stamped(text: str, section: Section, stamp: StampFormat) -> bool:
    """Whether a line has a readable stamp where its section has the time."""
    cells = c.split(text, section.delimiter) if len(text) <= LONGEST_CELL else None
    at = [section.position(column) for column in section.kinds[0].layout.time.columns]
    if cells is None or any(p is None or p >= len(cells) for p in at):
        return False
    return not np.isnat(stamp.parse([" ".join(cells[p] for p in at if p is not None)]).local[0])


def _unread(out: ReadFile, unfit: Unfit, headers: set[bytes]) -> None:
    """Reject the lines below a names row that cannot be used."""
    for line in range(unfit.line, unfit.stop):
        raw = out.lines.raw(line)
        if line == unfit.line:
            out.reject(line, unfit.reason)
        elif c.is_blank(raw):
            out.standing[line] = c.BLANK
        elif raw.strip() in headers:
            out.standing[line] = c.HEADER
        else:
            out.reject(line, f"stands below a names row that cannot be used (line {unfit.line + 1})")


_Piece = tuple[NDArray[np.int64], NDArray[np.uint8], list[Rows], list[c.Reject]]


def _section(out: ReadFile, section: Section, station: Station, keep_text: frozenset[str], headers: set[bytes]) -> None:
    for line in section.names_lines:
        out.standing[line] = c.HEADER
        headers.add(out.lines.raw(line).strip())
    stretches = section.stretches
    if not section.by_position:
        firsts = [
            _after_names(out, section, station, first, stop, headers, not i)
            for i, (first, stop) in enumerate(stretches)
        ]
        stretches = [(first, stop) for first, (_, stop) in zip(firsts, stretches, strict=True)]

    def piece(number: NDArray[np.int64]) -> _Piece:
        return _piece(out.lines, number, section, station, keep_text)

    for number, standing, found, rejects in in_order(piece, _blocks(out.lines, stretches)):
        out.rows += found
        for reject in rejects:
            line = int(number[reject.line])
            if out.lines.raw(line).strip() in headers:  # a header line that stands again
                standing[reject.line] = c.HEADER
            else:
                out.rejects.append(c.Reject(line, reject.reason))
        out.standing[number] = standing


def _piece(
    lines: Lines, number: NDArray[np.int64], section: Section, station: Station, keep_text: frozenset[str]
) -> _Piece:
    """Some lines of a section: their numbers again, the standing of each, rows by table, and rejects by their place
    among these lines."""
    data, ends = _taken_out(lines, number)
    standing = np.zeros(len(number), np.uint8)
    size = len(section.names)
    needed = 1 + max(_positions(section, station))
    block, rejects = c.regular_block(data, ends, section.delimiter, size, section.least, standing, needed)
    del data
    free = np.ones(len(block.line), bool)
    found = []
    for kind in section.kinds:
        rows, taken = _rows(block, section, kind, station, keep_text, free, standing, rejects)
        free &= ~taken
        if len(rows.line):
            found.append(replace(rows, line=number[rows.line]))
    left = block.line[free]
    standing[left[standing[left] == c.ROW]] = c.ELSEWHERE
    return number, standing, found, rejects


def _channels(section: Section, station: Station, table: Table) -> list[tuple[Channel, int]]:
    """The channels of a table that a section has, each with its position, from 0."""
    return [(ch, p) for ch in station.channels_of(table) if (p := section.channel(ch)) is not None]


def _positions(section: Section, station: Station) -> list[int]:
    """Positions, from 0, of all columns that rows are read by."""
    found = []
    for table, layout in section.kinds:
        columns = [*layout.time.columns, table.line_counter, table.select.column if table.select else None]
        found += [p for column in columns if column is not None and (p := section.position(column)) is not None]
        found += [p for _, p in _channels(section, station, table)]
    return found


def _blocks(lines: Lines, stretches: Sequence[tuple[int, int]]) -> Iterator[NDArray[np.int64]]:
    """The lines of some stretches in pieces of about BLOCK bytes."""
    waiting: list[NDArray[np.int64]] = []
    room = BLOCK
    for first, stop in stretches:
        while first < stop:
            last = int(np.searchsorted(lines.ends, lines.start(first) + room, side="right"))
            last = min(max(last, first + 1), stop)
            waiting.append(np.arange(first, last))
            room -= lines.start(last) - lines.start(first)
            if room <= 0 or last < stop:
                yield np.concatenate(waiting)
                waiting, room = [], BLOCK
            first = last
    if waiting:
        yield np.concatenate(waiting)


def _taken_out(lines: Lines, number: NDArray[np.int64]) -> tuple[bytes, NDArray[np.int64]]:
    """Some lines, in rising order, in one piece, and where each ends in it."""
    cuts = np.flatnonzero(np.diff(number) > 1) + 1
    if not len(cuts):
        base = lines.start(int(number[0]))
        return lines.data[base : int(lines.ends[number[-1]]) + 1], lines.ends[number[0] : number[-1] + 1] - base
    runs = np.split(number, cuts)
    data = b"".join(lines.data[lines.start(int(run[0])) : int(lines.ends[run[-1]]) + 1] for run in runs)
    sizes = np.diff(lines.ends, prepend=-1)[number]
    return data, np.cumsum(sizes) - 1


def _after_names(
    out: ReadFile, section: Section, station: Station, first: int, stop: int, headers: set[bytes], new: bool
) -> int:
    """Mark the units and statistics rows below a names row; gives the first line that may be a row.

    Below a names row of a `new` wording such a line has no stamp, and words in the columns of channels; else it is
    one that stood there before.
    """
    table, layout = section.kinds[0]
    stamp = StampFormat.compile(layout.time.format)
    columns = {
        p: n.Markers.of([*layout.missing, *ch.missing], layout.decimal) for ch, p in _channels(section, station, table)
    }
    line = first
    for at in range(first, min(stop, first + _AFTER_NAMES)):
        raw = out.lines.raw(at)
        if c.is_blank(raw):  # blank itself; header if one more header line follows
            continue
        if raw.strip() not in headers:
            if not new:
                break
            cells = c.split(out.lines.text(at), section.delimiter) if len(raw) <= 16 * LONGEST_CELL else None
            if cells is None or b"\x00" in raw or _stamped(out.lines.text(at), section, stamp):
                break
            held = [
                cells[p] for p, m in columns.items() if p < len(cells) and cells[p].casefold() not in {"", *m.words}
            ]
            if not held or 2 * sum(n.number(cell, layout.decimal) is not None for cell in held) > len(held):
                break
            headers.add(raw.strip())
        out.standing[at] = c.HEADER
        out.standing[line:at] = c.BLANK
        line = at + 1
    return line


def _rows(
    block: c.Block, section: Section, kind: Kind, station: Station, keep_text: frozenset[str],
    free: NDArray[np.bool_], standing: NDArray[np.uint8], rejects: list[c.Reject],
) -> tuple[Rows, NDArray[np.bool_]]:  # fmt: skip
    """Rows of one table in one block, and which lines are the table's; those without a readable stamp are rejected."""
    table, layout = kind
    at = {ch.name: p for ch, p in _channels(section, station, table)}
    channels = [ch for ch, _ in _channels(section, station, table)]
    times = [_needed(section, column) for column in layout.time.columns]
    counter = section.position(table.line_counter) if table.line_counter is not None else None
    select = _needed(section, table.select.column) if table.select else None
    text = [*times, *([select] if select is not None else []), *([counter] if counter is not None else [])]
    markers = {ch.name: n.Markers.of([*layout.missing, *ch.missing], layout.decimal) for ch in channels}
    wide = block.wide(n.EXACT_DIGITS)
    as_text = {
        p for ch in channels if (p := at[ch.name]) in text or ch.name in keep_text or ch.quantity == "other" or wide[p]
    }
    columns = _parse(block, text, set(at.values()), as_text, markers.values(), layout.decimal)

    here = free
    if select is not None and table.select is not None:
        here = free & _equal(columns[select], table.select.equals)
    stamps = StampFormat.compile(layout.time.format).parse(join_cells([columns[p] for p in times]))
    unread = np.isnat(stamps.local)
    for row in np.flatnonzero(here & unread):
        line = int(block.line[row])
        standing[line] = c.REJECT
        told = printable(" ".join(str(columns[p][int(row)].as_py()) for p in times), 40)
        rejects.append(c.Reject(line, f"time '{told}' does not read as {layout.time.format}"))
    good = here & ~unread
    cells = _cells(block, columns, {at[ch.name]: markers[ch.name] for ch in channels})
    keep = None if good.all() else np.flatnonzero(good)
    out: dict[str, Column] = {}
    for ch in channels:
        column = _column(*cells[at[ch.name]], ch, markers[ch.name], layout.decimal, ch.name in keep_text)
        out[ch.name] = column if keep is None else column.take(keep)
    rows = slice(None) if keep is None else keep
    counts = n.numbers(columns[counter], layout.decimal)[rows] if counter is not None else None
    zones = stamps.offset_s[rows] if stamps.offset_s is not None else None
    return Rows(table, block.line[rows], stamps.local[rows], zones, counts, out), here


def _needed(section: Section, column: Any) -> int:
    at = section.position(column)
    assert at is not None, "a section without it is unfit"
    return at


def _parse(
    block: c.Block, text: list[int], channels: set[int], as_text: set[int], markers: Iterable[n.Markers], decimal: str
) -> dict[int, pa.Array]:
    """All columns, numbers where every cell of a column is a number or a marker word, text elsewhere."""
    import re

    import pyarrow as pa

    words = {w for m in markers for w in m.words if n.number(w, decimal) is None}
    nulls = sorted(
        {"", *words, *(w.upper() for w in words), *(w.title() for w in words), "NaN" if "nan" in words else ""}
    )
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


_Cells = tuple["NDArray[np.float64] | None", "pa.Array | None"]


def _cells(block: c.Block, columns: dict[int, pa.Array], markers: dict[int, n.Markers]) -> dict[int, _Cells]:
    """Numbers and text of each channel's column, None where not needed; text that lacks is read in one more look."""
    import pyarrow as pa
    import pyarrow.compute as pc

    out: dict[int, _Cells] = {}
    lacking = []
    for p, marker in markers.items():
        cells = columns[p]
        if not pa.types.is_floating(cells.type):
            out[p] = (None, cells)
            continue
        values = pc.fill_null(cells, float("nan")).to_numpy(zero_copy_only=False)
        out[p] = (values, None)
        if not np.isfinite(values).all() or n.isin(values, marker.numbers).any():
            lacking.append(p)
    if lacking:
        text = c.parse(block, lacking)
        out |= {p: (out[p][0], text[p]) for p in lacking}
    return out


def _column(
    values: NDArray[np.float64] | None,
    text: pa.Array | None,
    channel: Channel,
    markers: n.Markers,
    decimal: str,
    keep_text: bool,
) -> Column:
    """One channel from its numbers, its text, or both."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if text is None:
        assert values is not None
        return Column(values, None, None)
    inexact = np.zeros(0, np.int64)
    if values is None:
        values = n.numbers(text, decimal)
        inexact = n.inexact(text, values, decimal)
    special = np.flatnonzero(~np.isfinite(values) | n.isin(values, markers.numbers))
    state = np.zeros(len(values), np.uint8)
    state[special] = n.states(text, values, special, markers, channel.quantity == "other")
    values = values.copy()
    values[special] = np.nan
    if keep_text:
        return Column(values, pc.utf8_trim_whitespace(text), state if len(special) else None)
    if not len(special) and not len(inexact):
        return Column(values, None, None)
    shown = np.zeros(len(values), bool)
    shown[special] = shown[inexact] = True
    kept = pc.if_else(pa.array(shown), pc.utf8_trim_whitespace(text), pa.scalar(None, pa.string()))
    return Column(values, kept, state if len(special) else None)


def _equal(cells: pa.Array, text: str) -> NDArray[np.bool_]:
    import pyarrow.compute as pc

    found: NDArray[np.bool_] = pc.fill_null(pc.equal(pc.utf8_trim_whitespace(cells), text.strip()), False).to_numpy(
        zero_copy_only=False
    )
    return found
