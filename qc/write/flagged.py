"""The flagged table: a row for each stamp, and for each channel its value, verdict, checks and what stood in the table.

The columns depend on the station file and the correction log alone, never on the values, so that pieces of a record
join to the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.chain import CheckedTable
from qc.record import TableRecord, Times
from qc.threads import in_order
from qc.verdicts import MISSING, is_usable, names_of
from qc.write.text import guarded_cells, stamps

if TYPE_CHECKING:
    import pyarrow as pa

_ROWS = 65536  # rows written at once
# these stand for delimiter and quotation mark while pyarrow writes: cells may hold the real ones
_FIELD, _QUOTE = "\x1f", "\x1e"
_TO_CSV = bytes.maketrans(b"\x1f\x1e", b',"')


def flagged(table: CheckedTable, *, fill_gaps: bool = False, usable: bool = False) -> pa.Table:
    """The flagged table in Arrow: `time`, then `NAME`, `NAME_verdict`, `NAME_checks`, `NAME_read` for each channel.

    Those that the correction log names have `NAME_corrected`, `NAME_corrected_verdict`, `NAME_corrected_checks` too.
    With `usable` each has `NAME_usable`, true where its value (the corrected one where there is one) may be used.
    """
    import pyarrow as pa

    columns: dict[str, pa.Array] = {"time": stamps(table.record.time)}
    for name, channel in table.record.channels.items():
        columns[name] = pa.array(channel.values, mask=np.isnan(channel.values))
        columns[f"{name}_verdict"] = pa.array(table.codes[name])
        columns[f"{name}_checks"] = _checks(table.verdicts[name].failed)
        columns[f"{name}_read"] = _read(channel.cells, table.record.rows)
        if (corrected := table.corrected.get(name)) is not None:
            columns[f"{name}_corrected"] = pa.array(corrected.values, mask=np.isnan(corrected.values))
            columns[f"{name}_corrected_verdict"] = pa.array(corrected.codes)
            columns[f"{name}_corrected_checks"] = _checks(corrected.failed)
        if usable:
            columns[f"{name}_usable"] = pa.array(is_usable(table.best(name)[1]))
    out = pa.table(columns)
    return _filled(out, table.record, table.missing) if fill_gaps else out


def conflicts(record: TableRecord) -> pa.Table:
    """Rows that stood beside another row of the same stamp: `time`, then `NAME` and `NAME_read` for each channel."""
    import pyarrow as pa

    columns: dict[str, pa.Array] = {"time": stamps(record.time)}
    for name, channel in record.channels.items():
        columns[name] = pa.array(channel.values, mask=np.isnan(channel.values))
        columns[f"{name}_read"] = _read(channel.cells, record.rows)
    return pa.table(columns)


def _read(cells: pa.Array | None, rows: int) -> pa.Array:
    import pyarrow as pa

    return pa.nulls(rows, pa.string()) if cells is None else guarded_cells(cells)


def _checks(failed: NDArray[np.uint64]) -> pa.Array:
    """Ids joined by `;`, null where no check failed."""
    import pyarrow as pa

    rows = np.flatnonzero(failed)
    if not len(rows):
        return pa.nulls(len(failed), pa.string())
    masks, place = np.unique(failed[rows], return_inverse=True)
    index = np.full(len(failed), -1, np.int32)
    index[rows] = place
    words = pa.array([names_of(int(mask)) for mask in masks], pa.string())
    return pa.DictionaryArray.from_arrays(pa.array(index, mask=index < 0), words).cast(pa.string())


def _filled(out: pa.Table, record: TableRecord, times: Times) -> pa.Table:
    """Rows for the times at which a row is missing, marked by the check `gap`."""
    import pyarrow as pa

    if not len(times):
        return out
    rows = len(times)
    empty: dict[str, pa.Array] = {"time": stamps(times)}
    for name in out.column_names[1:]:
        kind = out.schema.field(name).type
        if name.endswith("_verdict"):
            empty[name] = pa.array(np.full(rows, MISSING, np.uint8))
        elif name.endswith("_checks") and not name.endswith("_corrected_checks"):
            empty[name] = pa.array(["gap"] * rows, pa.string())
        else:
            empty[name] = pa.nulls(rows, kind)
    order = np.argsort(np.concatenate((record.time, times)), kind="stable")
    return pa.concat_tables([out, pa.table(empty)]).take(pa.array(order)).combine_chunks()


def csv_pieces(table: pa.Table) -> Iterator[bytes]:
    """The table as CSV, piece by piece: header, then rows; numbers in the shortest digits that read back."""
    yield (",".join(table.column_names) + "\n").encode("ascii")
    yield from in_order(_csv, (table.slice(at, _ROWS) for at in range(0, table.num_rows, _ROWS)))


def _csv(table: pa.Table) -> bytes:
    import pyarrow as pa
    import pyarrow.compute as pc
    from pyarrow import csv as pacsv

    quoted = False
    for at, name in enumerate(table.column_names):
        column = table.column(at)
        if name.endswith("_read"):
            if column.null_count == len(column):
                table = table.set_column(at, name, pa.nulls(len(column), pa.string()))
                continue
            # pyarrow also looks at what lies under a null and beyond a slice, a decimal comma say
            column = pa.chunked_array([pc.fill_null(column, "").combine_chunks()])
            table = table.set_column(at, name, column)
            special = pc.match_substring_regex(column, '[",\r\n\x1e\x1f]')
            if pc.any(special).as_py():
                quoted = True
                clean = pc.replace_substring_regex(column, "[\r\n\x1e\x1f]", "·")
                clean = pc.replace_substring(clean, '"', _QUOTE * 2)
                marks = pa.scalar(_QUOTE)
                clean = pc.if_else(special, pc.binary_join_element_wise(marks, clean, marks, pa.scalar("")), clean)
                table = table.set_column(at, name, clean)
    sink = pa.BufferOutputStream()
    options = pacsv.WriteOptions(
        include_header=False, quoting_style="none", delimiter=_FIELD if quoted else ",", batch_size=16384
    )
    pacsv.write_csv(table, sink, options)
    out: bytes = sink.getvalue().to_pybytes()
    return out.translate(_TO_CSV) if quoted else out
