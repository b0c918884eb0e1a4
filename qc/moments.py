"""Times as people write them, on the command line and in logs: with a zone, or on the logger clock."""

from __future__ import annotations

import numpy as np

from qc.errors import UsageError, printable
from qc.read import clock
from qc.read.stamps import FIRST_YEAR, LAST_YEAR
from qc.station import Clock, Station


def clock_entries(station: Station) -> list[clock.ClockEntry]:
    """The clock history in the form that `qc.read.clock` takes."""
    return [_entry(e) for e in station.clock]


def _entry(entry: Clock) -> clock.ClockEntry:
    offset = None if entry.utc_offset is None else clock.parse_offset(entry.utc_offset)
    return clock.ClockEntry(_utc(entry), offset, entry.time_zone, entry.minutes_ahead)


def _utc(entry: Clock) -> np.datetime64 | None:
    from datetime import UTC

    return None if entry.from_ is None else np.datetime64(entry.from_.astimezone(UTC).replace(tzinfo=None), "us")


def utc_text(time: np.datetime64) -> str:
    """ISO 8601 in UTC; a fraction of a second only where there is one."""
    text = np.datetime_as_string(time.astype("datetime64[us]"), unit="us")
    return str(text).rstrip("0").rstrip(".") + "Z"


def moment(text: str, station: Station, *, last: bool = False, what: str = "time") -> np.datetime64:
    """UTC of a time as people write it: with a zone, or on the logger clock.

    A date alone is its first moment, or with `last` its last.

    Raises
    ------
    UsageError
        if the text is no time, or the logger clock never showed it.
    """
    from datetime import UTC, datetime, timedelta

    plain = text.strip()
    mend = "write it like 2026-03-01, 2026-03-01T06:00 (logger clock) or 2026-03-01T06:00Z"
    try:
        given = datetime.fromisoformat(plain.upper().replace(" ", "T"))
    except ValueError:
        raise UsageError(f"'{printable(text, 40)}' is no time", where=what, mend=mend) from None
    if not FIRST_YEAR <= given.year <= LAST_YEAR:
        raise UsageError(f"the year {given.year} is outside {FIRST_YEAR} to {LAST_YEAR}", where=what, mend=mend)
    if len(plain) <= 10 and last:
        given += timedelta(days=1) - timedelta(microseconds=1)
    if given.tzinfo is not None:
        return np.datetime64(given.astimezone(UTC).replace(tzinfo=None), "us")
    local = np.array([np.datetime64(given, "us")])
    utc = clock.to_utc(local, None, clock.timeline_for(clock_entries(station), local), None)
    if utc.skipped[0]:
        raise UsageError(f"the logger clock never showed {printable(text, 40)}", where=what, mend="give it with a zone")
    return np.datetime64(utc.other[0] if last and utc.ambiguous[0] else utc.time[0], "us")


def period(
    first: str | None, last: str | None, station: Station, names: tuple[str, str] = ("--from", "--to")
) -> tuple[np.datetime64 | None, np.datetime64 | None]:
    """UTC of a period as people write it, either end left out or not; `names` are those of its ends in messages.

    Raises
    ------
    UsageError
        as `moment`, and if it ends before it begins.
    """
    begin = moment(first, station, what=names[0]) if first is not None else None
    end = moment(last, station, last=True, what=names[1]) if last is not None else None
    if begin is not None and end is not None and begin > end:
        raise UsageError(f"lies after {names[1]}", where=names[0], mend="exchange them")
    return begin, end


def either(text: str, station: Station, *, what: str = "time") -> list[np.datetime64]:
    """All that a time as people write it may mean: two moments in an hour that the logger clock showed twice."""
    first = moment(text, station, what=what)
    other = moment(text, station, last=True, what=what) if len(text.strip()) > 10 else first
    return sorted({first, other})
