"""Which layout does a file have, and where do its names rows stand?

A file's own names row chooses its layout, never its date. A file may hold several names rows: a logger that writes its
header again, a new program, files put together. Rows belong to the names row above them; those below a names row that
fits no layout are not read.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import NamedTuple

import numpy as np

from qc.errors import RefusedFile, UnknownLayout, nearest, printable
from qc.read.cells import BLANKS, DELIMITERS, split
from qc.read.lines import LONGEST_CELL, Lines
from qc.read.numbers import number
from qc.station import Channel, Column, Layout, Station, Table

# lines looked at for the first names row; real tables have up to a dozen before it (measured, seven stations)
BEFORE_NAMES = 200
_MOST_NAMES_ROWS = 200_000  # within one file, a bound against hostile files (judgement)
_MOST_WORDINGS = 1000  # of names rows within one file, likewise
_LONGEST_NAMES_ROW = 16 * LONGEST_CELL  # bytes (judgement)
_ROWS_BELOW = 20  # lines below a names row that decide between delimiters (judgement)
_EDGES = b'\n,;\t| "'  # what stands beside a cell


class Kind(NamedTuple):
    """One table that a names row serves, with the layout that it fits."""

    table: Table
    layout: Layout


@dataclass(frozen=True)
class Section:
    """All stretches of a file under names rows of one wording.

    `kinds` are the tables that its rows may belong to, several where `select` tells them apart. `stretches` are lines
    from and to, counted from 0, to exclusive; the names rows themselves, `names_lines`, are left out.
    """

    kinds: tuple[Kind, ...]
    delimiter: str
    names: tuple[str, ...]
    least: int
    names_lines: list[int] = field(default_factory=list)
    stretches: list[tuple[int, int]] = field(default_factory=list)

    @property
    def by_position(self) -> bool:
        """Whether the layout has no names row."""
        return not self.kinds[0].layout.names

    def position(self, column: Column) -> int | None:
        """Index of a column, from 0; None where this layout has none of that name."""
        if isinstance(column, int):
            return column - 1 if column <= len(self.names) else None
        return self.names.index(column.strip()) if column.strip() in self.names else None

    def channel(self, channel: Channel) -> int | None:
        """Index of a channel's column, from 0, or None. Names go before positions, then the order given."""
        for column in sorted(channel.columns, key=lambda c: isinstance(c, int)):
            if (found := self.position(column)) is not None:
                return found
        return None


class Unfit(NamedTuple):
    """A names row in mid-file that cannot be used: its line, where its rows end, and why. They are not read."""

    line: int
    stop: int
    reason: str


def sections(lines: Lines, station: Station) -> tuple[list[Section], list[Unfit]]:
    """All sections of a file in order of their first line, and what is unfit.

    Raises
    ------
    RefusedFile
        if no names row fits a layout, with the nearest layout and what it lacks; if the one that fits cannot be used.
    """
    named = [Kind(t, layout) for t in station.table for layout in t.layout if layout.names]
    found = _first(lines, named, station)
    if found is None:
        section, first = _by_position(lines, station)
        if section is None:
            raise UnknownLayout(_misfit(lines, named), where=printable(lines.path, 300), mend=_MEND)
        section.stretches.append((first, lines.count))
        return [section], []
    section, line = found
    known = {_key(section): section}
    begins: list[tuple[int, Section | str]] = [(line, section)]
    here = lines.raw(line)
    for later in _candidates(lines, named, line + 1):
        if lines.raw(later) == here:
            begins.append((later, begins[-1][1]))
            continue
        more = _fit(lines, later, named, station)
        if more is None and len(lines.raw(later)) <= LONGEST_CELL and _looks_like_names(lines.text(later), named):
            more = _misfit(lines, named, range(later, later + 1))
        if more is not None:
            begins.append((later, more if isinstance(more, str) else known.setdefault(_key(more), more)))
            here = lines.raw(later)
        if len(begins) > _MOST_NAMES_ROWS or len(known) > _MOST_WORDINGS:
            raise RefusedFile(
                f"holds {len(begins)} names rows of {len(known)} kinds",
                where=printable(lines.path, 300),
                mend="look at how it was made",
            )
    unfit: list[Unfit] = []
    stops = [line for line, _ in begins[1:]] + [lines.count]
    for (line, what), stop in zip(begins, stops, strict=True):
        if isinstance(what, str):
            unfit.append(Unfit(line, stop, what))
        else:
            what.names_lines.append(line)
            what.stretches.append((line + 1, stop))
    return list(known.values()), unfit


_MEND = "add a [[table.layout]] for it (`fairvane draft` writes one), or take the file out"


def _key(section: Section) -> tuple[object, ...]:
    return (*(kind.table.id for kind in section.kinds), section.delimiter, section.names)


# ---- names rows


