"""Hours, days and months of a delivery: where they begin, and in which of them a row lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.gaps import on_grid
from qc.record import SECOND, TableRecord, Times
from qc.station import Station

SPANS = ("hour", "day", "month")
_UNIT = {"hour": "h", "day": "D", "month": "M"}


@dataclass(frozen=True)
class Calendar:
    """Days and months begin at midnight of a clock that is `offset_s` ahead of UTC (s, all year).

    Hours begin with its full hours. A day of 09 to 09 UTC has an offset of -9 h.
    """

    offset_s: float = 0.0

    @property
    def label(self) -> str:
        """`UTC`, or `UTC+01:00`."""
        if not self.offset_s:
            return "UTC"
        hours, minutes = divmod(round(abs(self.offset_s)) // 60, 60)
        return f"UTC{'-' if self.offset_s < 0 else '+'}{hours:02d}:{minutes:02d}"

    def number(self, time: Times, span: str) -> NDArray[np.int64]:
        """The running number of the hour, day or month in which each moment lies (its begin included)."""
        local = time.astype("datetime64[us]") + self._offset
        return local.astype(f"datetime64[{_UNIT[span]}]").astype(np.int64)

    def begin(self, number: NDArray[np.int64], span: str) -> Times:
        """UTC of the first moment of hours, days or months by their running numbers."""
        local: Times = number.astype(f"datetime64[{_UNIT[span]}]").astype("datetime64[us]")
        return local - self._offset

    def name(self, number: int, span: str) -> str:
        """`2026-03` of a month, `2026-03-01` of a day, `2026-03-01T05` of an hour: on the calendar's own clock."""
        return str(np.array(number).astype(f"datetime64[{_UNIT[span]}]"))

    @property
    def _offset(self) -> np.timedelta64:
        return np.timedelta64(round(self.offset_s * SECOND), "us")


UTC = Calendar()


def placed(station: Station, record: TableRecord, time: Times | None = None) -> Times:
    """The moment of each row (or of other stamps of its table) that says in which hour, day and month it lies.

    The middle of its interval, so that a stamp may stray and still fall into the right one; an instant is set on the
    grid for that. An instant at midnight lies in the day that begins.
    """
    stamps = record.time if time is None else time
    interval = record.interval_us
    if not interval or not len(stamps):
        return stamps
    half = np.timedelta64(interval // 2, "us")
    if record.table.side == "end":
        return stamps - half
    if record.table.side == "start":
        return stamps + half
    return on_grid(station, stamps, interval) if record.table.stray_s else stamps
