"""Which layout does a file have, and where do its names rows stand?

A file's own names row chooses its layout, never its date. A file may hold several names rows (a logger that writes its header
again, files put together): each begins a section of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from qc.errors import RefusedFile, nearest, printable
from qc.read.cells import DELIMITERS, split
from qc.read.lines import LONGEST_CELL, Lines
from qc.station import Channel, Column, Layout, Station, Table

BEFORE_NAMES = 200  # lines looked at for the first names row; real tables have up to a dozen before it (measured, seven stations)
_MOST_NAMES_ROWS = 20_000  # names rows followed within one file, a bound against hostile files (judgement)


@dataclass(frozen=True)
class Section:
    """Lines from one names row to the next: `first` to `stop` hold its rows, counted from 0."""

    table: Table
    layout: Layout
    delimiter: str
    names: list[str]
    names_line: int | None
    first: int
    stop: int = -1
    others: list[Table] = field(default_factory=list)

    def position(self, column: Column) -> int | None:
        """Index of a column, from 0; None where this layout has none of that name."""
        if isinstance(column, int):
            return column - 1 if not self.layout.names or column <= len(self.names) else None
        return self.names.index(column.strip()) if column.strip() in self.names else None

    def channel(self, channel: Channel) -> int | None:
        """Index of a channel's column, from 0; None where this layout lacks it."""
        found = {p for c in channel.columns if (p := self.position(c)) is not None}
        return min(found) if found else None

    @property
    def least(self) -> int:
        """Cells that a row must have: names without the empty ones at the end."""
        if not self.names_line and not self.layout.names:
            return max([c for c in self.layout.time.columns if isinstance(c, int)], default=1)
        size = len(self.names)
        while size > 1 and not self.names[size - 1]:
            size -= 1
        return size


def sections(lines: Lines, station: Station) -> list[Section]:
    """All sections of a file, in order.

    Raises
    ------
    RefusedFile
        if no names row fits a layout, with the nearest layout and what it lacks.
    """
    named = [(t, layout) for t in station.table for layout in t.layout if layout.names]
    first = _first(lines, named) or _by_position(lines, station)
    if first is None:
        raise RefusedFile(_misfit(lines, named), where=printable(lines.path, 300), mend=_MEND)
    if first.names_line is None:
        return [_ended(first, lines.count)]
    found = [first]
    for line in _candidates(lines, named, first.first):
        if (more := _fit(lines, line, named, [first.delimiter, *DELIMITERS])) is not None:
            found.append(more)
    stops = [s.names_line or 0 for s in found[1:]] + [lines.count]
    return [_ended(s, stop) for s, stop in zip(found, stops, strict=True)]


_MEND = "add a [[table.layout]] for it (`fairvane draft` writes one), or take the file out"


def _ended(section: Section, stop: int) -> Section:
    return Section(
        section.table, section.layout, section.delimiter, section.names, section.names_line, section.first, stop, section.others
    )


def _first(lines: Lines, named: Sequence[tuple[Table, Layout]]) -> Section | None:
    if not named:
        return None
    for line in range(min(lines.count, BEFORE_NAMES)):
        if (section := _fit(lines, line, named, DELIMITERS)) is not None:
            return section
    return None


def _fit(
    lines: Lines, line: int, named: Sequence[tuple[Table, Layout]], delimiters: Sequence[str]
) -> Section | None:
    """The section that begins at a line, where its cells hold all names of a layout; the layout with most names wins."""
    raw = lines.raw(line)
    if len(raw) > 64 * LONGEST_CELL:
        return None
    text = raw.decode("utf-8", "replace")
    best: list[tuple[Table, Layout]] = []
    for delimiter in delimiters:
        names = split(text, delimiter)
        if names is None or (len(names) < 2 and delimiter != delimiters[-1]):
            continue
        here = set(names)
        fits = [(t, layout) for t, layout in named if {n.strip() for n in layout.names} <= here]
        if fits:
            most = max(len(layout.names) for _, layout in fits)
            best = [(t, layout) for t, layout in fits if len(layout.names) == most]
            return _section(lines, line, best, delimiter, names)
    return None


