"""Corrected values beside the raw ones, checked again (contract 1 and 8).

Lines of the correction log act on each value alone. What they give stands in a second run of the chain in place of the
raw values, so that every check sees a corrected channel among corrected companions. Raw values keep their verdicts.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from qc import chain
from qc.chain import Checked, CheckedTable, Corrected
from qc.logs import Correction, Floats, Logs
from qc.neighbours import Neighbour
from qc.read.numbers import VALUE
from qc.record import SECOND, Changed, ReadChannel, Record, TableRecord, Times
from qc.verdicts import CHANGED, DOUBTFUL, ESTIMATED, GOOD, MISSING, WRONG

_DECIMALS = 9  # of a corrected value in its output unit: what lies behind is noise of the arithmetic
_LARGE = 1e6  # above it a number has no ninth decimal


def added(checked: Checked, *, as_of: np.datetime64 | None = None, neighbours: Sequence[Neighbour] = ()) -> Checked:
    """The same, with corrected values for every channel that the correction log names.

    A corrected value has verdict 5, one that a line estimates 6; 2 or 3 where it fails again as badly; 7 where no line
    of the log covers a value. An estimate needs no value, but a row. Decisions are about raw values and
    do not count here; nor do visits for an estimate, which no hand could disturb.
    """
    record = checked.record
    tables: dict[str, CheckedTable] = {}
    for table_id, table in checked.tables.items():
        changed = _changed(table.record, record.logs)
        again = _checked_again(checked, table, changed, as_of, neighbours)
        corrected = {name: _corrected(name, change, again) for name, change in changed.items()}
        tables[table_id] = replace(table, corrected=corrected)
    return replace(checked, tables=tables)


def corrected_values(values: Floats, time: Times, lines: tuple[Correction, ...]) -> tuple[Floats, Changed]:
    """Values after some lines, in their order, NaN where none touches; and how they were changed."""
    now, kind, scale = values.copy(), np.zeros(len(values), np.uint8), np.ones(len(values))
    for line in lines:
        rows = line.covers(time)
        now[rows] = line.of(now[rows])
        kind[rows] = ESTIMATED if line.operation == "estimate" else CHANGED
        if line.operation == "scale":
            scale[rows] *= abs(line.parameter)
    small = np.abs(now) < _LARGE
    now[small] = np.round(now[small], _DECIMALS) + 0.0  # -0.0 is 0.0
    return np.where((kind > GOOD) & np.isfinite(now), now, np.nan), Changed(kind, scale)


def _changed(record: TableRecord, logs: Logs) -> dict[str, tuple[Floats, Changed]]:
    out = {}
    for name, channel in record.channels.items():
        if logs.corrected(name):
            lines = tuple(c for c in logs.corrections or () if c.channel == name)
            with np.errstate(over="ignore"):  # beyond what a number can hold there is no value
                out[name] = corrected_values(channel.values, record.time, lines)
    return out


Again = tuple[slice, CheckedTable]


def _checked_again(
    checked: Checked,
    table: CheckedTable,
    changed: Mapping[str, tuple[Floats, Changed]],
    as_of: np.datetime64 | None,
    neighbours: Sequence[Neighbour],
) -> Again | None:
    """Rows within the reach of a corrected value, checked with the corrected values in place of the raw ones."""
    there = np.zeros(table.record.rows, bool)
    for values, _ in changed.values():
        there |= np.isfinite(values)
    touched = np.flatnonzero(there)
    if not len(touched):
        return None
    record = table.record
    back, ahead = (np.timedelta64(round(s * SECOND), "us") for s in (checked.reach.back_s, checked.reach.ahead_s))
    first = int(np.searchsorted(record.time, record.time[touched[0]] - back, side="left"))
    last = int(np.searchsorted(record.time, record.time[touched[-1]] + ahead, side="right"))
    rows = slice(first, last)
    part = record.take(rows)
    channels = dict(part.channels)
    for name, (values, change) in changed.items():
        raw = channels[name]
        there = np.isfinite(values[rows])
        state = None if raw.state is None else np.where(there, np.uint8(VALUE), raw.state)
        new = np.where(there, values[rows], raw.values)
        channels[name] = ReadChannel(new, raw.cells, state, change.take(rows))
    some = Record(checked.record.station, {record.table.id: replace(part, channels=channels)}, logs=checked.record.logs)
    again = chain.run(some, checked.limits, as_of=as_of, neighbours=neighbours).tables[record.table.id]
    return rows, again


def _corrected(name: str, change: tuple[Floats, Changed], again: Again | None) -> Corrected:
    values, how = change
    codes = np.full(len(values), MISSING, np.uint8)
    failed = np.zeros(len(values), np.uint64)
    there = np.isfinite(values)
    if again is not None:
        rows, table = again
        found = table.codes[name]
        codes[rows] = np.where((found == DOUBTFUL) | (found == WRONG), found, how.kind[rows])
        failed[rows] = table.verdicts[name].failed
    return Corrected(values, np.where(there, codes, np.uint8(MISSING)), np.where(there, failed, np.uint64(0)))
