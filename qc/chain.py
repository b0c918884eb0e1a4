"""The chain: stages of checks over a Record, their verdicts, and what could not be applied and why.

Checks of one stage never see each other's verdicts; values that a stage called wrong are missing in the next. A check
that crashes on odd data is put down as not applied, and the rest goes on.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc import gaps
from qc.checks import Check, registry
from qc.errors import StationFileError
from qc.limits import Limits
from qc.moments import clock_entries
from qc.neighbours import Neighbour
from qc.read import clock
from qc.read.numbers import VALUE
from qc.record import SECOND, ReadChannel, Record, TableRecord, Times
from qc.scene import Scene
from qc.sky import Sky
from qc.station import Channel, Station, Table
from qc.threads import in_order
from qc.verdicts import BIT, MISSING, Bools, ChannelVerdicts, Failure, Found, NotApplied, Notes

if TYPE_CHECKING:
    import pyarrow as pa

_log = logging.getLogger("fairvane")

LONGEST_REACH_S = 72 * 3600.0
"""Seconds that the chain may look to each side (contract 1)."""

Progress = Callable[[int, int], None]

OnFound = Callable[[Check, Channel, "Found | NotApplied"], None]
"""Called with what each check finds on each channel that it is meant for: the arrays whole, passed values included."""


@dataclass(frozen=True)
class Reach:
    """How far the whole chain looks, in seconds."""

    back_s: float
    ahead_s: float


@dataclass(frozen=True)
class Corrected:
    """Corrected values of one channel, NaN where none; their verdicts (7 where none); a bit mask of checks failed."""

    values: NDArray[np.float64]
    codes: NDArray[np.uint8]
    failed: NDArray[np.uint64]

    def take(self, keep: Bools) -> Corrected:
        """The same for some of the rows."""
        return Corrected(self.values[keep], self.codes[keep], self.failed[keep])


@dataclass(frozen=True)
class CheckedTable:
    """One table with its verdicts: `codes` holds the merged verdict of each value, `missing` stamps without a row.

    `corrected` has an entry for each channel that the correction log names (`qc.corrected`).
    """

    record: TableRecord
    verdicts: dict[str, ChannelVerdicts]
    codes: dict[str, NDArray[np.uint8]]
    missing: Times = field(default_factory=lambda: np.zeros(0, "datetime64[us]"))
    corrected: dict[str, Corrected] = field(default_factory=dict)

    def best(self, name: str) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """The values of a channel that a client would use, and their verdicts: corrected where a line of the correction
        log gave a value, else raw. Usable are those with a verdict in `qc.verdicts.USABLE`."""
        values, codes = self.record.channels[name].values, self.codes[name]
        corrected = self.corrected.get(name)
        if corrected is None:
            return values, codes
        there = corrected.codes != MISSING
        return np.where(there, corrected.values, values), np.where(there, corrected.codes, codes)

    def take(self, keep: Bools) -> CheckedTable:
        """The same for some of the rows."""
        if keep.all():
            return self
        rows = np.flatnonzero(keep)
        return CheckedTable(
            self.record.take(rows),
            {name: v.take(keep) for name, v in self.verdicts.items()},
            {name: code[keep] for name, code in self.codes.items()},
            self.missing,
            {name: c.take(keep) for name, c in self.corrected.items()},
        )


@dataclass(frozen=True)
class Checked:
    """A station's record with all that the chain left on it."""

    record: Record
    limits: Limits
    tables: dict[str, CheckedTable]
    not_applied: tuple[tuple[str, tuple[str, ...], str], ...]
    reach: Reach


NEAR_S = 9 * 3600.0
"""Seconds that any stage but the last two may look to each side (judgement: spikes in hourly tables look 7.5 h)."""

NETWORK_S = 12 * 3600.0
"""Seconds that the last stage but one leaves to the last, the neighbours' (judgement: hourly tables look 10 h)."""


