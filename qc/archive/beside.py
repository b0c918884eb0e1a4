"""Neighbours from the archive: as flagged tables give them, without files in between."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from qc.archive import months
from qc.neighbours import Neighbour, taken, trusted, way
from qc.record import SECOND, Times
from qc.station import Station
from qc.verdicts import Floats


def neighbour(store: Path, other: Station, own: Station, first_us: int, last_us: int) -> list[Neighbour]:
    """What the archive holds of another station between two times, a neighbour for each of its tables of intervals.

    Values that its own checks, without the network family, call doubtful or wrong are missing.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    parts = [months.read(store, other.id, month) for month in months.months(first_us, last_us)]
    whole = pa.concat_tables(parts)
    us = whole.column("time").cast(pa.int64())
    whole = whole.filter(pc.and_(pc.greater_equal(us, first_us), pc.less_equal(us, last_us)))
    site, here = other.station, own.station
    distance, bearing = way((here.latitude, here.longitude), (site.latitude, site.longitude))
    out = []
    for table in other.table:
        if not table.interval_s:
            continue
        chosen = taken({c.name: (c.quantity, "", c.statistic) for c in other.channels_of(table)})
        values: dict[str, Floats] = {}
        time: Times = np.zeros(0, "datetime64[us]")
        for quantity, name in chosen.items():
            rows = whole.filter(pc.equal(whole.column("channel"), name)).sort_by("time")
            time = rows.column("time").cast(pa.timestamp("us")).to_numpy().astype("datetime64[us]")
            wide = pa.table(
                {
                    name: rows.column("value"),
                    f"{name}_verdict": rows.column("verdict"),
                    f"{name}_checks": rows.column("checks"),
                }
            )
            values[quantity] = trusted(wide, name)
        step = round(table.interval_s * SECOND)
        half = np.timedelta64(step // 2, "us")
        middle: Times = time - half if table.side == "end" else time + half if table.side == "start" else time
        height = site.elevation - here.elevation
        out.append(Neighbour(other.id, table.id, distance, bearing, height, step, middle, values))
    return out
