"""Episodes: unbroken runs of values of one channel that fail the same check, told in a technician's words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qc.chain import CheckedTable
from qc.checks import Told, of_difference, registry
from qc.errors import printable
from qc.gaps import broken
from qc.quantities import quantities
from qc.record import SECOND, TableRecord
from qc.station import Channel, Station
from qc.verdicts import MISSING, Failure


@dataclass(frozen=True)
class Episode:
    """One episode. `channel` is `all` for gaps; `worst` and `limit` in the output unit, NaN without a number."""

    start: np.datetime64
    end: np.datetime64
    channel: str
    check: str
    verdict: int
    values: int
    worst: float
    limit: float
    message: str


def episodes(station: Station, table: CheckedTable) -> list[Episode]:
    """All episodes of one table, in time order (then by the order of channels and checks)."""
    found = _gaps(table.record)
    for channel in station.channels_of(table.record.table):
        verdicts = table.verdicts[channel.name]
        for check in registry():
            if check in verdicts.failures:
                found += _of(table.record, channel, verdicts.failures[check])
    return sorted(found, key=lambda e: e.start)


def _gaps(record: TableRecord) -> list[Episode]:
    interval = record.interval_us
    if not interval:
        return []
    step = np.timedelta64(interval, "us")
    check = registry()["gap"]
    found = []
    for row in np.flatnonzero(broken(record)):
        before, after = record.time[row - 1], record.time[row]
        missing = round(int((after - before).astype(np.int64)) / interval) - 1
        lasting = _lasting(missing, interval)
        told = Told("all", "", "", "", missing, lasting, np.nan, np.nan, "", MISSING)
        found.append(
            Episode(before + step, after - step, "all", "gap", MISSING, missing, np.nan, np.nan, check.say(told))
        )
    return found


def _of(record: TableRecord, channel: Channel, failure: Failure) -> list[Episode]:
    rows = failure.rows
    new = np.concatenate(([True], (np.diff(rows) > 1) | broken(record)[rows[1:]]))
    if failure.notes is not None:  # what another line of a log says is another episode
        new[1:] |= failure.notes[1:] != failure.notes[:-1]
    starts = np.flatnonzero(new)
    stops = np.append(starts[1:], len(rows))
    beyond = np.abs(failure.number - failure.limit)
    beyond = np.where(np.isnan(beyond), np.where(np.isnan(failure.number), -1.0, np.abs(failure.number)), beyond)
    quantity = quantities()[channel.quantity]
    unit = channel.output_unit
    if registry()[failure.check].unit == "difference":
        unit = of_difference(unit)
    title = quantity.title if channel.quantity != "other" else channel.name
    cells = record.channels[channel.name].cells
    say = registry()[failure.check].say
    found = []
    for start, stop in zip(starts, stops, strict=True):
        worst = start + int(np.argmax(beyond[start:stop]))
        verdict = int(failure.verdict[start:stop].max())
        number, limit = float(failure.number[worst]), float(failure.limit[worst])
        cell = printable(cells[int(rows[start])].as_py() or "") if cells is not None else ""
        lasting = _lasting(stop - start, record.interval_us)
        note = "" if failure.notes is None else str(failure.notes[start])
        values = int(stop - start)
        told = Told(channel.name, channel.quantity, title, unit, values, lasting, number, limit, cell, verdict, note)
        first, last = record.time[rows[start]], record.time[rows[stop - 1]]
        found.append(Episode(first, last, channel.name, failure.check, verdict, told.values, number, limit, say(told)))
    return found


def _lasting(values: int, interval_us: int | None) -> str:
    """How long a number of intervals lasts, in words."""
    if not interval_us:
        return f"{values} events"
    minutes, seconds = divmod(round(values * interval_us / SECOND), 60)
    hours, minutes = divmod(minutes, 60)
    days, hours = divmod(hours, 24)
    parts = [(days, "d"), (hours, "h"), (minutes, "min"), (seconds, "s")]
    told = [f"{number} {unit}" for number, unit in parts if number]
    return " ".join(told[:2]) or "0 s"
