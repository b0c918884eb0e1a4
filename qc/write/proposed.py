"""Proposed mends: lines for the station file and for the correction log, for a person to read, agree with and paste.

Nothing is proposed that is not well determined; the reason of each line tells how sure it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from qc.diagnosis import Diagnosis, Finding
from qc.draft.write import number, text
from qc.errors import printable
from qc.logs import COLUMNS, OPERATIONS
from qc.mends import Mend
from qc.moments import utc_text
from qc.read.clock import parse_offset
from qc.station import Clock, Station
from qc.version import __version__
from qc.write.tables import csv_text

SURE = 0.8
"""Confidence from which a mend is proposed, where no other cause stands beside the finding (judgement)."""


@dataclass(frozen=True)
class Proposed:
    """Lines for the station file (`toml`) and for the correction log (`corrections`), each for one finding."""

    toml: str
    corrections: str
    count: int


def proposed(diagnosis: Diagnosis) -> Proposed:
    """The mends of a diagnosis that are well determined."""
    station = diagnosis.checked.record.station
    agreed = [f for f in diagnosis.findings if f.suspect.mend is not None and sure(f)]
    head = (
        f"# What Fairvane {__version__} proposes for the station file of {station.id}.\n"
        "# Nothing here is in force. Read the evidence, look at the station, then take over what you agree with:\n"
        "# each piece tells which lines it stands in for.\n"
    )
    pieces, lines = [head], []
    for finding in agreed:
        mend = finding.suspect.mend
        assert mend is not None
        if mend.operation in OPERATIONS:
            lines += [_line(finding, mend, name, diagnosis) for name in mend.channels]
        else:
            pieces.append(_piece(finding, mend, station))
    return Proposed("\n".join(pieces), csv_text(COLUMNS["corrections"], lines), len(pieces) - 1 + len(lines))


def sure(finding: Finding) -> bool:
    """Whether a finding's mend is well determined enough to be proposed."""
    mend = finding.suspect.mend
    alone = all(r.confidence < 0.1 for r in finding.rivals)
    return mend is not None and mend.proposed and finding.confidence >= SURE and alone


def _reason(finding: Finding, mend: Mend) -> str:
    doubt = f" +- {mend.uncertainty:.2g}" if mend.uncertainty else ""
    return f"{finding.fault.id} (confidence {finding.confidence:.2f}{doubt}): {finding.suspect.summary}"


def _line(finding: Finding, mend: Mend, channel: str, diagnosis: Diagnosis) -> Sequence[str]:
    first = utc_text(mend.first if mend.first is not None else finding.suspect.first)
    last = utc_text(mend.last if mend.last is not None else finding.suspect.last)
    end = max(t.record.time[-1] for t in diagnosis.checked.tables.values() if t.record.rows)
    parameter = "" if mend.operation in ("mirror", "negate") else number(round(mend.amount, 6))
    return (first, last, channel, mend.operation, parameter, _reason(finding, mend), "proposed", utc_text(end))


def _piece(finding: Finding, mend: Mend, station: Station) -> str:
    told = f"# {printable(_reason(finding, mend), 600)}\n"
    match mend.operation:
        case "clock":
            return told + _clock(finding, mend, station)
        case "side":
            ids = {station.table_of(c).id for c in station.channel if not mend.channels or c.name in mend.channels}
            return told + "".join(
                f"# in [[table]] with id = {text(i)}:\nstamps = {text(mend.side)}\n" for i in sorted(ids)
            )
        case "site":
            return told + "# in [station]:\n" + "".join(f"{k} = {number(round(v, 5))}\n" for k, v in mend.site.items())
        case "unit":
            return told + "".join(
                f"# in [[channel]] with name = {text(name)}" + _deployed(mend) + f":\nunit = {text(mend.unit)}\n"
                for name in mend.channels
            )
        case _:
            a, b = (next(c for c in station.channel if c.name == name) for name in mend.channels)
            return told + "".join(
                f"# in [[channel]] with name = {text(one.name)}{_rows(mend)}:\ncolumn = {_column(other.column)}\n"
                for one, other in ((a, b), (b, a))
            )


def _deployed(mend: Mend) -> str:
    """A unit of a while is that of a deployment."""
    period = _period(mend)
    again = ", then again as it was" if mend.last is not None else ""
    return f",{period}{again}, as [[channel.deployment]]" if period else ""


def _rows(mend: Mend) -> str:
    """Columns hold for a whole file: where they were exchanged for a while, those rows are read by another one."""
    period = _period(mend)
    return f" of a copy of the station file, to read the rows{period} with" if period else ""


def _period(mend: Mend) -> str:
    """From when and up to when it holds; empty for all that was and is to come."""
    since = f" from {utc_text(mend.first)} on" if mend.first is not None else ""
    return since + (f" up to {utc_text(mend.last)}" if mend.last is not None else "")


def _column(column: object) -> str:
    if isinstance(column, list):
        return "[" + ", ".join(_column(c) for c in column) + "]"
    return str(column) if isinstance(column, int) else text(str(column))


def _clock(finding: Finding, mend: Mend, station: Station) -> str:
    """A `[[clock]]` entry: another zone where the error is one, else the minutes that the clock is ahead."""
    first = mend.first
    entry = _in_force(station, first)
    zone = finding.suspect.evidence.get("kind") in ("zone", "summer-time") and entry.utc_offset is not None
    if zone and entry.utc_offset is not None:
        minutes = round((parse_offset(entry.utc_offset) / 60.0 + mend.amount) / 15.0) * 15
        wrong = entry.model_copy(update={"utc_offset": _offset(minutes)})
    else:
        wrong = entry.model_copy(update={"minutes_ahead": entry.minutes_ahead + mend.amount})
    ahead = np.timedelta64(round(mend.amount * 60), "s")
    if first is None:
        told = _entry("# in place of the [[clock]] entry in force", wrong, entry.from_)
    else:
        told = _entry("# after the [[clock]] entry in force", wrong, _aware(first - ahead))
    if mend.last is None:
        return told
    right = _aware(mend.last - ahead + np.timedelta64(1, "s"))
    return told + _entry("# and after it, from when it was set right", _in_force(station, mend.last), right)


def _entry(comment: str, entry: Clock, since: datetime | None) -> str:
    lines = [comment, "[[clock]]"]
    if since is not None:
        lines.append(f"from = {since.astimezone(UTC).strftime('%Y-%m-%dT%H:%M:%SZ')}")
    zone = f"time_zone = {text(entry.time_zone)}" if entry.time_zone else f"utc_offset = {text(entry.utc_offset or '')}"
    lines.append(zone)
    if entry.minutes_ahead:
        lines.append(f"minutes_ahead = {number(round(entry.minutes_ahead, 1))}")
    return "\n".join(lines) + "\n"


def _offset(minutes: int) -> str:
    hours, rest = divmod(abs(minutes), 60)
    return f"{'-' if minutes < 0 else '+'}{hours:02}:{rest:02}"


def _in_force(station: Station, moment: np.datetime64 | None) -> Clock:
    """The clock entry in force at a moment; the last one without."""
    entries = station.clock
    if moment is None:
        return entries[-1]
    at = _aware(moment)
    begun = [e for e in entries if e.from_ is None or e.from_ <= at]
    return begun[-1] if begun else entries[0]


def _aware(moment: np.datetime64) -> datetime:
    plain: datetime = moment.astype("datetime64[us]").astype(datetime)
    return plain.replace(tzinfo=UTC)
