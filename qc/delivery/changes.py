"""What differs from the delivery that stood in the same place: values and verdicts of rows that it had too."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from qc.delivery.codes import SECOND
from qc.delivery.sheets import Field, Sheet

if TYPE_CHECKING:
    import pyarrow as pa

FIELDS = (
    Field("table", "string", "Table of the logger."),
    Field("time", "datetime", "Stamp of the row. ISO 8601, UTC. Empty: all rows."),
    Field("channel", "string", "Channel; `all` for a row that is gone."),
    Field("what", "string", "value, verdict, corrected, corrected_verdict; row or channel for one that is gone."),
    Field("before", "string", "What the delivery before had; verdicts as codes of WMO table 0 33 020."),
    Field("after", "string", "What this one has."),
)

_WHAT = {"": "value", "_verdict": "verdict", "_corrected": "corrected", "_corrected_verdict": "corrected_verdict"}


@dataclass
class Changes:
    """Rows of `changes.csv`, and how many rows of the data came in addition."""

    rows: list[tuple[str, str, str, str, str, str]] = field(default_factory=list)
    added: int = 0
    unreadable: list[str] = field(default_factory=list)

    def sheet(self) -> Sheet:
        """`changes.csv`."""
        return Sheet("changes.csv", "What differs from the delivery that stood here before", FIELDS, self.rows)


def compare(
    table: str,
    channels: Sequence[str],
    before: Mapping[str, Path],
    after: Mapping[str, Callable[[], bytes]],
    same: frozenset[str],
    changes: Changes,
) -> None:
    """Put down what changed in one table.

    Parameters
    ----------
    table : id of the table.
    channels : the new delivery's channels of that table.
    before : CSV files of the old delivery, by their path in it.
    after : bytes of the CSV files of the new one, by their path in it.
    same : paths of files that did not change.
    changes : what is found is added here.
    """
    old = _joined([path.read_bytes for name, path in before.items() if name not in same], changes)
    new = _joined([make for name, make in after.items() if name not in same], changes)
    if old is None or new is None:
        changes.added += 0 if new is None else new.num_rows
        if old is not None and before:
            changes.rows += [(table, str(t), "all", "row", "there", "") for t in old.column("time").to_pylist()]
        return
    _compared(table, channels, old, new, changes)


def _joined(makes: Sequence[Callable[[], bytes]], changes: Changes) -> pa.Table | None:
    """Several CSVs as one table of text, without the columns that are not compared."""
    import pyarrow as pa

    tables = [table for make in makes if (table := _read(make, changes)) is not None]
    return pa.concat_tables(tables, promote_options="default").combine_chunks() if tables else None


def _read(make: Callable[[], bytes], changes: Changes) -> pa.Table | None:
    import pyarrow as pa
    from pyarrow import csv as pacsv

    try:
        raw = make()
        names = raw[: raw.index(b"\n")].decode("utf-8").split(",")
        kept = [n for n in names if not n.endswith(("_checks", "_read", "_usable"))]
        if "time" not in kept:
            raise ValueError
        options = pacsv.ConvertOptions(
            include_columns=kept, column_types=dict.fromkeys(kept, pa.string()), strings_can_be_null=False
        )
        table = pacsv.read_csv(pa.BufferReader(raw), convert_options=options)
    except (OSError, ValueError):
        changes.unreadable.append("a file of the delivery before could not be read")
        return None
    plain = {n: table.column(n) for n in kept if not n.endswith(SECOND)}
    for name in kept:  # verdicts themselves, whichever codes the delivery shows
        if name.endswith(SECOND):
            plain[name.removesuffix("_wmo")] = table.column(name)
    return pa.table(plain)


def _compared(table: str, channels: Sequence[str], old: pa.Table, new: pa.Table, changes: Changes) -> None:
    import pyarrow as pa
    import pyarrow.compute as pc

    place = pc.index_in(new.column("time"), value_set=old.column("time").combine_chunks())
    changes.added += place.null_count
    kept = new.filter(pc.is_valid(place))
    old_kept = old.take(pc.drop_null(place))
    gone = old.filter(pc.invert(pc.is_in(old.column("time"), value_set=new.column("time").combine_chunks())))
    found = [(str(t), 0, (table, str(t), "all", "row", "there", "")) for t in gone.column("time").to_pylist()]
    old_channels = [n for n in old.column_names if f"{n}_verdict" in old.column_names and not n.endswith("_corrected")]
    for name in old_channels:
        if name not in channels:
            found.append(("", 0, (table, "", name, "channel", "there", "")))
    empty = pa.chunked_array([pa.array([""] * kept.num_rows, pa.string())])
    for n, channel in enumerate(channels, 1):
        if channel not in old_channels:
            continue
        for suffix, what in _WHAT.items():
            column = f"{channel}{suffix}"
            a = old_kept.column(column) if column in old.column_names else empty
            b = kept.column(column) if column in new.column_names else empty
            differs = pc.and_(pc.not_equal(a, b), pc.not_equal(_none(a, what), _none(b, what)))
            some = kept.column("time").filter(differs).to_pylist()
            for time, x, y in zip(some, a.filter(differs).to_pylist(), b.filter(differs).to_pylist(), strict=True):
                found.append((str(time), n, (table, str(time), channel, what, str(x), str(y))))
    changes.rows += [row for _, _, row in sorted(found, key=lambda one: one[:2])]


def _none(column: pa.ChunkedArray, what: str) -> pa.ChunkedArray:
    """A corrected value that is not there has no verdict, or 7: the same thing."""
    import pyarrow.compute as pc

    return pc.replace_substring_regex(column, "^7$", "") if what == "corrected_verdict" else column


def data_files(names: Iterator[str] | Sequence[str], prefix: str) -> list[str]:
    """Those of a delivery's files that hold a table's data by month: `data/ID.TABLE.2026-03.csv`."""
    import re

    return sorted(n for n in names if re.fullmatch(re.escape(prefix) + r"\.-?\d+-\d\d\.csv", n))
