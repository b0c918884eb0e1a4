"""The digest of a night: what changed, worst first, for a mail; a page with the whole fleet; the same as JSON."""

from __future__ import annotations

import base64
import json
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from qc.archive import ledger, months
from qc.archive.fleet import Fleet
from qc.archive.nightly import Night, Site
from qc.archive.watch import CLEARED, GOING_ON, NEW, RETURNED, URGENCY, Change
from qc.diagnosis import SHARED
from qc.errors import printable
from qc.moments import clock_entries, utc_text
from qc.read import clock
from qc.record import SECOND
from qc.version import __version__
from qc.write import page
from qc.write.faults import GO
from qc.write.files import Outputs

LINES = 25
"""Lines of the mail for a hundred stations (contract 9); a line more for each four stations beyond (judgement)."""

_WIDE = 240  # letters of a line (judgement: a mail on a phone)
_DAYS = 30
_INNER = ("picture", "missed", "over", "told_as")  # of a finding's document, what is no word of diagnosis
_TREND_DAYS = 7  # of battery voltage (judgement)


@dataclass(frozen=True)
class Line:
    """One line of the mail, with what it sorts by."""

    urgency: int
    station: str
    text: str


@dataclass(frozen=True)
class Silence:
    """A station without new data: its last row, its last battery voltage and how that went, and whether the silence is
    new tonight."""

    station: str
    last_us: int | None
    battery: float | None
    new: bool
    trend: float | None = None
    """V per day, of the lowest voltage of each of the last days before the last row."""


