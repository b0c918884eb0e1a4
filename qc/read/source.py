"""Where a row came from: the file, the number of its line and the cell, noted while files are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from qc.read.cells import split
from qc.read.layout import Section
from qc.read.lines import load
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
    """Notes the lines of one table that may be stamped with one moment.

    Parameters
    ----------
    table : Table
    channel : Channel
        whose cell is wanted.
    moment : datetime64[us] UTC
    """

    table: Table
    channel: Channel
    moment: np.datetime64
    _found: list[tuple[Path, int, Section, dict[str, float]]] = field(default_factory=list)

    def note(self, path: Path, sections: Sequence[Section], parts: Sequence[Part]) -> None:
        """Look through the rows of one file, as `read_tables` hands them over."""
        for part in parts:
            if part.rows.table.id != self.table.id:
                continue
            # a stamp of a repeated hour that nothing settles may mean either of two times
            for row in np.flatnonzero((part.time == self.moment) | (part.second == self.moment)).tolist():
                line = int(part.rows.line[row])
                values = {name: float(column.values[row]) for name, column in part.rows.columns.items()}
                section = next(s for s in sections for first, stop in s.stretches if first <= line < stop)
                self._found.append((path, line, section, values))

    def lines(self) -> list[SourceLine]:
        """The lines found, in the order of files and lines; their text is read from the files again."""
        found = []
        for path in dict.fromkeys(path for path, *_ in self._found):
            lines = load(path)
            for other, line, section, values in self._found:
                if other == path:
                    text, at = lines.text(line), section.channel(self.channel)
                    cells = split(text, section.delimiter) or []
                    column = None if at is None else section.names[at] or str(at + 1)
                    cell = None if at is None else cells[at] if at < len(cells) else ""
                    found.append(SourceLine(str(path), line + 1, text, column, cell, values))
        return found