def _first(lines: Lines, named: Sequence[Kind], station: Station) -> tuple[Section, int] | None:
    """The first names row that fits, with its line; one that fits and cannot be used is refused."""
    for line in range(min(lines.count, BEFORE_NAMES)) if named else ():
        found = _fit(lines, line, named, station)
        if isinstance(found, str):
            where = f"{printable(lines.path, 300)}: line {line + 1}"
            raise RefusedFile(found, where=where, mend="mend the layout in the station file")
        if found is not None:
            return found, line
    return None


def _splits(text: str) -> Iterator[tuple[str, list[str]]]:
    """The cells of a line by each delimiter that it holds, then as one cell."""
    for delimiter in DELIMITERS:
        cells = split(text, delimiter)
        if cells is not None and len(cells) > 1:
            yield delimiter, cells
    cells = split(text, DELIMITERS[0])
    if cells is not None and len(cells) == 1:
        yield DELIMITERS[0], cells


def _fit(lines: Lines, line: int, named: Sequence[Kind], station: Station) -> Section | str | None:
    """The section that begins at a line whose cells hold all names of a layout, or why it cannot be used (str).

    The layout with most names wins. Where several delimiters fit, the one by which most of the next lines are rows.
    """
    raw = lines.raw(line)
    if len(raw) > _LONGEST_NAMES_ROW:
        return None
    found: list[Section] = []
    for delimiter, names in _splits(raw.decode("utf-8", "replace")):
        held = set(names)
        fits = [kind for kind in named if {n.strip() for n in kind.layout.names} <= held]
        if fits:
            most = max(len(kind.layout.names) for kind in fits)
            kinds = tuple(kind for kind in fits if len(kind.layout.names) == most)
            size = len(names)
            while size > 1 and not names[size - 1]:
                size -= 1
            found.append(Section(kinds, delimiter, tuple(names), size))
    if not found:
        return None
    section = found[0] if len(found) == 1 else max(found, key=lambda one: _rank(lines, line + 1, one))
    kinds_: dict[str, Kind] = {}
    for kind in section.kinds:
        other = kinds_.setdefault(kind.table.id, kind)
        if kind.layout.model_copy(update={"names": other.layout.names}) != other.layout:
            here = " and ".join(str(kind.table.layout.index(k.layout) + 1) for k in (other, kind))
            told = f"its names row fits the layouts {here} of table {kind.table.id} alike"
            return f"{told}; give them names that only one has"
    section = replace(section, kinds=tuple(kinds_.values()))
    return _trouble(section, station) or section


def _rank(lines: Lines, first: int, section: Section) -> tuple[int, int, bool, int]:
    """How well the delimiter of a section suits: rows among the next lines, names known, not blanks, cells."""
    layout = section.kinds[0].layout
    places = [section.position(column) for column in layout.time.columns]
    rows = 0
    if None not in places:
        below = range(first, min(first + _ROWS_BELOW, lines.count))
        read = _stamped(lines, below, section.delimiter, [p for p in places if p is not None], layout.time.format)
        rows = sum(size >= section.least for _, size in read)
    return rows, len(layout.names), section.delimiter != BLANKS, len(section.names)


def _trouble(section: Section, station: Station) -> str | None:
    """Why a names row that fits cannot be used."""
    tables = [kind.table for kind in section.kinds]
    if len(tables) > 1 and not all(t.select for t in tables):
        ids = ", ".join(sorted(t.id for t in tables))
        return f"its names row fits the tables {ids} alike; give their layouts names that only one has"
    for table, layout in section.kinds:
        needed: list[tuple[str, Column]] = [("time column", column) for column in layout.time.columns]
        if table.select:
            needed.append(("select column", table.select.column))
        for what, column in needed:
            if section.position(column) is None:
                return f"its names row has no {what} '{printable(column, 60)}'"
        used = [column for _, column in needed] + [c for ch in station.channels_of(table) for c in ch.columns]
        for column in [*used, *([table.line_counter] if table.line_counter is not None else [])]:
            if isinstance(column, str) and section.names.count(column.strip()) > 1:
                places = ", ".join(str(p + 1) for p, name in enumerate(section.names) if name == column.strip())
                told = f"its names row has '{printable(column, 60)}' in the columns {places}"
                return f"{told}; give the position instead of the name"
    return None


def _looks_like_names(text: str, named: Sequence[Kind]) -> bool:
    """Whether a line that fits no layout is a names row still: it names time columns, and few cells are numbers."""
    for _, cells in _splits(text):
        if len(cells) < 2 or 2 * sum(number(cell) is not None for cell in cells) >= len(cells):
            continue
        here = set(cells)
        for kind in named:
            times = {c.strip() for c in kind.layout.time.columns if isinstance(c, str)}
            if times and times <= here:
                return True
    return False


