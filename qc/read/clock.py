"""From the stamps of a logger's own clock to UTC, by the history of that clock.

A clock shows UTC plus an offset that is constant for a while: until summer time begins or ends, or somebody sets it.
Where the offset grows, the clock skips stamps; where it shrinks, it shows a stretch of stamps again. Which pass a
repeated stamp belongs to is settled file by file: by the line counter, else by the order of the lines. What neither
proves stays ambiguous, and says so.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from qc.errors import StationFileError, nearest, printable

Times = NDArray[np.datetime64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Timeline = list[tuple[np.datetime64, float]]

SINCE_EVER = np.datetime64("0001-01-01T00:00:00", "us")  # begin of the first piece of every timeline
WIDEST_OFFSET_S = 14 * 3600  # Pacific/Kiritimati, UTC+14:00: IANA time-zone data, from memory
# How far around a repeated stretch rows may bear on it.
# Judgement: half a day to each side tells the direction of a file
# and the count; more would leave the checks too little of the 72 h that the contract allows to all of them together.
REACH = np.timedelta64(12, "h")
_MARGIN = timedelta(days=2)  # judgement: a zone's change acts at most a day from where local time and UTC differ
_SECOND = 1_000_000
_NAT = np.iinfo(np.int64).min


@dataclass(frozen=True)
class ClockEntry:
    """One entry of the clock's history: what it shows from `from_utc` on (None: since ever).

    Either `utc_offset_s` (seconds east of UTC) or `time_zone` (IANA name); `minutes_ahead`: known error, positive
    where the clock is ahead.
    """

    from_utc: np.datetime64 | None
    utc_offset_s: float | None
    time_zone: str | None
    minutes_ahead: float = 0.0


@dataclass(frozen=True)
class Utc:
    """Rows in UTC, all of shape (rows,).

    `time`: datetime64[us], NaT where unreadable or skipped; the first candidate where ambiguous. `ambiguous`: shown
    twice, and not settled. `other`: the second candidate where ambiguous, else NaT. `skipped`: never shown.
    """

    time: Times
    ambiguous: Bools
    other: Times
    skipped: Bools


# --- offsets and zones ------------------------------------------------------------------------------------------


def parse_offset(text: str, *, where: str | None = None) -> float:
    """Seconds east of UTC of `+05:30`, `-0330`, `+01` or `Z`; at most 14 h. Raises StationFileError."""
    match = re.fullmatch(r"([+-])([0-9]{2})(?::?([0-5][0-9]))?", text.strip()) if isinstance(text, str) else None
    if match:
        size = int(match[2]) * 3600 + int(match[3] or 0) * 60
        if size <= WIDEST_OFFSET_S:
            return float(-size if match[1] == "-" else size)
    elif isinstance(text, str) and text.strip() in ("Z", "UTC"):
        return 0.0
    raise StationFileError(
        f"{printable(repr(text))} is no offset from UTC", where=where, mend='write it as "+05:30", at most 14 hours'
    )


def zone_data_version() -> str:
    """Release of the tzdata package, whose data decide when summer time begins and ends."""
    from importlib.metadata import version

    return version("tzdata")


@functools.cache
def zone_names() -> frozenset[str]:
    """All names of zones that are known."""
    from importlib.resources import files

    return frozenset((files("tzdata") / "zones").read_text(encoding="utf-8").split())


@functools.cache
def _zone(name: str) -> ZoneInfo:
    from importlib.resources import files

    # not ZoneInfo(name): that prefers the machine's own data, which may be of another year
    with files("tzdata").joinpath("zoneinfo", *name.split("/")).open("rb") as file:
        return ZoneInfo.from_file(file, key=name)


def zone(name: str, *, where: str | None = None) -> ZoneInfo:
    """The zone from the tzdata package, whatever the machine holds. Raises StationFileError for an unknown name."""
    if name not in zone_names():  # a name from the list cannot lead out of the folder
        raise StationFileError(
            f"unknown time zone {printable(repr(name))}{nearest(str(name), zone_names())}",
            where=where,
            mend='give a name of the IANA time-zone data, as "Europe/London", or a fixed utc_offset',
        )
    return _zone(name)


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def _offset_at(zone: ZoneInfo, second: int) -> float:
    offset = (_EPOCH + timedelta(seconds=second)).astimezone(zone).utcoffset()
    assert offset is not None  # ZoneInfo always knows it
    return offset.total_seconds()


def _zone_pieces(zone: ZoneInfo, first: int, last: int) -> Iterator[tuple[int, float]]:
    """Begin (seconds since 1970) and offset of each piece of the zone from `first` to `last`; the first at `first`."""
    here, offset = first, _offset_at(zone, first)
    yield first, offset
    while here < last:
        there = min(here + 86400, last)
        if _offset_at(zone, there) != offset:
            low, high = here, there
            while high - low > 1:
                middle = (low + high) // 2
                low, high = (middle, high) if _offset_at(zone, middle) == offset else (low, middle)
            there, offset = high, _offset_at(zone, high)
            yield there, offset
        here = there


# --- the timeline -----------------------------------------------------------------------------------------------


def _refuse_bad(entries: Sequence[ClockEntry]) -> None:
    """Raise StationFileError where the history makes no sense."""
    if not entries:
        raise StationFileError(
            "the station has no clock", where="[[clock]]", mend="give one entry with utc_offset or time_zone"
        )
    for number, entry in enumerate(entries, 1):
        where = f"[[clock]] entry {number}"
        if (entry.utc_offset_s is None) == (entry.time_zone is None):
            raise StationFileError("needs one of utc_offset and time_zone", where=where, mend="give exactly one")
        if not math.isfinite(entry.minutes_ahead) or not math.isfinite(entry.utc_offset_s or 0.0):
            raise StationFileError(
                "holds an offset that is no number", where=where, mend="give minutes_ahead as a number"
            )
        if (entry.from_utc is None or bool(np.isnat(entry.from_utc))) != (number == 1):
            mend = "leave it out in the first entry, and only there"
            raise StationFileError("from is missing, or not wanted", where=where, mend=mend)
        if number > 2 and entry.from_utc <= entries[number - 2].from_utc:  # type: ignore[operator]
            raise StationFileError("does not begin after the entry before", where=where, mend="put them in time order")


def _micros(time: np.datetime64) -> int:
    return int(time.astype("datetime64[us]").astype(np.int64))


def timeline(entries: Sequence[ClockEntry], first_utc: np.datetime64, last_utc: np.datetime64) -> Timeline:
    """What the clock shows: (begin in UTC, seconds that it is ahead of UTC) of each piece, in time order.

    The first piece begins SINCE_EVER, the last has no end. Changes of a zone are exact from two days before
    `first_utc` to two days after `last_utc`; beyond, the first and the last offset go on. Raises StationFileError.
    """
    _refuse_bad(entries)
    margin = int(_MARGIN.total_seconds())
    first = _micros(first_utc) // _SECOND - margin
    last = -(-_micros(last_utc) // _SECOND) + margin
    pieces: list[tuple[int, float]] = []
    begins = [_micros(e.from_utc if n and e.from_utc is not None else SINCE_EVER) for n, e in enumerate(entries)]
    for number, (entry, begin) in enumerate(zip(entries, begins, strict=True)):
        ahead = entry.minutes_ahead * 60.0
        if entry.time_zone is None:
            pieces.append((begin, float(entry.utc_offset_s or 0.0) + ahead))
            continue
        rules = zone(entry.time_zone, where=f"[[clock]] entry {number + 1}")
        end = begins[number + 1] if number + 1 < len(begins) else None
        stop = last if end is None else min(last, end // _SECOND)
        start = max(min(first, stop), begin // _SECOND)
        for n, (second, offset) in enumerate(_zone_pieces(rules, start, max(start, stop))):
            if n == 0:
                pieces.append((begin, offset + ahead))
            elif end is None or second * _SECOND < end:
                pieces.append((second * _SECOND, offset + ahead))
    merged = [piece for n, piece in enumerate(pieces) if n == 0 or piece[1] != pieces[n - 1][1]]
    return [(np.datetime64(begin, "us"), offset) for begin, offset in merged]


def timeline_for(entries: Sequence[ClockEntry], local: Times) -> Timeline:
    """The timeline that covers these stamps of the logger clock, whatever its offsets. Raises StationFileError."""
    _refuse_bad(entries)
    seen = local[~np.isnat(local)].astype("datetime64[us]")
    if not len(seen):
        seen = np.array(["2000-01-01"], "datetime64[us]")
    widest = max(abs(entry.utc_offset_s or 0.0) + abs(entry.minutes_ahead) * 60.0 for entry in entries)
    room = np.timedelta64(math.ceil(widest + WIDEST_OFFSET_S), "s")
    return timeline(entries, seen.min() - room, seen.max() + room)


def _arrays(timeline: Timeline) -> tuple[Ints, Ints]:
    """Begins and offsets in microseconds."""
    begins = np.array([_micros(begin) for begin, _ in timeline], np.int64)
    return begins, np.array([round(offset * _SECOND) for _, offset in timeline], np.int64)


def to_logger_clock(utc: Times, timeline: Timeline) -> Times:
    """What the logger clock shows at these moments; NaT stays NaT."""
    begins, offsets = _arrays(timeline)
    moments = utc.astype("datetime64[us]").astype(np.int64)
    piece = np.maximum(np.searchsorted(begins, moments, side="right") - 1, 0)
    return np.where(moments == _NAT, _NAT, moments + offsets[piece]).view("datetime64[us]")


# --- stamps to UTC ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Stretch:
    """A stretch of stamps that the clock shows more than once, or some of them."""

    first_cell: int
    last_cell: int
    begin: int  # UTC, microseconds: the earliest moment of any of its stamps
    end: int  # the latest, exclusive
    shift: int  # by how much the clock went back; the least, where it did so more than once
    first_pass: int
    passes: int


class _Cells:
    """Local time cut where the set of possible pieces changes: stamps of one cell have the same candidates."""

    def __init__(self, timeline: Timeline) -> None:
        begins, offsets = _arrays(timeline)
        ends = np.append(begins[1:], np.iinfo(np.int64).max)
        shown_from, shown_to = begins + offsets, np.append(begins[1:] + offsets[:-1], np.iinfo(np.int64).max)
        self.offsets = offsets
        # a piece belongs to the next pass where the clock was set back at its begin
        self.pass_of = np.concatenate(([0], np.cumsum(np.diff(offsets) < 0)))
        self.edges = np.unique(np.concatenate((shown_from, shown_to[:-1])))
        self.pieces = [np.flatnonzero((shown_from <= edge) & (edge < shown_to)) for edge in self.edges]
        self.count = np.array([len(pieces) for pieces in self.pieces])
        self.first = np.array([pieces[0] if len(pieces) else 0 for pieces in self.pieces])
        self.second = np.array([pieces[1] if len(pieces) > 1 else 0 for pieces in self.pieces])
        self.stretches = self._stretches(begins, ends)

    def _stretches(self, begins: Ints, ends: Ints) -> list[_Stretch]:
        many = np.concatenate(([False], self.count > 1, [False]))
        turns = np.flatnonzero(many[1:] != many[:-1])
        found: list[_Stretch] = []
        for a, b in zip(turns[::2].tolist(), turns[1::2].tolist(), strict=True):
            stretch = self._stretch(a, b, begins, ends)
            # passes that lie in one another's time are one matter, with the stamps between them that come once
            if found and stretch.begin < found[-1].end:
                stretch = self._stretch(found.pop().first_cell, b, begins, ends)
            found.append(stretch)
        return found

    def _stretch(self, a: int, b: int, begins: Ints, ends: Ints) -> _Stretch:
        """The stretch of the cells from a to b, b exclusive."""
        pieces = np.unique(np.concatenate(self.pieces[a:b]))
        low, high = self.edges[a], self.edges[b]  # the last cell has one piece, so b is an edge
        begin = max(int(low - self.offsets[pieces[0]]), int(begins[pieces[0]]))
        end = min(int(high - self.offsets[pieces[-1]]), int(ends[pieces[-1]]))
        first_pass, last_pass = int(self.pass_of[pieces[0]]), int(self.pass_of[pieces[-1]])
        back = -np.diff(self.offsets[pieces[0] : pieces[-1] + 1])
        shift = int(back[back > 0].min())
        return _Stretch(a, b - 1, begin, end, shift, first_pass, last_pass - first_pass + 1)


def to_utc(
    local: Times, line_counter: NDArray[np.float64] | None, timeline: Timeline, interval_s: float | None = None
) -> Utc:
    """UTC of the rows of ONE file, in the order of its lines.

    local: shape (rows,), stamps of the logger clock, NaT where unreadable. line_counter: same shape, NaN where
    missing; counts up by one a row in the order of writing. interval_s: seconds between rows, where the table has it.
    A row depends on no row farther than REACH from the repeated stretch it lies in.
    """
    stamps = local.astype("datetime64[us]").astype(np.int64)
    cells = _Cells(timeline)
    cell = np.searchsorted(cells.edges, stamps, side="right") - 1
    readable = stamps != _NAT
    cell[cell < 0] = 0  # before SINCE_EVER, and NaT
    count = np.where(readable, cells.count[cell], 0)
    piece = cells.first[cell]
    time = np.where(count > 0, stamps - cells.offsets[piece], _NAT)
    other = np.full(len(stamps), _NAT)
    ambiguous = count > 1
    if ambiguous.any():
        reach = int(REACH / np.timedelta64(1, "us"))
        counter = None if line_counter is None else np.asarray(line_counter, np.float64)
        for stretch in cells.stretches:
            inside = (count > 0) & (cell >= stretch.first_cell) & (cell <= stretch.last_cell)
            if (inside & ambiguous).any():
                near = (count == 1) & (time >= stretch.begin - reach) & (time < stretch.end + reach)
                rows = _Rows(stamps, counter, np.flatnonzero(inside), near, time)
                chosen = _settle(rows, cells, cell, stretch, interval_s)
                settled = rows.inside[chosen >= 0]
                time[settled] = stamps[settled] - cells.offsets[chosen[chosen >= 0]]
                ambiguous[settled] = False
        other[ambiguous] = stamps[ambiguous] - cells.offsets[cells.second[cell[ambiguous]]]
    return Utc(time.view("datetime64[us]"), ambiguous, other.view("datetime64[us]"), readable & (count == 0))


@dataclass(frozen=True)
class _Rows:
    """All rows of the file, and which of them matter for one repeated stretch. Times are integers, microseconds."""

    stamps: Ints
    counter: NDArray[np.float64] | None
    inside: Ints  # indices of the rows inside the stretch
    near: Bools  # rows around it, within REACH, with one candidate
    time: Ints  # UTC, meant for the rows near


def _settle(rows: _Rows, cells: _Cells, cell: Ints, stretch: _Stretch, interval_s: float | None) -> Ints:
    """The piece of the timeline that each row inside the stretch belongs to, -1 where it stays ambiguous."""
    stamps = rows.stamps[rows.inside]
    around = np.concatenate((stamps, rows.stamps[rows.near]))
    interval = round(interval_s * _SECOND) if interval_s else _usual_step(around)
    row_cell = cell[rows.inside]
    chosen = np.full(len(row_cell), -1)
    table = np.full((stretch.last_cell - stretch.first_cell + 1, stretch.passes), -1)  # the piece of a cell and a pass
    for c, which in np.ndindex(*table.shape):
        pieces = cells.pieces[stretch.first_cell + c]
        fits = pieces[cells.pass_of[pieces] == stretch.first_pass + which]
        if len(fits) == 1:
            table[c, which] = fits[0]

    def choose(members: NDArray[np.intp], passes: Ints) -> None:
        """Give each member the candidate of its pass: all of them or, where that contradicts anything, none."""
        picked = table[row_cell[members] - stretch.first_cell, passes]
        if ((picked >= 0) & ((chosen[members] < 0) | (chosen[members] == picked))).all():
            chosen[members] = picked

    if rows.counter is not None:
        counted = _Counted(rows, rows.counter, stretch)
        same_line = np.diff(counted.counter[counted.order]) == 0
        passes = _passes(stamps[counted.order], same_line, stretch, interval)
        if passes is not None:
            choose(counted.order, passes)
        if interval_s:
            for member in np.flatnonzero((chosen < 0) & counted.placed):
                pieces = cells.pieces[row_cell[member]]
                times = stamps[member] - cells.offsets[pieces]
                proven = counted.by_distance(int(member), times, interval, stretch)
                if proven is not None:
                    chosen[member] = pieces[proven]
        if counted.placed.all():
            return chosen  # the counter knows better than the order of lines, also where it settles nothing
    for visit, direction in _visits(rows):
        members = np.searchsorted(rows.inside, visit)[::direction]
        passes = _passes(stamps[members], np.zeros(len(members) - 1, bool), stretch, interval)
        if passes is not None:
            choose(members, passes)
    return chosen


def _usual_step(stamps: Ints) -> int:
    """The median step between distinct stamps; 0 where there is none."""
    steps = np.diff(np.unique(stamps))
    return int(np.median(steps)) if len(steps) else 0


def _passes(stamps: Ints, same_line: Bools, stretch: _Stretch, interval: int) -> Ints | None:
    """The pass (0, 1 ...) of each stamp of a sequence in order of time; None where its jumps back do not settle it."""
    steps = np.diff(stamps)
    back = steps < 0
    if not back.any() and stretch.shift == interval:
        back = (steps == 0) & ~same_line  # hourly rows: the clock went back by one interval, so a stamp comes twice
    if not len(stamps) or back.sum() != stretch.passes - 1:
        return None
    return np.concatenate(([0], np.cumsum(back)))


class _Counted:
    """The rows inside a stretch by their line counter, between the nearest rows that are sure.

    `placed`: rows whose counter fits between these; `order`: their positions in order of writing.
    """

    def __init__(self, rows: _Rows, counter: NDArray[np.float64], stretch: _Stretch) -> None:
        self.counter = counter[rows.inside]
        sure = rows.near & np.isfinite(counter)
        before, after = sure & (rows.time < stretch.begin), sure & (rows.time >= stretch.end)
        self.before = self.after = None
        low, high = -np.inf, np.inf
        if before.any():
            time = rows.time[before].max()
            low = counter[before & (rows.time == time)].max()
            self.before = int(time), float(low)
        if after.any():
            time = rows.time[after].min()
            high = counter[after & (rows.time == time)].min()
            self.after = int(time), float(high)
        self.restarted = bool(low >= high)
        early, late = self.counter > low, self.counter < high  # NaN is neither
        if self.restarted:  # the count began anew in between: some rows go on from before, the others lead to after
            self.is_late, self.placed = late, early | late
        else:
            self.is_late, self.placed = np.zeros(len(self.counter), bool), early & late
        placed = np.flatnonzero(self.placed)
        self.order = placed[np.lexsort((self.counter[placed], self.is_late[placed]))]

    def by_distance(self, member: int, times: Ints, interval: int, stretch: _Stretch) -> int | None:
        """Which of the candidate times the count of rows to the nearest sure rows proves; None if neither.

        Rows are at least one interval apart, exactly one while nothing was lost: the count gives a bound, and a match.
        """
        slack = min(interval, stretch.shift) / 2  # judgement: nearer to this candidate than to the other
        possible = np.ones(len(times), bool)
        exact = np.zeros(len(times), bool)
        if self.before is not None and not (self.restarted and self.is_late[member]):
            late_by = times - self.before[0] - (self.counter[member] - self.before[1]) * interval
            possible &= late_by > -slack
            exact |= np.abs(late_by) < slack
        if self.after is not None and not (self.restarted and not self.is_late[member]):
            early_by = self.after[0] - (self.after[1] - self.counter[member]) * interval - times
            possible &= early_by > -slack
            exact |= np.abs(early_by) < slack
        for fits in (possible, possible & exact):
            if fits.sum() == 1:
                return int(np.argmax(fits))
        return None


def _visits(rows: _Rows) -> Iterator[tuple[Ints, int]]:
    """Unbroken runs of lines inside the stretch, with the direction of the file there: 1 oldest first, -1 newest first.

    Runs whose direction is not plain, as in a shuffled file, are left out.
    """
    concerned = np.concatenate((rows.inside, np.flatnonzero(rows.near)))
    first = concerned.min()  # the file may be years long, so look only where such rows stand
    lines = first + np.flatnonzero(rows.stamps[first : concerned.max() + 1] != _NAT)
    inside = np.zeros(len(lines), bool)
    inside[np.searchsorted(lines, rows.inside)] = True
    close = inside | rows.near[lines]
    steps = np.sign(np.diff(rows.stamps[lines]))
    outer = np.where(inside[1:] & inside[:-1], 0, steps)
    up, down = (np.concatenate(([0], np.cumsum(outer == sign))) for sign in (1, -1))
    turns = np.flatnonzero(np.diff(np.concatenate(([False], inside, [False])).astype(np.int8)))
    far = np.flatnonzero(~close)
    for a, b in zip(turns[::2], turns[1::2], strict=True):
        if b - a < 2:
            continue
        k = np.searchsorted(far, a)
        start, stop = (far[k - 1] + 1 if k else 0), (far[k] if k < len(far) else len(lines)) - 1
        ahead, behind = up[stop] - up[start], down[stop] - down[start]
        vote = steps[max(a - 1, start) : min(b, stop)].sum() or ahead - behind
        # judgement: three steps along for one against; blocks out of order have few, a shuffled file has as many
        if vote > 0 and 3 * behind <= ahead:
            yield lines[a:b], 1
        elif vote < 0 and 3 * ahead <= behind:
            yield lines[a:b], -1
