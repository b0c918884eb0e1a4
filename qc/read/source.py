"""Where a row came from: the file, the number of its line and the cell, noted while files are read."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np

from qc.read.cells import split
from qc.read.layout import Section
from qc.read.lines import Lines, load
from qc.read.tables import Part
from qc.station import Channel, Table


@dataclass(frozen=True)
class SourceLine:
    """A physical line with the stamp looked for.

    `line` is counted from 1; `cell` is what stands in the channel's column (None where the layout has no such column),
    `column` the name or position of that column; `values` are the numbers of the row by channel, in the table's units.
    """

    path: str
    line: int
    text: str
    column: str | None
    cell: str | None
    values: dict[str, float]


@dataclass
class Look:
    """Notes the lines of one table that may be stamped with one of some moments.

    Parameters
    ----------
    table : Table
    channel : Channel
        whose cell is wanted.
    moments : tuple of datetime64[us] UTC
    opened : callable
        gives the lines of a path again; the store has them without a file.
    names : mapping
        what to call a path, where it is not to be told as it is.
    """

    table: Table
    channel: Channel
    moments: tuple[np.datetime64, ...]
    opened: Callable[[Path], Lines] = load
    names: Mapping[Path, str] = field(default_factory=dict)
    _found: list[_Hit] = field(default_factory=list)

    def note(self, path: Path, sections: Sequence[Section], parts: Sequence[Part]) -> None:
        """Look through the rows of one file, as `read_tables` hands them over."""
        for part in parts:
            if part.rows.table.id != self.table.id:
                continue
            # a stamp of a repeated hour that nothing settles may mean either of two times
            here = np.isin(part.time, self.moments) | np.isin(part.second, self.moments)
            for row in np.flatnonzero(here).tolist():
                line = int(part.rows.line[row])
                values = {name: float(column.values[row]) for name, column in part.rows.columns.items()}
                section = next(s for s in sections for first, stop in s.stretches if first <= line < stop)
                self._found.append(_Hit(path, line, section, values, (part.time[row], part.second[row])))

    def lines(self, moment: np.datetime64) -> list[SourceLine]:
        """The lines of one of the moments, in the order of files and lines; their text is read from the files again."""
        found = []
        hits = [hit for hit in self._found if moment in hit.times]
        for path in dict.fromkeys(hit.path for hit in hits):
            lines, name = self.opened(path), self.names.get(path, str(path))
            for hit in hits:
                if hit.path == path:
                    found.append(_line(hit, lines, self.channel, name))
        return found


class _Hit(NamedTuple):
    """A row found: its file, its line counted from 0, its section, its numbers, and the times that it may have."""

    path: Path
    line: int
    section: Section
    values: dict[str, float]
    times: tuple[np.datetime64, np.datetime64]


def _line(hit: _Hit, lines: Lines, channel: Channel, name: str) -> SourceLine:
    text, at = lines.text(hit.line), hit.section.channel(channel)
    cells = split(text, hit.section.delimiter) or []
    if at is None:
        return SourceLine(name, hit.line + 1, text, None, None, hit.values)
    column = str(at + 1) if hit.section.by_position else hit.section.names[at]
    return SourceLine(name, hit.line + 1, text, column, cells[at] if at < len(cells) else "", hit.values)
