"""The flagged table as Parquet: times as UTC time stamps, the rest as in the CSV."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import pyarrow as pa


def parquet_pieces(table: pa.Table) -> Iterator[bytes]:
    """Parquet bytes of the flagged table."""
    import pyarrow as pa
    import pyarrow.compute as pc
    import pyarrow.parquet as pq

    text = pc.utf8_rtrim(table.column("time"), "Z").to_numpy(zero_copy_only=False)
    times = pa.array(np.array(text, "datetime64[us]"), pa.timestamp("us", tz="UTC"))
    table = table.set_column(0, "time", times)
    for at, name in enumerate(table.column_names):
        if name.endswith("_checks"):
            table = table.set_column(at, name, pc.fill_null(table.column(at), "").combine_chunks().dictionary_encode())
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd", version="2.6", store_schema=True)
    yield sink.getvalue().to_pybytes()