def _candidates(lines: Lines, named: Sequence[Kind], after: int) -> list[int]:
    """Lines that hold the longest name of a layout, or of its time columns, as a cell: only these are looked at."""
    needles: set[bytes] = set()
    for kind in named:
        times = [c for c in kind.layout.time.columns if isinstance(c, str)]
        for names in (kind.layout.names, times):
            longest = max((piece for name in names for piece in name.split('"')), key=len, default="").strip()
            needles.add(longest.encode("utf-8"))
    found: set[int] = set()
    data = lines.data
    for needle in needles - {b""}:
        at = data.find(needle, lines.start(after))
        while at >= 0:
            end = at + len(needle)
            if (not at or data[at - 1] in _EDGES) and data[end] in _EDGES:
                line = int(np.searchsorted(lines.ends, at))
                found.add(line)
                end = int(lines.ends[line])
            at = data.find(needle, end)
    return sorted(found)


# ---- no names row


def _by_position(lines: Lines, station: Station) -> tuple[Section | None, int]:
    """The section of a file without a names row, and its first row.

    The first layout by position whose time stamps can be read. A row needs all columns that the station file asks for.
    """
    where = range(min(lines.count, BEFORE_NAMES))
    for table in station.table:
        for layout in (layout for layout in table.layout if not layout.names):
            times = [c for c in layout.time.columns if isinstance(c, int)]
            least = max(_asked(station, table, times))
            if len(times) < len(layout.time.columns) or least > LONGEST_CELL:
                continue
            found: list[tuple[int, int, bool, int, str]] = []
            for delimiter in DELIMITERS:
                rows = _stamped(lines, where, delimiter, [c - 1 for c in times], layout.time.format)
                if rows:
                    sizes = [size for _, size in rows]
                    usual = max(set(sizes), key=lambda size: (sizes.count(size), size))
                    # where two do as well, blanks are the worse guess: empty cells vanish between them
                    found.append((len(rows), usual, delimiter != BLANKS, -rows[0][0], delimiter))
            if found:
                _, usual, _, first, delimiter = max(found)
                names = ("",) * max(usual, least)
                return Section((Kind(table, layout),), delimiter, names, least), -first
    return None, 0


def _asked(station: Station, table: Table, times: Sequence[int]) -> list[int]:
    """Positions, from 1, of all columns that a station file asks for where there are no names."""
    columns: list[Column | None] = [*times, table.line_counter, table.select.column if table.select else None]
    columns += [next((c for c in ch.columns if isinstance(c, int)), None) for ch in station.channels_of(table)]
    return [c for c in columns if isinstance(c, int)] or [1]


def _stamped(lines: Lines, where: range, delimiter: str, places: Sequence[int], format: str) -> list[tuple[int, int]]:
    """Of some lines those with a readable stamp at these places, from 0: line and count of cells."""
    from qc.read.stamps import StampFormat

    found = []
    for line in where:
        raw = lines.raw(line)
        row = split(raw.decode("utf-8", "replace"), delimiter) if len(raw) <= _LONGEST_NAMES_ROW else None
        if row and len(row) > max(places):
            found.append((line, len(row), " ".join(row[p] for p in places)))
    readable = ~np.isnat(StampFormat.compile(format).parse([text for _, _, text in found]).local)
    return [(line, size) for (line, size, _), good in zip(found, readable, strict=True) if good]


# ---- what is told of a names row that fits no layout


def _misfit(lines: Lines, named: Sequence[Kind], where: range | None = None) -> str:
    """Why a file is refused, or rows in it: the nearest layout and what it lacks."""
    if not named:
        return "no line of it holds a time stamp where the layout has it"
    best: tuple[int, str] | None = None
    for line in where or range(min(lines.count, BEFORE_NAMES)):
        raw = lines.raw(line)
        if len(raw) > LONGEST_CELL:
            continue
        for _, here in _splits(raw.decode("utf-8", "replace")):
            for kind in named:
                lacks = [n for n in kind.layout.names if n.strip() not in here]
                share = len(kind.layout.names) - len(lacks)
                if lacks and (share or where) and (best is None or share > best[0]):
                    layout = kind.table.layout.index(kind.layout) + 1
                    told = f"nearest is layout {layout} of table {kind.table.id}, it lacks '{printable(lacks[0], 60)}'"
                    more = f" and {len(lacks) - 1} more" if len(lacks) > 1 else ""
                    best = (share, f"names row (line {line + 1}) fits no layout; {told}{nearest(lacks[0], here)}{more}")
    if best is not None:
        return best[1]
    table, layout_ = named[0]
    told = f"no line of the first {min(lines.count, BEFORE_NAMES)} is a names row of any layout"
    return f"{told} (table {table.id} has '{printable(layout_.names[0], 60)}')"