def reach(station: Station, limits: Limits, only: Sequence[str] = ()) -> Reach:
    """The reach of the chain for a station: the sum over stages of each stage's longest, reading included. With `only`
    that of `run` with it.

    Raises
    ------
    StationFileError
        if reading alone needs more than the contract allows: the clock was set back by too much.
    """
    back, ahead = _reading(station)
    for spans, checks in zip(_plan(station, limits), _stages(only), strict=False):
        ids = {check.id for check in checks}
        back += max((span[0] for (check, _), span in spans.items() if check in ids), default=0.0)
        ahead += max((span[1] for (check, _), span in spans.items() if check in ids), default=0.0)
    return Reach(back, ahead)


def _reading(station: Station) -> tuple[float, float]:
    """Seconds back and ahead that reading looks: the total before a counter's, and the rows around a repeated stamp."""
    from qc.read.tables import counter_reach_s

    settling = _settling(station)
    counters = [counter_reach_s(station.table_of(c)) for c in station.channel if c.statistic == "counter"]
    back = settling + max(counters, default=0.0)
    if back > LONGEST_REACH_S - NEAR_S:
        what = f"reading it takes rows {back / 3600:.0f} h away, farther than Fairvane looks"
        if settling > back / 2:
            mend = "write one station file for before and one for after"
            raise StationFileError(what, where="[[clock]] is set back by too much", mend=mend)
        raise StationFileError(what, where="[[table]] with a counter", mend="give a table of a shorter interval")
    return back, settling


def _spacing(table: Table) -> float:
    """Seconds from a row to the next at most: stamps that may stray lie a little more than an interval apart."""
    return (table.interval_s or 0.0) + 2.0 * table.stray_s


Spans = dict[tuple[str, str], tuple[float, float]]
"""Seconds back and ahead by check and table."""


def _plan(station: Station, limits: Limits) -> list[Spans]:
    """For each stage the reach of those checks that keep within what the law of reach leaves to their stage.

    The last stage has all that reading and the stages before leave it, the one before it that less `NETWORK_S`. A check
    that would look farther, in a table of days say, is not applied there.
    """
    back, ahead = _reading(station)
    plan: list[Spans] = []
    for number, stage in enumerate(stages(), 1):
        left = LONGEST_REACH_S - max(back, ahead)
        if number < len(stages()):
            left = left - NETWORK_S if number == len(stages()) - 1 else min(left, NEAR_S)
        spans = {(check.id, t.id): check.reach(limits, _spacing(t)) for check in stage for t in station.table}
        plan.append({pair: span for pair, span in spans.items() if max(span) <= left})
        back += max((span[0] for span in plan[-1].values()), default=0.0)
        ahead += max((span[1] for span in plan[-1].values()), default=0.0)
    return plan


_CHANGES = (np.datetime64("1970-01-01", "us"), np.datetime64("2070-01-01", "us"))
"""Changes of a zone are looked for in between (judgement: no logger wrote a table outside)."""


def _settling(station: Station) -> float:
    """Seconds around a stamp that comes twice within which other rows tell which it is; 0 where none comes twice."""
    return _settling_of(tuple(clock_entries(station)))


@cache
def _settling_of(entries: tuple[clock.ClockEntry, ...]) -> float:
    us = np.timedelta64(1, "us")
    pieces = [(int((begin - clock.SINCE_EVER) / us), ahead_s) for begin, ahead_s in clock.timeline(entries, *_CHANGES)]
    longest, start, end = 0, 0, -1
    for (_, before), (begin, after) in pairwise(pieces):
        if after < before:  # set back: the stamps of this long before and after come twice
            shift = round((before - after) * SECOND)
            start = start if begin - shift < end else begin - shift
            end = begin + shift
            longest = max(longest, end - start)
    return longest / SECOND + clock.REACH / np.timedelta64(1, "s") if longest else 0.0


_TOO_FAR = "at this interval it would look farther than the 72 h that all checks share"


_NO_FUTURE = "stamps in the future are tested with --as-of only"


def stages() -> list[list[Check]]:
    """The checks, stage by stage."""
    checks = registry().values()
    return [[c for c in checks if c.stage == stage] for stage in sorted({c.stage for c in checks})]


def _stages(only: Sequence[str]) -> list[list[Check]]:
    """All stages; with `only` those that it takes to have these checks: of the last one they alone."""
    if not only:
        return stages()
    last = max(registry()[check].stage for check in only)
    return [[c for c in stage if c.stage < last or c.id in only] for stage in stages() if stage[0].stage <= last]


