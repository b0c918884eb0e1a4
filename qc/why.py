"""Why a value has its verdict: every check on it, its number, its limits with their sources, and the merging in words.

The chain keeps numbers of failures only, so it runs once more over the rows around the value: by the law of reach they
are all that the verdict can depend on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc import chain, units
from qc.chain import Checked
from qc.checks import Check, doc, of_difference, registry
from qc.episodes import Episode, episodes
from qc.errors import InputError, UsageError, nearest, printable
from qc.limits import Limits
from qc.neighbours import Neighbour
from qc.read.numbers import ABSENT, MARKER, TEXT, UNREADABLE, VALUE
from qc.read.source import Look, SourceLine
from qc.record import SECOND, Record, TableRecord
from qc.scene import Scene
from qc.sky import Sky
from qc.station import Channel, Station, Table
from qc.verdicts import DOUBTFUL, GOOD, MISSING, NOT_CHECKED, WORDS, WRONG, Found, NotApplied, names_of
from qc.write.text import stamp

FAILED, PASSED, NOT_APPLIED, NOT_MEANT = "failed", "passed", "not applied", "not meant"
OWN_RANGE = "the sensor's own"
BESIDE = 3  # rows shown before and after
_DAY = np.timedelta64(86_400 * SECOND, "us")
_WIDER = 8  # times the span is widened by when an episode goes on beyond it (judgement: two or three runs reach a year)
_STATES = {
    VALUE: "a number",
    MARKER: "a missing-value marker",
    UNREADABLE: "no number",
    TEXT: "text",
    ABSENT: "no such column",
}


@dataclass(frozen=True)
class Left:
    """What one check left on the value."""

    check: str
    witness: str
    verdict: int


def merged(
    has_value: bool, applied: Sequence[str], left: Sequence[Left], decided: int | None = None
) -> tuple[int, str]:
    """The law of merging for one value (contract 1): its code, and how it came about in words.

    Parameters
    ----------
    has_value : bool
    applied : list of str
        ids of the checks applied.
    left : list of Left
        what failed.
    decided : int, optional
        verdict of the latest line of the decision log that covers the value.
    """
    if not has_value:
        told = _and(
            [f"{one.check} ({doc(one.check)['Title'].rstrip('.').lower()})" for one in left if one.verdict == MISSING]
        )
        return MISSING, f"there is no value{f': {told}' if told else ''}"
    if decided is not None:
        return decided, "the latest line of the decision log that covers it says so, whatever checks left"
    left = [one for one in left if one.verdict <= WRONG]
    worst = max((one.verdict for one in left), default=GOOD)
    named = [f"{one.check} ({one.witness})" for one in left if one.verdict == worst]
    if worst == DOUBTFUL:
        witnesses = {one.witness for one in left if one.verdict == DOUBTFUL}
        count = _count(len(named), "doubt")
        if len(witnesses) > 1:
            return WRONG, f"{count} from different witnesses: {_and(named)}"
        return DOUBTFUL, count + (
            f" from one witness, and one witness is no proof: {_and(named)}" if len(named) > 1 else f": {named[0]}"
        )
    if left:
        kind = "finding it impossible" if worst == WRONG else "finding a contradiction"
        return worst, f"{_count(len(named), 'check')} {kind}: {_and(named)}"
    outside = [check for check in applied if registry()[check].family != "record"]
    if outside:
        return GOOD, f"{_count(len(applied), 'check')} applied, none failed"
    return NOT_CHECKED, "no check outside the record family could be applied"


def _count(number: int, what: str) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six")
    return f"{words[number] if number < len(words) else number} {what}{'' if number == 1 else 's'}"


def _and(words: Sequence[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def channel_of(station: Station, name: str) -> Channel:
    """A channel by its name; UsageError with the nearest known where there is none."""
    names = [c.name for c in station.channel]
    if name not in names:
        told = f"the station has no channel '{printable(name, 41)}'{nearest(name, names)}"
        raise UsageError(told, where="--channel", mend=f"choose from {', '.join(names)}")
    return station.channel[names.index(name)]


def row_at(table: TableRecord, moments: Sequence[np.datetime64]) -> int:
    """The row of the first of some moments that is a stamp; UsageError with the nearest stamps where none is."""
    time = table.time
    for moment in moments:
        row = int(np.searchsorted(time, moment))
        if row < len(time) and time[row] == moment:
            return row
    row = int(np.searchsorted(time, moments[0]))
    beside = [stamp(t) for t in time[max(row - 1, 0) : row + 1]]
    mend = f"the nearest are {' and '.join(beside)}" if len(beside) > 1 else f"the nearest is {beside[0]}"
    raise UsageError(f"no row is stamped {stamp(moments[0])}", where="--at", mend=mend)


def why(
    record: Record,
    limits: Limits,
    channel: Channel,
    moments: Sequence[np.datetime64],
    *,
    as_of: np.datetime64 | None = None,
    look: Look | None = None,
    neighbours: Sequence[Neighbour] = (),
) -> dict[str, Any]:
    """All that is known of one value, as one document.

    Parameters
    ----------
    record : Record
    limits : Limits
    channel : Channel
    moments : list of datetime64[us] UTC
        what the time asked for may mean: one, or two in an hour that the clock showed twice.
    as_of : datetime64[us] UTC, optional
        as for `check`.
    look : Look, optional
        what was noted while the files were read: the lines that have this stamp.

    Raises
    ------
    InputError
        if the channel's table was not read.
    UsageError
        if no row has that stamp.
    """
    station = record.station
    table = station.table_of(channel)
    if table.id not in record.tables:
        raise InputError(f"no file holds table {table.id}, in which {channel.name} stands", mend="give its files")
    whole = record.tables[table.id]
    row = row_at(whole, moments)
    moment = whole.time[row]
    other = [m for m in moments if m != moment and m in whole.time]
    lines = look.lines(moment) if look is not None else []
    checked, found, told = _run(record, limits, channel, row, as_of, neighbours)
    part = checked.tables[table.id]
    here = int(np.searchsorted(part.record.time, moment))
    site = station.station
    alone = part.record.take(slice(here, here + 1))
    scene = Scene(station, alone, Sky(alone.middle, site.latitude, site.longitude, site.elevation), limits, {}, as_of)
    checks = [_check(scene, here, channel, c, found.get(c.id), told) for c in registry().values()]
    # a check of that name is applied where a line of the decision log covers the value, and leaves what it decided
    decision = next((c for c in checks if c["check"] == "decision" and c["outcome"] in (FAILED, PASSED)), None)
    decided = None if decision is None else int(decision["verdict"])
    _condemned(checks, bool(np.isfinite(whole.channels[channel.name].values[row])), decided)
    left = [Left(c["check"], c["witness"], c["verdict"]) for c in checks if c["outcome"] == FAILED]
    applied = [c["check"] for c in checks if c["outcome"] in (FAILED, PASSED)]
    read = whole.channels[channel.name]
    value = float(read.values[row])
    code = int(part.codes[channel.name][here])
    return {
        "station": station.id,
        "channel": channel.name,
        "quantity": channel.quantity,
        "unit": channel.output_unit,
        "table": table.id,
        "time": stamp(moment),
        "other_time": stamp(other[0]) if other else None,
        "stamps": table.side,
        "value": _plain(value),
        "verdict": code,
        "word": WORDS[code],
        "how": merged(bool(np.isfinite(value)), applied, left, decided)[1],
        "cell": {
            "is": _STATES[VALUE if read.state is None else int(read.state[row])],
            "text": _cell(whole, channel, row, lines),
        },
        "lines": [_line(station, whole, row, line) for line in lines],
        "conversion": _conversion(station, table, channel, moment),
        "around": _around(part, channel, here),
        "decision": None if decision is None else decision["episode"],
        "checks": checks,
        "reach": {"back_s": checked.reach.back_s, "ahead_s": checked.reach.ahead_s},
        "rules_sha256": limits.sha256,
    }


def _run(
    record: Record,
    limits: Limits,
    channel: Channel,
    row: int,
    as_of: np.datetime64 | None,
    neighbours: Sequence[Neighbour],
) -> tuple[Checked, dict[str, Found | NotApplied], dict[str, Episode]]:
    """The chain over the rows around a value.

    Gives the verdicts, what each check found on the channel, and the value's episodes by check. The span is widened
    until all these episodes end within it.
    """
    table = record.tables[record.station.table_of(channel).id]
    time, moment, last = table.time, table.time[row], table.rows - 1
    reach = chain.reach(record.station, limits)
    back, ahead = (np.timedelta64(round(s * SECOND), "us") for s in (reach.back_s, reach.ahead_s))
    span = max(_DAY, moment - time[max(row - BESIDE, 0)], time[min(row + BESIDE, last)] - moment)
    while True:
        found: dict[str, Found | NotApplied] = {}

        def keep(
            check: Check, of: Channel, what: Found | NotApplied, found: dict[str, Found | NotApplied] = found
        ) -> None:
            if of.name == channel.name:
                found[check.id] = what

        part = replace(record, tables={table.table.id: _between(table, moment - span - back, moment + span + ahead)})
        checked = chain.run(part, limits, as_of=as_of, on_found=keep, neighbours=neighbours)
        settled = chain.period(checked, moment - span, moment + span).tables[table.table.id]
        told = {
            e.check: e
            for e in episodes(record.station, settled)
            if e.channel == channel.name and e.start <= moment <= e.end
        }
        first, final = settled.record.time[0], settled.record.time[-1]
        cut_off = any(
            (e.start == first and first > time[0]) or (e.end == final and final < time[-1]) for e in told.values()
        )
        if not cut_off:
            return checked, found, told
        span = span * _WIDER


def _between(table: TableRecord, first: np.datetime64, last: np.datetime64) -> TableRecord:
    return table.take(
        slice(int(np.searchsorted(table.time, first)), int(np.searchsorted(table.time, last, side="right")))
    )


def _check(
    scene: Scene,
    row: int,
    channel: Channel,
    check: Check,
    found: Found | NotApplied | None,
    told: Mapping[str, Episode],
) -> dict[str, Any]:
    """One check on the value; `scene` holds its row alone, what was found has it at `row`."""
    out: dict[str, Any] = {
        "check": check.id,
        "family": check.family,
        "stage": check.stage,
        "witness": check.witness,
        "outcome": NOT_APPLIED,
        "verdict": None,
        "why": None,
        "measure": check.number,
        "number": None,
        "limit": None,
        "unit": _number_unit(check, channel),
        "episode": None,
        "limits": [],
    }
    if found is None:
        out |= {
            "outcome": NOT_MEANT,
            "why": "about rows, not values" if check.scope == "table" else f"not for {channel.quantity}",
        }
    elif isinstance(found, NotApplied):
        out["why"] = found.why
    elif not found.applied[row] and not found.verdict[row]:
        out["why"] = f"it needs {check.asks}"
    else:
        verdict, number, limit = int(found.verdict[row]), float(found.number[row]), float(found.limit[row])
        out |= {
            "outcome": FAILED if verdict else PASSED,
            "verdict": verdict,
            "number": _plain(number),
            "limit": _plain(limit),
            "limits": _limits(scene, channel, check, limit),
        }
        if check.id in told:
            out["episode"] = _episode(told[check.id])
    return out


def _condemned(checks: Sequence[dict[str, Any]], has_value: bool, decided: int | None) -> None:
    """Tell where a check was not applied because there is no value, or because an earlier stage called it wrong."""
    for one in checks:
        if one["outcome"] != NOT_APPLIED or not str(one["why"]).startswith("it needs "):
            continue
        before = [
            Left(c["check"], c["witness"], c["verdict"])
            for c in checks
            if c["outcome"] == FAILED and c["stage"] < one["stage"]
        ]
        if not has_value:
            one["why"] = "there is no value"
        elif merged(True, [], before, decided)[0] == WRONG:
            one["why"] = "an earlier stage called the value wrong, so it is missing here"


def _number_unit(check: Check, channel: Channel) -> str:
    return of_difference(channel.output_unit) if check.unit == "difference" else check.unit or channel.output_unit


def _plain(number: float) -> float | None:
    return number if np.isfinite(number) else None


def _limits(scene: Scene, channel: Channel, check: Check, against: float) -> list[dict[str, Any]]:
    """The limits that a channel is tested by, at a row; `decides` where it is the one compared with."""
    found = [
        {
            "name": limit.name,
            "value": limit.at(scene.interval_s),
            "unit": limit.unit,
            "verdict": limit.verdict,
            "source": limit.source,
            "standing": limit.standing,
            "note": limit.note or None,
            "origin": limit.origin,
            "reason": limit.reason or None,
            "decides": limit.verdict is not None and limit.at(scene.interval_s) == against,
        }
        for limit in scene.limits.values()
        if limit.check == check.id and check.concerns(limit, scene, channel)
    ]
    for end, bound in zip(("low", "high"), scene.own_range(channel) if check.id == "range" else (), strict=False):
        if np.isfinite(bound[0]):
            declared: dict[str, Any] = {
                "name": f"{check.id}.{OWN_RANGE} {end}",
                "value": float(bound[0]),
                "unit": channel.output_unit,
                "verdict": WRONG,
                "source": "station file",
                "standing": "declared",
                "note": None,
                "origin": "station file",
                "reason": None,
                "decides": bool(bound[0] == against),
            }
            found.append(declared)
    return found


def _episode(told: Episode) -> dict[str, Any]:
    return {
        "from": stamp(told.start),
        "to": stamp(told.end),
        "values": told.values,
        "worst": _plain(told.worst),
        "limit": _plain(told.limit),
        "message": told.message,
    }


def _around(part: chain.CheckedTable, channel: Channel, here: int) -> list[dict[str, Any]]:
    """The value, and the rows before and after it, with their verdicts."""
    values, codes = part.record.channels[channel.name].values, part.codes[channel.name]
    return [
        {
            "time": stamp(part.record.time[row]),
            "value": _plain(float(values[row])),
            "verdict": int(codes[row]),
            "word": WORDS[int(codes[row])],
            "checks": names_of(int(part.verdicts[channel.name].failed[row])).split(";")
            if part.verdicts[channel.name].failed[row]
            else [],
        }
        for row in range(max(here - BESIDE, 0), min(here + BESIDE + 1, part.record.rows))
    ]


def _cell(table: TableRecord, channel: Channel, row: int, lines: Sequence[SourceLine]) -> str | None:
    """The cell as it stood: what the record keeps of it, else what stands in the line."""
    cells = table.channels[channel.name].cells
    kept = None if cells is None else cells[row].as_py()
    return kept if kept is not None else next((line.cell for line in lines if line.cell is not None), None)


def _line(station: Station, table: TableRecord, row: int, line: SourceLine) -> dict[str, Any]:
    return {
        "path": line.path.encode("utf-8", "replace").decode("utf-8"),
        "line": line.line,
        "column": line.column,
        "cell": line.cell,
        "text": line.text,
        "stands": _stands(station, table, row, line),
    }


def _stands(station: Station, table: TableRecord, row: int, line: SourceLine) -> bool:
    """Whether a line has the values of the row that stands; a line in conflict with it has others."""
    for channel in station.channels_of(table.table):
        if channel.statistic == "counter" or channel.name not in line.values:
            continue
        value = _converted(station, table.table, channel, line.values[channel.name], table.time[row])
        if not np.array_equal(value, table.channels[channel.name].values[row], equal_nan=True):
            return False
    return True


def _converted(
    station: Station, table: Table, channel: Channel, value: float, moment: np.datetime64
) -> NDArray[np.float64]:
    out = units.apply(
        np.array(value + 0.0), units.conversion(channel.quantity, _spelt(channel, moment), table.interval_s)
    )
    if channel.north == "magnetic" and channel.declination is not None:
        out = np.mod(out + channel.declination, 360.0)
    return out


def _spelt(channel: Channel, moment: np.datetime64) -> str:
    """The unit of the file at a moment."""
    spelt = [d.unit for d in channel.deployment if d.unit is not None and _naive(d.from_) <= moment]
    return spelt[-1] if spelt else channel.unit


def _naive(moment: Any) -> np.datetime64:
    from datetime import UTC

    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")


def _conversion(station: Station, table: Table, channel: Channel, moment: np.datetime64) -> dict[str, Any]:
    """How the cell became the value: factor and offset from the unit of the file, and what else is done to it."""
    unit = _spelt(channel, moment)
    conversion = units.conversion(channel.quantity, unit, table.interval_s)
    return {
        "from": unit,
        "to": channel.output_unit,
        "factor": conversion.factor,
        "offset": conversion.offset,
        "as_it_stands": conversion.identity and channel.statistic != "counter" and channel.north != "magnetic",
        "counter": channel.statistic == "counter",
        "declination": channel.declination if channel.north == "magnetic" else None,
    }
