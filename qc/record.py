"""The Record: one station's tables, time-ordered, in output units, and an account of every line that was read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.logs import NO_LOGS, Logs
from qc.read.numbers import MARKER, VALUE
from qc.station import Channel, Station, Table

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

Times = NDArray[np.datetime64]
SECOND = 1_000_000  # microseconds


@dataclass(frozen=True)
class RejectedLine:
    """A line that could not be read, as `rejects.csv` tells it."""

    file: str
    line: int
    reason: str
    text: str


@dataclass(frozen=True)
class FileAccount:
    """What became of each physical line of one file: `lines` is the sum of the five that follow.

    `elsewhere` (part of `blank`) are rows of other stations in the same file; `backward` counts rows stamped earlier
    than the row before.
    """

    path: str
    table: str
    sha256: str
    encoding: str
    lines: int
    header: int
    blank: int
    kept: int
    repeated: int
    rejected: int
    backward: int
    elsewhere: int


@dataclass(frozen=True)
class Changed:
    """How values were corrected: `kind` is 0, 5 (changed) or 6 (estimated), `scale` what they were multiplied by."""

    kind: NDArray[np.uint8]
    scale: NDArray[np.float64]

    def take(self, rows: NDArray[np.int64] | slice) -> Changed:
        """The same for some of the rows."""
        return Changed(self.kind[rows], self.scale[rows])


@dataclass(frozen=True)
class ReadChannel:
    """One column: numbers in the output unit (NaN where none), and what stood in the table.

    `cells` holds the text of each cell that is not, digit for digit, the value (null elsewhere), or is None where every
    cell is; `state` one of the codes of `qc.read.numbers` for each row, or is None where every cell is a number.
    `changed` is there only while corrected values stand in place of the raw ones, to be checked again.
    """

    values: NDArray[np.float64]
    cells: pa.Array | None
    state: NDArray[np.uint8] | None
    changed: Changed | None = None

    def where(self, state: int) -> NDArray[np.bool_]:
        """Rows in a given state."""
        if self.state is None:
            return np.full(len(self.values), state == VALUE)
        return np.asarray(self.state == state)


@dataclass(frozen=True)
class TableRecord:
    """One table: a row for each distinct stamp, in time order (`time` is UTC, on the side that `stamps` names).

    `off_grid_s` is how far a stamp lies off the grid on the logger's own clock, in s, 0 where `stray` allows it;
    `conflicting` rows had another row of the same stamp (those are in `conflicts`); `unsettled` ones lie in an hour
    that the clock showed twice.
    """

    table: Table
    time: Times
    channels: dict[str, ReadChannel]
    off_grid_s: NDArray[np.float64]
    conflicting: NDArray[np.bool_]
    unsettled: NDArray[np.bool_]
    conflicts: TableRecord | None = None

    @property
    def rows(self) -> int:
        """Number of rows."""
        return len(self.time)

    @property
    def interval_us(self) -> int | None:
        """Interval in microseconds; None for events."""
        return round(self.table.interval_s * SECOND) if self.table.interval_s else None

    @cached_property
    def middle(self) -> Times:
        """UTC of the middle of each interval, where the geometry of the sun belongs."""
        half = np.timedelta64((self.interval_us or 0) // 2, "us")
        side = self.table.side
        return self.time - half if side == "end" else self.time + half if side == "start" else self.time

    def take(self, rows: NDArray[np.int64] | slice) -> TableRecord:
        """The same with some of its rows."""
        import pyarrow as pa

        def cut(cells: pa.Array | None) -> pa.Array | None:
            if cells is None or isinstance(rows, slice):
                return cells if cells is None else cells[rows]
            return cells.take(pa.array(rows))

        channels = {
            name: ReadChannel(
                c.values[rows],
                cut(c.cells),
                None if c.state is None else c.state[rows],
                None if c.changed is None else c.changed.take(rows),
            )
            for name, c in self.channels.items()
        }
        return TableRecord(
            self.table,
            self.time[rows],
            channels,
            self.off_grid_s[rows],
            self.conflicting[rows],
            self.unsettled[rows],
            self.conflicts,
        )

    def frame(self) -> pd.DataFrame:
        """Values as a pandas frame, indexed by UTC; it shares the record's memory."""
        import pandas as pd

        index = pd.DatetimeIndex(self.time, tz="UTC", name="time")
        return pd.DataFrame({name: c.values for name, c in self.channels.items()}, index=index, copy=False)


@dataclass(frozen=True)
class Record:
    """All tables of one station, with the account of the files they came from, and its logs."""

    station: Station
    tables: dict[str, TableRecord]
    files: tuple[FileAccount, ...] = ()
    rejects: tuple[RejectedLine, ...] = ()
    absent: tuple[str, ...] = field(default=())
    logs: Logs = NO_LOGS

    def channel(self, name: str) -> Channel:
        """A channel of the station by its name; KeyError where there is none."""
        return next(c for c in self.station.channel if c.name == name)


def markers(record: TableRecord, names: Sequence[str]) -> int:
    """Number of cells that hold a missing-value marker."""
    return sum(int(record.channels[n].where(MARKER).sum()) for n in names)
