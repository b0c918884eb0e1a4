"""The chain: stages of checks over a Record, their verdicts, and what could not be applied and why.

Checks of one stage never see each other's verdicts; values that a stage called wrong are missing in the next. A check that crashes on
odd data is put down as not applied, and the rest goes on.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc.checks import Check, registry
from qc.limits import Limits
from qc.record import Record, TableRecord, Times
from qc.scene import Scene
from qc.sky import Sky
from qc.station import Channel, Station
from qc.verdicts import WRONG, Bools, ChannelVerdicts, NotApplied

_log = logging.getLogger("fairvane")

LONGEST_REACH_S = 72 * 3600.0
"""Seconds that the chain may look to each side (contract 1)."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Reach:
    """How far the whole chain looks, in seconds."""

    back_s: float
    ahead_s: float


@dataclass(frozen=True)
class CheckedTable:
    """One table with its verdicts: `codes` holds the merged verdict of each value."""

    record: TableRecord
    verdicts: dict[str, ChannelVerdicts]
    codes: dict[str, NDArray[np.uint8]]

    def take(self, keep: Bools) -> CheckedTable:
        """The same for some of the rows."""
        if keep.all():
            return self
        rows = np.flatnonzero(keep)
        return CheckedTable(
            self.record.take(rows),
            {name: v.take(keep) for name, v in self.verdicts.items()},
            {name: code[keep] for name, code in self.codes.items()},
        )


@dataclass(frozen=True)
class Checked:
    """A station's record with all that the chain left on it."""

    record: Record
    limits: Limits
    tables: dict[str, CheckedTable]
    not_applied: tuple[tuple[str, tuple[str, ...], str], ...]
    reach: Reach


def reach(station: Station, limits: Limits) -> Reach:
    """The reach of the chain for a station: the sum over stages of each stage's longest, reading included."""
    intervals = [t.interval_s for t in station.table if t.interval_s] or [0.0]
    counters = [station.table_of(c).interval_s or 0.0 for c in station.channel if c.statistic == "counter"]
    back, ahead = max(counters, default=0.0), 0.0
    for checks in stages():
        spans = [check.reach(limits, interval) for check in checks for interval in intervals]
        back += max(span[0] for span in spans)
        ahead += max(span[1] for span in spans)
    if max(back, ahead) > LONGEST_REACH_S:
        raise ValueError(f"the chain reaches {back} s back and {ahead} s ahead, more than the contract allows")
    return Reach(back, ahead)


def stages() -> list[list[Check]]:
    """The checks, stage by stage."""
    checks = registry().values()
    return [[c for c in checks if c.stage == stage] for stage in sorted({c.stage for c in checks})]


def run(
    record: Record, limits: Limits, *, as_of: np.datetime64 | None = None, progress: Progress = lambda done, total: None
) -> Checked:
    """All stages of checks over all tables of a record.

    Parameters
    ----------
    record : Record
    limits : Limits
    as_of : datetime64[us] UTC, optional
        stamps after it lie in the future; left out, none does.
    progress : callable
        called with checks done and checks in all.
    """
    station = record.station
    missed: dict[tuple[str, str], list[str]] = {}
    tables: dict[str, CheckedTable] = {}
    plan = stages()
    total = sum(len(stage) for stage in plan) * max(len(record.tables), 1)
    done = 0
    for table_id, table in record.tables.items():
        sky = Sky(table.middle, station.station.latitude, station.station.longitude, station.station.elevation)
        channels = station.channels_of(table_id)
        verdicts = {c.name: ChannelVerdicts.empty(table.rows) for c in channels}
        has_value = {c.name: np.isfinite(table.channels[c.name].values) for c in channels}
        condemned: dict[str, Bools] = {}
        codes: dict[str, NDArray[np.uint8]] = {}
        for stage in plan:
            scene = Scene(station, table, sky, limits, condemned, as_of)
            for check in stage:
                for channel in channels if check.scope == "channel" else ():
                    if check.tests(channel):
                        _apply(check, scene, channel, verdicts[channel.name], missed)
                done += 1
                progress(done, total)
            codes = {name: v.merged(has_value[name]) for name, v in verdicts.items()}
            condemned = {name: code == WRONG for name, code in codes.items()}
        tables[table_id] = CheckedTable(table, verdicts, codes)
    _note_absent(record, missed, as_of)
    listed = tuple((check, tuple(dict.fromkeys(names)), why) for (check, why), names in sorted(missed.items()))
    return Checked(record, limits, tables, listed, reach(station, limits))


def _apply(
    check: Check, scene: Scene, channel: Channel, verdicts: ChannelVerdicts, missed: dict[tuple[str, str], list[str]]
) -> None:
    here = {c.quantity for c in scene.channels}
    lacking = [quantity for quantity in check.needs if quantity not in here]
    if lacking:
        missed.setdefault((check.id, f"no {lacking[0]} channel"), []).append(channel.name)
        return
    try:
        found = check.run(scene, channel)
    except Exception as error:
        _log.error("check %s broke on channel %s: %s", check.id, channel.name, error)
        _log.debug("traceback", exc_info=True)
        missed.setdefault((check.id, f"it broke on these data ({type(error).__name__}); see the log"), []).append(channel.name)
        return
    if isinstance(found, NotApplied):
        missed.setdefault((check.id, found.why), []).append(channel.name)
    else:
        verdicts.add(check.id, check.witness, found)


def _note_absent(record: Record, missed: dict[tuple[str, str], list[str]], as_of: np.datetime64 | None) -> None:
    """What no channel of the station calls for, and what the command line left out."""
    quantities = {c.quantity for c in record.station.channel}
    for check in registry().values():
        if check.scope == "channel" and check.quantities != ("*",) and not quantities & set(check.quantities):
            missed.setdefault((check.id, f"no {check.quantities[0]} channel"), [])
    if as_of is None:
        names = [c.name for c in record.station.channel]
        missed.setdefault(("timing", "stamps in the future are tested with --as-of only"), []).extend(names)
    if all(t.kind == "event" for t in record.station.table):
        missed.setdefault(("gap", "an event table has no gaps"), [])
    for name in record.absent:
        missed.setdefault(("range", "its column stands in no file"), []).append(name)


def period(checked: Checked, first: np.datetime64 | None, last: np.datetime64 | None) -> Checked:
    """The same for stamps from `first` to `last`, both included."""
    if first is None and last is None:
        return checked
    tables: dict[str, CheckedTable] = {}
    for table_id, table in checked.tables.items():
        keep = _inside(table.record.time, first, last)
        conflicts = table.record.conflicts
        if conflicts is not None:
            conflicts = conflicts.take(np.flatnonzero(_inside(conflicts.time, first, last)))
        record = replace(table.record, conflicts=conflicts)
        tables[table_id] = CheckedTable(record, table.verdicts, table.codes).take(keep)
    return Checked(checked.record, checked.limits, tables, checked.not_applied, checked.reach)



def _inside(time: Times, first: np.datetime64 | None, last: np.datetime64 | None) -> Bools:
    keep = np.ones(len(time), bool)
    if first is not None:
        keep &= time >= first
    if last is not None:
        keep &= time <= last
    return keep
