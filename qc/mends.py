"""Mends: what undoes a fault, in memory so that later tests see through it, and as lines for a person to paste.

Faults of clock, unit, wiring and site are mended in the station file; those of a sensor's values by lines of the
correction log (contract 8). Each acts on a record; none acts on a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from qc import units
from qc.errors import StationFileError
from qc.logs import Correction
from qc.record import SECOND, ReadChannel, Record, TableRecord
from qc.station import Channel, Station
from qc.verdicts import Bools, Floats

Operation = Literal["clock", "side", "site", "unit", "swap", "scale", "offset", "rotate", "mirror", "negate"]


@dataclass(frozen=True)
class Mend:
    """One thing to be done to a station's record.

    Parameters
    ----------
    operation : str
        `clock` (the logger clock is `amount` minutes ahead of true), `side` (stamps mark another side of the interval
        than the station file says, which makes them `amount` minutes late; `side` is the true one), `site` (`site`
        holds a new latitude, longitude or elevation), `unit` (true values in output units are `amount` times those
        read plus `plus`; `unit` is what the station file should say), `swap` (exchange two channels), or one of the
        correction log with `amount` as its parameter.
    channels : tuple of str
        what it acts on; for `clock`, `side` and `site` every channel.
    first, last : datetime64[us] UTC
        stamps from which to which it acts, both included; None for all that was and is to come.
    amount, plus : float
    per_day : float
        of a `clock`: minutes that it gains each day from `first` on.
    uncertainty : float
        of `amount` (one standard deviation, in its unit); told in the reason.
    proposed : bool
        whether it is sure enough to be proposed to a person; else it is undone in memory only.
    """

    operation: Operation
    channels: tuple[str, ...] = ()
    first: np.datetime64 | None = None
    last: np.datetime64 | None = None
    amount: float = 0.0
    plus: float = 0.0
    per_day: float = 0.0
    uncertainty: float = 0.0
    unit: str = ""
    side: str = ""
    site: Mapping[str, float] = field(default_factory=dict)
    proposed: bool = True


def mended(record: Record, mend: Mend) -> Record:
    """The record as it would be without the fault; values are in output units, shapes stay."""
    if mend.operation == "site":
        return replace(record, station=moved(record.station, mend.site))
    tables = {name: _table(table, mend, record.station) for name, table in record.tables.items()}
    return replace(record, tables=tables)


def moved(station: Station, site: Mapping[str, float]) -> Station:
    """The station at other coordinates (degrees) or another elevation (m)."""
    return station.model_copy(update={"station": station.station.model_copy(update=dict(site))})


def _table(table: TableRecord, mend: Mend, station: Station) -> TableRecord:
    first = table.time[:1] if mend.first is None else np.array([mend.first])
    last = table.time[-1:] if mend.last is None else np.array([mend.last])
    if not table.rows:
        return table
    rows = (table.time >= first[0]) & (table.time <= last[0])
    if mend.operation in ("clock", "side"):
        return _shifted(table, rows, mend.amount, mend.per_day)
    names = [name for name in mend.channels if name in table.channels]
    if not names:
        return table
    channels = dict(table.channels)
    if mend.operation == "swap" and len(names) == 2:
        one, other = (next(c for c in station.channel if c.name == name) for name in names)
        a = read_as(table.channels[one.name].values, one, other, table.table.interval_s)
        b = read_as(table.channels[other.name].values, other, one, table.table.interval_s)
        channels[names[0]], channels[names[1]] = (
            _put(table.channels[names[0]], rows, b),
            _put(table.channels[names[1]], rows, a),
        )
    else:
        for name in names:
            channels[name] = _put(table.channels[name], rows, changed(table.channels[name].values, mend))
    return replace(table, channels=channels)


def read_as(values: Floats, channel: Channel, place: Channel, interval_s: float | None) -> Floats:
    """Values of one channel as they would be had its column been read as another channel: with the unit of that one.

    Output units of either; amounts that need an interval and have none stay as they are.
    """
    try:
        own, other = (units.conversion(c.quantity, c.unit, interval_s) for c in (channel, place))
    except StationFileError:
        return values
    if (own.factor, own.shift) == (other.factor, other.shift):
        return values
    return np.round((values / own.factor - own.shift + other.shift) * other.factor, 9)


def changed(values: Floats, mend: Mend) -> Floats:
    """Values after one mend, in output units; operations of the correction log as that does them."""
    if mend.operation == "unit":
        return np.asarray(values * mend.amount + mend.plus)
    none = np.datetime64(0, "us")
    return Correction(0, none, none, (), mend.operation, mend.amount, "", "", none).of(values)


def _put(channel: ReadChannel, rows: Bools, values: Floats) -> ReadChannel:
    return replace(channel, values=np.where(rows, values, channel.values))


def _shifted(table: TableRecord, rows: Bools, minutes: float, per_day: float = 0.0) -> TableRecord:
    """Stamps moved back by some minutes in some rows; a clock that also gains `per_day` minutes by whole minutes."""
    late = np.full(table.rows, minutes)
    if per_day and rows.any():
        since = (table.time - table.time[np.flatnonzero(rows)[0]]).astype(np.int64) / (86_400 * SECOND)
        late = np.round(minutes + per_day * since)
    return moved_back(table, np.where(rows, late, 0.0))


def moved_back(table: TableRecord, minutes: Floats) -> TableRecord:
    """Stamps moved back by minutes, shape (n,); where two rows meet, the first stands."""
    time = table.time - np.round(minutes * 60 * SECOND).astype(np.int64).astype("timedelta64[us]")
    order = np.argsort(time, kind="stable")
    keep = order[np.concatenate([[True], np.diff(time[order]) > np.timedelta64(0, "us")])]
    return replace(replace(table, time=time).take(keep), conflicts=table.conflicts)
