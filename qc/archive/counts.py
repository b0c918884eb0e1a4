"""Line counters out of files: their rows with a number, and where the count of each table stands."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from qc.archive.foreign import Count, Counted, at_odds, goes_on
from qc.read.lines import from_bytes
from qc.read.tables import parts_of
from qc.record import SECOND
from qc.station import Station


def able(station: Station) -> bool:
    """Whether a table of the station has a line counter and an interval."""
    return any(t.line_counter is not None and t.interval_s for t in station.table)


def of(content: bytes, station: Station) -> dict[str, Counted]:
    """By table the rows of a file that have a number, in time order; errors as of one file."""
    out = {}
    for part in parts_of(from_bytes(content), station):
        rows = part.rows
        if rows.counter is None or not rows.table.interval_s or not rows.columns:
            continue
        us = part.time.astype("datetime64[us]").astype(np.int64)
        known = np.flatnonzero(np.isfinite(rows.counter) & ~np.isnat(part.time))
        us, first = np.unique(us[known], return_index=True)
        at = known[first]
        values = np.stack([column.values[at] for column in rows.columns.values()], axis=1)
        out[rows.table.id] = Counted(us, rows.counter[at], values)
    return out


def latest(found: Mapping[str, Counted], station: Station) -> list[Count]:
    """Where the count of each table stands after these rows."""
    steps = {t.id: round((t.interval_s or 0.0) * SECOND) for t in station.table}
    return [
        Count(station.id, table, int(c.us[-1]), float(c.number[-1]), steps[table])
        for table, c in found.items()
        if len(c.us)
    ]


def odd(own: Mapping[str, Counted], here: Mapping[str, Counted]) -> list[tuple[str, int, float]]:
    """Tables in which a file is at odds with the station's own rows: table, and time and number of a row."""
    both = [(table, at_odds(own[table], here[table])) for table in here if table in own]
    return [(table, *one) for table, one in both if one is not None]


def another(
    station: Station, own: Mapping[str, Counted], here: Mapping[str, Counted], counts: Sequence[Count]
) -> tuple[str, float, str]:
    """Of what other station a file seems to be by its count, the number that shows it, and the table; empty where it
    is taken for this one's own."""
    steps = {t.id: round((t.interval_s or 0.0) * SECOND) for t in station.table}
    for table, us, number in odd(own, here):
        if other := goes_on(us, number, steps[table], station.id, counts):
            return other, number, table
    return "", 0.0, ""