def lines(
    night: Night, changes: Sequence[Change], silences: Sequence[Silence],
    known: frozenset[tuple[str, str]] = frozenset(),
) -> list[str]:  # fmt: skip
    """The mail: a headline, then what changed, worst first. `known` are troubles that an earlier night told."""
    found = [_finding(night, c) for c in changes if c.state in (NEW, RETURNED)]
    found += [
        Line(5, c.station, f"cleared {c.station}: {_told_as(c.document)} at {_where(c.document)}")
        for c in changes
        if c.state == CLEARED
    ]
    found += [_silence(night, s) for s in silences if s.new]
    found += [
        Line(1, name, f"trouble {printable(name, 41)}: {printable(what, _WIDE)}")
        for name, what in dict.fromkeys(night.told())
        if (name, what) not in known
    ]
    found.sort(key=lambda line: (line.urgency, line.station, line.text))
    most = max(LINES, len(night.sites) // 4) - 1
    told = [printable(line.text, _WIDE) for line in found]
    if len(told) > most:
        told = [*told[: most - 1], f"and {len(told) - most + 1} more lines: see digest.html"]
    return [_headline(night, changes, silences), *told]


def _headline(night: Night, changes: Sequence[Change], silences: Sequence[Silence]) -> str:
    fresh = sum(site.new_rows > 0 for site in night.sites.values())
    count = {state: sum(c.state == state for c in changes) for state in (NEW, GOING_ON, RETURNED, CLEARED)}
    parts = [f"{len(night.sites)} stations", f"{fresh} with new rows", f"{len(silences)} silent"]
    parts += [f"{number} {state}" for state, number in count.items() if number]
    return f"Fairvane {night.night}: {', '.join(parts)}."


def _where(document: dict[str, Any]) -> str:
    return ", ".join(document["channels"]) or "all channels"


def _told_as(document: dict[str, Any]) -> str:
    """The fault that was told first, and the one that it was taken for last."""
    first, last = document.get("told_as", document["fault"]), document["fault"]
    return first if first == last else f"{first} (last taken for {last})"


def _or(document: dict[str, Any]) -> str:
    """Causes that explain the same data, as far as they are worth a word."""
    others = [f"{r['fault']} {r['confidence']:.2f}" for r in document["rivals"] if r["confidence"] >= SHARED]
    return f"; or {', '.join(others)}" if others else ""


def _finding(night: Night, change: Change) -> Line:
    d = change.document
    since = np.datetime64(str(d["onset"][0]).removesuffix("Z"), "us")
    local = _logger_clock(night.sites[change.station], since)
    words = GO[d["go"]]
    text = (
        f"{change.state} {change.station}: {d['fault']} at {_where(d)} ({d['confidence']:.2f}{_or(d)}) since "
        f"{_minute(since)} UTC ({local} on its clock); {words}. {d['summary']}"
    )
    return Line(URGENCY[d["go"]], change.station, text)


def _silence(night: Night, silence: Silence) -> Line:
    if silence.last_us is None:
        return Line(1, silence.station, f"silent {silence.station}: never had a row; look at its link and inbox")
    last = np.datetime64(silence.last_us, "us")
    local = _logger_clock(night.sites[silence.station], last)
    volts = "" if silence.battery is None else f", battery then {silence.battery:.2f} V"
    if silence.trend is not None:
        volts += f" and {_going(silence.trend)}"
    text = f"silent {silence.station}: last row {_minute(last)} UTC ({local} on its clock){volts}; call it, then drive"
    return Line(1, silence.station, text)


def _going(trend: float) -> str:
    """A trend in words; less than a hundredth of a volt a day is none (judgement)."""
    if abs(trend) < 0.01:
        return "steady"
    return f"{'falling' if trend < 0 else 'rising'} by {abs(trend):.2f} V a day"


def _minute(moment: np.datetime64) -> str:
    return utc_text(moment)[:16].replace("T", " ")


def _logger_clock(site: Site, moment: np.datetime64) -> str:
    times = np.array([moment.astype("datetime64[us]")])
    line = clock.timeline(clock_entries(site.station), times[0], times[0])
    return _minute(clock.to_logger_clock(times, line)[0])[11:]


def silences(fleet: Fleet, connection: sqlite3.Connection, night: Night, now_us: int) -> list[Silence]:
    """Stations whose last row is too old; one that was told to be silent on an earlier night is not new."""
    told = {row[0] for row in connection.execute("select night from run where outcome = 'done'")}
    out = []
    limit = fleet.silent_after_hours * 3600 * SECOND
    with ledger.writing(connection):
        for site in night.sites.values():
            asked = "select last_us, battery, silent from station where id = ?"
            last_us, battery, was = connection.execute(asked, (site.id,)).fetchone()
            silent = last_us is None or now_us - last_us > limit
            since = ""
            if silent:
                since = was if was in told and was < night.night else night.night
                new = since == night.night
                trend = _trend(fleet.store, site, last_us) if new and last_us is not None else None
                out.append(Silence(site.id, last_us, battery, new, trend))
            if since != was:
                connection.execute("update station set silent = ? where id = ?", (since, site.id))
    return out


def _trend(store: Path, site: Site, last_us: int) -> float | None:
    """Median step between the lowest voltages of the days before a time; None with fewer than three days."""
    import pyarrow as pa
    import pyarrow.compute as pc

    names = pa.array([c.name for c in site.station.channel if c.quantity == "battery_voltage"], pa.string())
    first_us = last_us - _TREND_DAYS * 86_400 * SECOND
    table = pa.concat_tables([months.read(store, site.id, m) for m in months.months(first_us, last_us)])
    table = table.filter(pc.and_(pc.is_in(table.column("channel"), names), pc.is_valid(table.column("value"))))
    us = table.column("time").to_numpy().astype("datetime64[us]").astype(np.int64)
    inside = (us > first_us) & (us <= last_us)
    days, place = np.unique((us[inside] - last_us - 1) // (86_400 * SECOND), return_inverse=True)
    if len(days) < 3:
        return None
    lowest = np.full(len(days), np.inf)
    np.minimum.at(lowest, place, table.column("value").to_numpy()[inside])
    return float(np.median(np.diff(lowest) / np.diff(days)))


def known_troubles(connection: sqlite3.Connection, night: Night) -> frozenset[tuple[str, str]]:
    """Troubles that the last night that was told has told already."""
    return frozenset(connection.execute("select station, what from trouble where run = ?", (night.since,)).fetchall())


def sweep(outbox: Path) -> None:
    """Take away unfinished digests of runs that were killed."""
    for path in outbox.glob("*/.digest.*.part"):
        path.unlink(missing_ok=True)


def document(night: Night, told: Sequence[str], changes: Sequence[Change], quiet: Sequence[Silence]) -> dict[str, Any]:
    """The night as JSON."""
    return {
        "night": night.night,
        "fairvane": __version__,
        "lines": list(told),
        "stations": {
            site.id: {
                "new_rows": site.new_rows,
                "computed": [
                    {"from": _us(s.first_us), "to": _us(s.last_us), "why": s.why} for s in site.computed
                ],
                "last_row": None if site.last_us is None else _us(site.last_us),
                "battery_v": site.battery,
                "troubles": site.troubles,
            }
            for site in night.sites.values()
        },
        "findings": [
            {"station": c.station, "state": c.state, **{k: v for k, v in c.document.items() if k not in _INNER}}
            for c in changes
        ],
        "silent": [
            {
                "station": s.station, "last_row": None if s.last_us is None else _us(s.last_us),
                "battery_v": s.battery, "battery_v_per_day": s.trend, "new": s.new,
            }
            for s in quiet
        ],
        "troubles": [{"station": name, "what": what} for name, what in night.troubles],
    }  # fmt: skip


def _us(us: int) -> str:
    return utc_text(np.datetime64(us, "us"))


def html(
    connection: sqlite3.Connection, night: Night, told: Sequence[str], changes: Sequence[Change],
    quiet: Sequence[Silence],
) -> str:  # fmt: skip
    """The page of a night: the lines, the fleet by day, the new findings with their pictures, all that goes on."""
    parts: list[object] = [page.section("What changed", page.items(told[1:]) if told[1:] else page.text("Nothing."))]
    parts.append(page.section("The fleet, day by day", _strip(connection, night)))
    for c in (c for c in changes if c.state in (NEW, RETURNED)):
        d = c.document
        body: list[object] = [page.text(page.strong(d["summary"]))]
        if "picture" in d:
            body.append(page.picture(base64.b64decode(d["picture"]), d["summary"], "What the data show."))
        body += [page.items(d["site_checks"]), page.note(page.strong("Caution: "), d["caution"])]
        parts.append(page.section(f"{c.state}: {d['fault']} at {c.station}, {_where(d)}", *body))
    going = [c for c in changes if c.state == GOING_ON]
    if going:
        rows = [(c.station, c.document["fault"], _where(c.document), c.document["onset"][0][:16]) for c in going]
        head = ("station", "fault", "channels", "since (UTC)")
        parts.append(page.section("Going on", page.table(head, rows, caption="Known, and not over yet.")))
    if quiet:
        last = [("never" if s.last_us is None else _us(s.last_us)) for s in quiet]
        volts = ["-" if s.battery is None else f"{s.battery:.2f}" for s in quiet]
        silent = list(zip((s.station for s in quiet), last, volts, strict=True))
        head_ = ("station", "last row (UTC)", "last battery, V")
        parts.append(page.section("Silent", page.table(head_, silent, caption="Without new data.", numbers=(2,))))
    below = f"Made by Fairvane {__version__}. Findings and flags are no basis for warnings that protect life."
    return page.page(f"Night of {night.night}", *parts, above="Digest of the fleet", below=below)


def _strip(connection: sqlite3.Connection, night: Night) -> object:
    """A row for each station, a letter of how much of each day is usable."""
    last = np.datetime64(night.night, "D")
    days = [str(d) for d in np.arange(last - _DAYS + 1, last + 1)]
    rows = []
    for name in sorted(night.sites):
        known = {
            row[0]: (row[1], row[2])
            for row in connection.execute(
                "select day, expected, usable from day where station = ? and day >= ?", (name, days[0])
            )
        }
        cells = [_share(*known.get(day, (0, 0))) for day in days]
        rows.append((name, *cells))
    head = ("station", *(day[8:] for day in days))
    caption = (
        f"Share of usable values in tenths by day, {days[0]} to {days[-1]} (UTC): 9 is 90 % and more, 0 less than a "
        "tenth, a point no data."
    )
    return page.table(head, rows, caption=caption)


def _share(expected: int, usable: int) -> str:
    return "·" if not expected else str(min(9, int(10 * usable / expected)))


def write(folder: Path, told: Sequence[str], doc: dict[str, Any], page_text: str) -> None:
    """The three files of a night, whole or not at all; those of an earlier run of the night are replaced.

    Raises
    ------
    OutputError
        if the outbox cannot be written.
    """
    with Outputs(folder) as outputs:
        outputs.write_text("digest.txt", "".join(f"{line}\n" for line in told))
        outputs.write_text("digest.html", page_text)
        outputs.write_text("digest.json", json.dumps(doc, indent=1, ensure_ascii=False, allow_nan=False) + "\n")
        outputs.publish()