def _section(lines: Lines, line: int, best: list[tuple[Table, Layout]], delimiter: str, names: list[str]) -> Section:
    table, layout = best[0]
    others = [t for t, _ in best[1:] if t.id != table.id]
    where = f"{printable(lines.path, 300)}: line {line + 1}"
    if others and not all(t.select for t in (table, *others)):
        ids = ", ".join(sorted({table.id, *(t.id for t in others)}))
        raise RefusedFile(
            f"its names row fits the tables {ids} alike", where=where, mend="give their layouts names that only one of them has"
        )
    return Section(table, layout, delimiter, names, line, line + 1, others=others)


def _candidates(lines: Lines, named: Sequence[tuple[Table, Layout]], after: int) -> list[int]:
    """Lines after the first names row that hold the longest name of some layout: only these are looked at closely."""
    import bisect

    import numpy as np

    found: set[int] = set()
    for _, layout in named:
        needle = max(layout.names, key=len).strip().encode("utf-8")
        at = lines.data.find(needle, lines.start(after))
        while at >= 0 and len(found) < _MOST_NAMES_ROWS:
            line = int(np.searchsorted(lines.ends, at))
            found.add(line)
            at = lines.data.find(needle, int(lines.ends[line]))
    ordered = sorted(found)
    return ordered[bisect.bisect_left(ordered, after) :]


def _by_position(lines: Lines, station: Station) -> Section | None:
    """The section of a file without a names row, by the first layout by position whose time stamps can be read."""
    from qc.read.stamps import StampFormat

    for table in station.table:
        for layout in (layout for layout in table.layout if not layout.names):
            columns = [c for c in layout.time.columns if isinstance(c, int)]
            if len(columns) < len(layout.time.columns):
                continue
            stamp = StampFormat.compile(layout.time.format)
            best: tuple[int, int, str, int] | None = None
            for delimiter in DELIMITERS:
                sizes: list[int] = []
                first = None
                for line in range(min(lines.count, BEFORE_NAMES)):
                    row = split(lines.text(line), delimiter)
                    if not row or len(row) < max(columns):
                        continue
                    if not np.isnat(stamp.parse([" ".join(row[c - 1] for c in columns)]).local[0]):
                        sizes.append(len(row))
                        first = line if first is None else first
                if sizes and first is not None:
                    usual = max(set(sizes), key=lambda s: (sizes.count(s), s))
                    best = max(best or (0, 0, "", 0), (len(sizes), usual, delimiter, first))
            if best is not None:
                _, size, delimiter, first = best
                return Section(table, layout, delimiter, [""] * size, None, first)
    return None


def _misfit(lines: Lines, named: Sequence[tuple[Table, Layout]]) -> str:
    """Why a file is refused: the nearest layout and what it lacks."""
    if not named:
        return "no line of it holds a time stamp where the layout has it"
    nearest_: tuple[int, int, str] | None = None
    for line in range(min(lines.count, BEFORE_NAMES)):
        raw = lines.raw(line)
        if len(raw) > LONGEST_CELL:
            continue
        for delimiter in DELIMITERS:
            here = split(raw.decode("utf-8", "replace"), delimiter)
            if not here:
                continue
            for table, layout in named:
                lacks = [n for n in layout.names if n.strip() not in here]
                share = len(layout.names) - len(lacks)
                if share and (nearest_ is None or share > nearest_[0]):
                    number = table.layout.index(layout) + 1
                    first = printable(lacks[0], 60)
                    told = f"names row (line {line + 1}) fits no layout; nearest is layout {number} of table {table.id}, it lacks '{first}'"
                    more = f" and {len(lacks) - 1} more" if len(lacks) > 1 else ""
                    nearest_ = (share, line, told + nearest(first, here) + more)
    if nearest_ is not None:
        return nearest_[2]
    table, layout = named[0]
    return f"no line of the first {min(lines.count, BEFORE_NAMES)} is a names row of any layout (table {table.id} has '{printable(layout.names[0], 60)}')"
