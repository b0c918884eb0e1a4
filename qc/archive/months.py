"""The archive: `store/archive/station=ID/month=YYYY-MM/values.parquet`, a row for each value, one schema for all.

Rows are `time, channel, value, verdict, checks`, sorted by channel and time. A month's file is written only when its
content changes.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from qc.archive.raw import made, replace_bytes
from qc.chain import CheckedTable
from qc.verdicts import names_of

if TYPE_CHECKING:
    import pyarrow as pa

NAME = "values.parquet"


def schema() -> pa.Schema:
    """The one schema of all months of all stations."""
    import pyarrow as pa

    return pa.schema(
        [
            ("time", pa.timestamp("us", tz="UTC")),
            ("channel", pa.string()),
            ("value", pa.float64()),
            ("verdict", pa.uint8()),
            ("checks", pa.string()),
        ]
    )


def folder(store: Path, station: str, month: str) -> Path:
    """Where one month of a station lies."""
    return store / "archive" / f"station={station}" / f"month={month}"


def rows(tables: Sequence[CheckedTable], first_us: int, last_us: int) -> pa.Table:
    """Values of all channels of some tables with stamps from first to last (microseconds UTC, both included)."""
    import pyarrow as pa

    pieces = []
    for table in tables:
        us = table.record.time.astype("datetime64[us]").astype(np.int64)
        a, b = np.searchsorted(us, [first_us, last_us + 1])
        keep = slice(int(a), int(b))
        count = int(b - a)
        if not count:
            continue
        time = pa.array(table.record.time[keep], pa.timestamp("us", tz="UTC"))
        for name, channel in table.record.channels.items():
            values = channel.values[keep]
            failed = table.verdicts[name].failed[keep]
            masks, place = np.unique(failed, return_inverse=True)
            words = pa.array([names_of(int(mask)) for mask in masks], pa.string())
            checks = pa.DictionaryArray.from_arrays(pa.array(place.astype(np.int32)), words).cast(pa.string())
            pieces.append(
                pa.table(
                    {
                        "time": time,
                        "channel": pa.DictionaryArray.from_arrays(
                            pa.array(np.zeros(count, np.int32)), pa.array([name])
                        ).cast(pa.string()),
                        "value": pa.array(values, mask=np.isnan(values)),
                        "verdict": pa.array(table.codes[name][keep]),
                        "checks": checks,
                    },
                    schema=schema(),
                )
            )
    return pa.concat_tables(pieces) if pieces else schema().empty_table()


def months(first_us: int, last_us: int) -> list[str]:
    """Months (UTC) from one time to another."""
    a, b = (np.datetime64(us, "us").astype("datetime64[M]") for us in (first_us, last_us))
    return [str(m) for m in np.arange(a, b + np.timedelta64(1, "M"))]


def bounds(month: str) -> tuple[int, int]:
    """First and last microsecond of a month, UTC."""
    begin = np.datetime64(month, "M")
    first, after = (m.astype("datetime64[us]").astype(np.int64) for m in (begin, begin + np.timedelta64(1, "M")))
    return int(first), int(after) - 1


def read(store: Path, station: str, month: str) -> pa.Table:
    """One month as it stands; empty where there is none."""
    import pyarrow.parquet as pq

    path = folder(store, station, month) / NAME
    if not path.exists():
        return schema().empty_table()
    return pq.read_table(path, partitioning=None).cast(schema())


def merge(store: Path, station: str, month: str, new: pa.Table, first_us: int, last_us: int) -> tuple[str, int] | None:
    """Put newly computed values in place of those between two times; gives the sum of the file and its rows.

    None where nothing changed.
    """
    import pyarrow as pa

    old = read(store, station, month)
    a, b = bounds(month)
    inside = _between(new, max(a, first_us), min(b, last_us))
    inside = inside.sort_by([("channel", "ascending"), ("time", "ascending")])
    before, after = _runs(old), _runs(inside)
    pieces = []
    for name in sorted({*before, *after}, key=lambda n: n.encode("utf-8")):  # as in the file, so nothing is sorted
        one, other = before.get(name, slice(0, 0)), after.get(name, slice(0, 0))
        us = old.column("time")[one].cast(pa.int64()).to_numpy()
        i, j = np.searchsorted(us, [first_us, last_us + 1]).tolist()
        pieces += [old[one.start : one.start + i], inside[other], old[one.start + j : one.stop]]
    whole = pa.concat_tables(pieces).combine_chunks() if pieces else inside
    if whole.equals(old.combine_chunks()):
        return None
    content = _parquet(whole)
    where = folder(store, station, month)
    made(where)
    replace_bytes(where / NAME, content)
    return hashlib.sha256(content).hexdigest(), whole.num_rows


def _runs(table: pa.Table) -> dict[str, slice]:
    """Where the rows of each channel stand in a table that is sorted by channel."""
    if not table.num_rows:
        return {}
    column = table.column("channel").combine_chunks().dictionary_encode()
    codes = column.indices.to_numpy()
    edges = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1, [len(codes)]]).tolist()
    return {column.dictionary[codes[i]].as_py(): slice(i, j) for i, j in pairwise(edges)}


def _between(table: pa.Table, first_us: int, last_us: int) -> pa.Table:
    import pyarrow as pa
    import pyarrow.compute as pc

    us = table.column("time").cast(pa.int64())
    return table.filter(pc.and_(pc.greater_equal(us, first_us), pc.less_equal(us, last_us)))


def _parquet(table: pa.Table) -> bytes:
    """The same rows give the same bytes."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = pa.BufferOutputStream()
    pq.write_table(
        table, sink, compression="zstd", compression_level=1, use_dictionary=["channel", "checks", "value", "verdict"],
        column_encoding={"time": "DELTA_BINARY_PACKED"}, write_statistics=["time", "channel"], store_schema=False,
    )  # fmt: skip
    out: bytes = sink.getvalue().to_pybytes()
    return out