def run(
    record: Record,
    limits: Limits,
    *,
    as_of: np.datetime64 | None = None,
    progress: Progress = lambda done, total: None,
    on_found: OnFound | None = None,
    neighbours: Sequence[Neighbour] = (),
    skies: dict[str, Sky] | None = None,
    only: Sequence[str] = (),
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
    on_found : callable, optional
        called with each check, channel and what was found, before it is thinned out to the failures.
    neighbours : sequence of Neighbour
        from `qc.neighbours.read`.
    skies : dict, optional
        for each table the sun as an earlier run computed it; used where the times are the same, else put there anew.
    only : sequence of str
        ids of checks; what these leave is all that is wanted. What a full run leaves beside it lacks, the merged
        verdicts of values too.
    """
    station = record.station
    skies = {} if skies is None else skies
    missed: dict[tuple[str, str], list[str]] = {}
    tables: dict[str, CheckedTable] = {}
    plan = list(zip(_stages(only), _plan(station, limits), strict=not only))
    total = sum(len(stage) for stage, _ in plan) * max(len(record.tables), 1)
    done = 0
    for table_id, table in record.tables.items():
        site = station.station.latitude, station.station.longitude, station.station.elevation
        sky = skies[table_id] = skies.get(table_id, Sky(table.middle, *site)).at(table.middle, *site)
        channels = station.channels_of(table_id)
        verdicts = {c.name: ChannelVerdicts.empty(table.rows) for c in channels}
        has_value = {c.name: np.isfinite(table.channels[c.name].values) for c in channels}
        condemned: dict[str, Bools] = {}
        for stage, spans in plan:
            scene = Scene(station, table, sky, limits, condemned, as_of, record.logs, neighbours)
            tasks = [(c, ch) for c in stage if c.scope == "channel" for ch in channels if c.tests(ch)]
            near = [(c, ch) for c, ch in tasks if (c.id, table_id) in spans]
            for check, channel in tasks if len(near) < len(tasks) else ():
                if (check.id, table_id) not in spans:
                    missed.setdefault((check.id, _TOO_FAR), []).append(channel.name)
                    if on_found is not None:
                        on_found(check, channel, NotApplied(_TOO_FAR))
            for number, (check, channel, found) in enumerate(_found(near, scene), 1):
                if on_found is not None:
                    on_found(check, channel, found)
                if isinstance(found, NotApplied):
                    missed.setdefault((check.id, found.why), []).append(channel.name)
                else:
                    verdicts[channel.name].add(check.id, check.witness, found)
                progress(1000 * done + 1000 * len(stage) * number // len(near), 1000 * total)
            done += len(stage)
            condemned = {name: v.wrong(has_value[name]) for name, v in verdicts.items() if v.failures}
        codes = {name: v.merged(has_value[name]) for name, v in verdicts.items()}
        tables[table_id] = CheckedTable(table, verdicts, codes, gaps.missing(station, table))
    _note_absent(record, missed, as_of)
    return Checked(record, limits, tables, _listed(missed), reach(station, limits))


def _listed(missed: dict[tuple[str, str], list[str]]) -> tuple[tuple[str, tuple[str, ...], str], ...]:
    return tuple((check, tuple(dict.fromkeys(names)), why) for (check, why), names in sorted(missed.items()))


_WAITING = 4  # checks that may be under way or wait to be put down: each is about 20 bytes a row


def _found(tasks: Sequence[tuple[Check, Channel]], scene: Scene) -> Iterator[tuple[Check, Channel, Found | NotApplied]]:
    """What each check finds on each channel, in the order of the tasks."""
    results = in_order(lambda task: _run(scene, *task), tasks, _WAITING)
    for (check, channel), found in zip(tasks, results, strict=True):
        yield check, channel, found


def _run(scene: Scene, check: Check, channel: Channel) -> Found | NotApplied:
    """One check on one channel; one that crashes on odd data is not applied."""
    here = {c.quantity for c in scene.channels}
    if lacking := [quantity for quantity in check.needs if quantity not in here]:
        return NotApplied(f"no {lacking[0]} channel")
    try:
        return check.run(scene, channel)
    except Exception as error:
        _log.error("check %s broke on channel %s: %s", check.id, channel.name, error)
        _log.debug("traceback", exc_info=True)
        return NotApplied(f"it broke on these data ({type(error).__name__}); see the log")


def _note_absent(record: Record, missed: dict[tuple[str, str], list[str]], as_of: np.datetime64 | None) -> None:
    """What no channel of the station calls for, and what the command line left out."""
    quantities = {c.quantity for c in record.station.channel}
    for check in registry().values():
        if check.scope == "channel" and check.quantities != ("*",) and not quantities & set(check.quantities):
            missed.setdefault((check.id, f"no {check.quantities[0]} channel"), [])
    if as_of is None:
        names = [c.name for c in record.station.channel]
        missed.setdefault(("timing", _NO_FUTURE), []).extend(names)
    if all(t.kind == "event" for t in record.station.table):
        missed.setdefault(("gap", "an event table has no gaps"), [])
    for name in record.absent:
        missed.setdefault(("range", "its column stands in no file"), []).append(name)


def not_applied(checked: Checked) -> tuple[tuple[str, tuple[str, ...], str], ...]:
    """All that could not be applied: check, channels, why.

    A check that is meant for a channel and was applied to none of its rows is always among it.
    That is told by the rows at hand, so that a period, or pieces joined, speak of themselves.
    """
    station, record = checked.record.station, checked.record
    missed = {(check, why): list(names) for check, names, why in checked.not_applied}
    listed = {(check, name) for check, names, why in checked.not_applied for name in names if why != _NO_FUTURE}
    for channel in station.channel:
        table = checked.tables.get(station.table_of(channel).id)
        applied = 0 if table is None else int(np.bitwise_or.reduce(table.verdicts[channel.name].applied, initial=0))
        for check in registry().values():
            if check.scope != "channel" or not check.tests(channel) or (check.id, channel.name) in listed:
                continue
            if not applied >> BIT[check.id] & 1:
                no_column = table is None or channel.name in record.absent
                why = "its column stands in no file" if no_column else f"no row has {check.asks}"
                missed.setdefault((check.id, why), []).append(channel.name)
    return _listed(missed)


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
        missing = gaps.missing(checked.record.station, table.record, first, last)
        tables[table_id] = replace(table, record=record, missing=missing).take(keep)
    return Checked(checked.record, checked.limits, tables, checked.not_applied, checked.reach)


def _inside(time: Times, first: np.datetime64 | None, last: np.datetime64 | None) -> Bools:
    keep = np.ones(len(time), bool)
    if first is not None:
        keep &= time >= first
    if last is not None:
        keep &= time <= last
    return keep


def join(pieces: Sequence[Checked]) -> Checked:
    """One record from pieces of it, each checked with the reach of the chain around it and cut to its own period.

    Parameters
    ----------
    pieces : sequence of Checked
        of one station under the same limits, as `period` gives them, in any order.

    Returns
    -------
    Checked
        verdicts, failures and rows as one run over everything leaves them; its record holds the rows of the pieces.

    Raises
    ------
    ValueError
        if there is no piece, the pieces differ in station or limits, or two of them hold the same time.
    """
    if not pieces:
        raise ValueError("no pieces to join")
    first = pieces[0]
    if any(p.record.station != first.record.station or p.limits.sha256 != first.limits.sha256 for p in pieces):
        raise ValueError("the pieces differ in station or limits")
    if any(p.record.logs != first.record.logs for p in pieces):
        raise ValueError("the pieces differ in logs")
    tables: dict[str, CheckedTable] = {}
    for table in first.record.station.table:
        if found := [p.tables[table.id] for p in pieces if table.id in p.tables]:
            filled = [t for t in found if t.record.rows] or found[:1]
            tables[table.id] = _joined(sorted(filled, key=lambda t: t.record.time[:1].tolist()))
    missed: dict[tuple[str, str], list[str]] = {}
    for check, names, why in (entry for p in pieces for entry in p.not_applied):
        missed.setdefault((check, why), []).extend(names)
    record = Record(
        first.record.station,
        {name: t.record for name, t in tables.items()},
        tuple(f for p in pieces for f in p.record.files),
        tuple(dict.fromkeys(r for p in pieces for r in p.record.rejects)),
        tuple(name for name in first.record.absent if all(name in p.record.absent for p in pieces)),
        first.record.logs,
    )
    return Checked(record, first.limits, tables, _listed(missed), first.reach)


def _joined(tables: Sequence[CheckedTable]) -> CheckedTable:
    if len(tables) == 1:
        return tables[0]
    record = _joined_record([t.record for t in tables])
    if (record.time[1:] <= record.time[:-1]).any():
        raise ValueError(f"two pieces of table {record.table.id} hold the same time")
    before = np.cumsum([0, *(t.record.rows for t in tables)]).tolist()
    verdicts = {}
    for name in tables[0].verdicts:
        parts = [t.verdicts[name] for t in tables]
        verdicts[name] = ChannelVerdicts(
            np.concatenate([part.applied for part in parts]),
            np.concatenate([part.failed for part in parts]),
            _joined_failures(parts, before),
        )
    codes = {name: np.concatenate([t.codes[name] for t in tables]) for name in tables[0].codes}
    missing = np.unique(np.concatenate([t.missing for t in tables]))
    corrected = {name: _joined_corrected([t.corrected[name] for t in tables]) for name in tables[0].corrected}
    return CheckedTable(record, verdicts, codes, missing, corrected)


def _joined_corrected(parts: Sequence[Corrected]) -> Corrected:
    return Corrected(
        np.concatenate([p.values for p in parts]),
        np.concatenate([p.codes for p in parts]),
        np.concatenate([p.failed for p in parts]),
    )


def _joined_failures(parts: Sequence[ChannelVerdicts], before: Sequence[int]) -> dict[str, Failure]:
    """The failures of all parts, check by check in the order of the chain; `before`: rows before each part."""
    out = {}
    for check in (check.id for stage in stages() for check in stage):
        found = [(part.failures[check], at) for part, at in zip(parts, before, strict=False) if check in part.failures]
        if found:
            out[check] = Failure(
                check,
                found[0][0].witness,
                np.concatenate([f.rows + at for f, at in found]),
                np.concatenate([f.verdict for f, _ in found]),
                np.concatenate([f.number for f, _ in found]),
                np.concatenate([f.limit for f, _ in found]),
                _joined_notes([f.notes for f, _ in found]),
            )
    return out


def _joined_notes(parts: Sequence[Notes | None]) -> Notes | None:
    """Notes of all parts: a check either always leaves them or never does."""
    notes = [part for part in parts if part is not None]
    return np.concatenate(notes) if notes else None


def _joined_record(records: Sequence[TableRecord]) -> TableRecord:
    channels = {
        name: ReadChannel(
            np.concatenate([r.channels[name].values for r in records]),
            _or_nulls([(r.channels[name].cells, r.rows) for r in records]),
            _or_values([(r.channels[name].state, r.rows) for r in records]),
        )
        for name in records[0].channels
    }
    conflicts = [r.conflicts for r in records if r.conflicts is not None]
    return TableRecord(
        records[0].table,
        np.concatenate([r.time for r in records]),
        channels,
        np.concatenate([r.off_grid_s for r in records]),
        np.concatenate([r.conflicting for r in records]),
        np.concatenate([r.unsettled for r in records]),
        _joined_record(conflicts) if conflicts else None,
    )


def _or_nulls(parts: Iterable[tuple[pa.Array | None, int]]) -> pa.Array | None:
    import pyarrow as pa

    parts = list(parts)
    if all(cells is None for cells, _ in parts):
        return None
    return pa.concat_arrays([pa.nulls(rows, pa.string()) if cells is None else cells for cells, rows in parts])


def _or_values(parts: Iterable[tuple[NDArray[np.uint8] | None, int]]) -> NDArray[np.uint8] | None:
    parts = list(parts)
    if all(state is None for state, _ in parts):
        return None
    return np.concatenate([np.full(rows, VALUE, np.uint8) if state is None else state for state, rows in parts])
