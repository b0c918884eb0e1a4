"""Faults planted into records, and what diagnosis says of them: the short way around a table's text.

`qc.injection` plants the same in the text of a table; a test holds the two equal.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from qc import chain
from qc.chain import Checked
from qc.diagnosis import Diagnosis, case_of, diagnose
from qc.faults import Grade, Injection, registry
from qc.mends import moved_back
from qc.record import ReadChannel, Record
from qc.verdicts import Floats


def rounded(values: Floats, quantum: Floats) -> Floats:
    """Values on the steps of the logger, where it has any."""
    step = np.where(quantum > 0, quantum, 1.0)
    return np.where(quantum > 0, np.round(np.round(values / step) * step, 9), values) + 0.0


def planted(record: Record, table: str, injection: Injection) -> Record:
    """The record with a fault in it."""
    station = injection.station or record.station
    before = record.tables[table]
    channels = dict(before.channels)
    case = case_of(unchecked(replace(record, station=station)), table) if injection.values else None
    for name, values in injection.values.items():
        assert case is not None
        quantum = case.quantum(next(c for c in station.channel if c.name == name))
        channels[name] = ReadChannel(rounded(values, quantum), None, None)
    after = replace(before, channels=channels, table=station.table_of(station.channels_of(table)[0]))
    if injection.ahead_s is not None:
        after = moved_back(after, -injection.ahead_s / 60.0)
    return replace(record, station=station, tables={**record.tables, table: after})


def unchecked(record: Record) -> Checked:
    """A record without any check, for what needs no verdicts."""
    from qc.chain import CheckedTable, Reach
    from qc.run import limits_of
    from qc.verdicts import ChannelVerdicts

    tables = {
        name: CheckedTable(t, {c: ChannelVerdicts.empty(t.rows) for c in t.channels}, {})
        for name, t in record.tables.items()
    }
    return Checked(record, limits_of(record.station), tables, (), Reach(0.0, 0.0))


def rehearsed(record: Record, fault: str, grade: Grade, seed: int) -> tuple[Injection, Diagnosis] | None:
    """One fault planted at random into the first table, and the diagnosis; None where it cannot be made there."""
    from qc.run import limits_of

    table = next(iter(record.tables))
    case = case_of(unchecked(record), table)
    injection = registry()[fault].inject(case, grade, np.random.default_rng(seed))
    if injection is None:
        return None
    spoilt = planted(record, table, injection)
    return injection, diagnose(chain.run(spoilt, limits_of(spoilt.station)))
