"""Diagnosis each night over the trailing weeks; findings keep their id, and move through new, going on, cleared,
returned.

A finding that is not sure is told on the second night in a row. It is over when it was not made for some nights in a
row, or when the last stamp that shows it lies some days back: so a doubtful night makes no noise, and an old fault in
the window is no news. Causes that cannot be told apart are one finding, which keeps its id when another of them
becomes the likelier one; nor are rows that were told once told again under another name, when half the window is sound
again and the first name no longer stands.
"""

from __future__ import annotations

import base64
import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from qc import chain
from qc.archive import ledger, station, turn
from qc.archive.fleet import Fleet
from qc.archive.ledger import File
from qc.archive.nightly import Night, Site
from qc.archive.workers import Lazy, Task, Workers
from qc.case import ISOLATED
from qc.diagnosis import diagnose, document
from qc.errors import printable
from qc.limits import Limits
from qc.logs import Logs
from qc.record import SECOND
from qc.sky import Sky
from qc.station import Station
from qc.write.faults import picture_of

DAY_US = 86_400 * SECOND
"""A finding that the last day does not show has ended or pauses (a light's shows by day alone)."""

GRACE_US = 3600 * SECOND
"""By which rows of a finding may lie outside those of another and still be the same ones, and the begin of one off the
end of another and still be it (judgement: who mends a station loses rows of less than an hour)."""

QUIET_DAYS = 7.0
"""Days after the last stamp that shows a finding after which it is over (judgement)."""

MISSED_NIGHTS = 3
"""Nights in a row without it after which a finding is over (judgement: one doubtful night is none)."""

SURE = 0.9
"""Confidence from which a finding is told on its first night; a less sure one is told when it is there on the next
night, too (judgement: what is near the line of listing comes and goes)."""

URGENCY = {"drive": 0, "next-visit": 2, "remote": 3}
"""What to do, the most urgent first."""

SEEN, DROPPED = "seen", "dropped"
"""States that nobody is told of: made for the first time and not sure; not made again."""

NEW, GOING_ON, CLEARED, RETURNED = "new", "going on", "cleared", "returned"


@dataclass(frozen=True)
class Watched:
    """What diagnosis says of one station tonight: documents of findings as in `faults.json`, pictures of new ones."""

    findings: tuple[dict[str, Any], ...]
    last_us: int
    pictures: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Change:
    """One finding and its state."""

    station: str
    id: str
    state: str
    document: dict[str, Any]


@dataclass(frozen=True)
class Watch:
    """What became of the findings tonight, and which stations were diagnosed."""

    changes: list[Change]
    diagnosed: list[str]


def watched(
    store: Path, about: Station, logs: Logs, limits: Limits, files: Sequence[File], last_us: int, days: float,
    known: frozenset[str],
) -> Watched:  # fmt: skip
    """Diagnose the trailing days of one station: what `diagnose` says of the rows from `last_us` less those days to
    `last_us`."""
    first_us = last_us - round(days * 86_400 * SECOND)
    margin = round(chain.reach(about, limits, ISOLATED).back_s * SECOND)
    record = station.record(store, about, logs, files, first_us - margin, last_us, together=True)
    if record is None:
        return Watched((), last_us)
    skies: dict[str, Sky] = {}
    whole = chain.run(record, limits, skies=skies, only=ISOLATED)
    checked = chain.period(whole, np.datetime64(first_us, "us"), np.datetime64(last_us, "us"))
    found = diagnose(checked, skies=skies)
    told = document(found, ("", ""))["findings"]
    shots = {f.id: picture_of(f, found) for f in found.findings if f.id not in known}
    return Watched(tuple(told), last_us, {i: shot for i, shot in shots.items() if shot})


def watch(fleet: Fleet, connection: sqlite3.Connection, night: Night, workers: Workers, progress: Any) -> Watch:
    """Diagnose the stations that have something new, and move the findings of all of them on."""
    asked: list[Site] = []
    for site in night.sites.values():
        asked_for = "select last_us, due, battery from station where id = ?"
        site.last_us, due, site.battery = connection.execute(asked_for, (site.id,)).fetchone()
        if due and site.last_us is not None:
            asked.append(site)

    def task(number: int) -> Task:
        site = asked[number]
        last = site.last_us or 0
        since = last - round((fleet.diagnose_days + 4) * 86_400 * SECOND)  # and the reach before them
        files = ledger.files(connection, site.id, between=(since, last + 2**40))
        known = frozenset(name for name, (state, _) in _before(connection, site.id, night).items() if state != CLEARED)
        arguments = (fleet.store, site.station, site.logs, site.limits, files, last, fleet.diagnose_days, known)
        return turn.taken, (fleet.store, night.order.turn, watched, arguments)

    done: list[str] = []
    changes: list[Change] = []
    for number, found in workers.done(Lazy(len(asked), task)):
        site = asked[number]
        progress(number + 1, len(asked))
        if isinstance(found, Exception):
            told = printable(found, 200)
            site.troubles.append(f"could not be diagnosed ({type(found).__name__}: {told})")
            continue
        with ledger.writing(connection):
            changes += moved(connection, site.id, night, found)
        done.append(site.id)
    for site in night.sites.values():  # what an earlier run of this night found
        if site.id not in done:
            changes += _tonight(connection, site.id, night)
    return Watch(sorted(changes, key=lambda c: (c.station, c.id)), done)


def _before(connection: sqlite3.Connection, station_id: str, night: Night) -> dict[str, tuple[str, dict[str, Any]]]:
    """State and document of each finding after the last night that was told."""
    rows = connection.execute(
        "select finding.id, state, document from finding join run on run.id = finding.run where station = ? "
        "and outcome = 'done' and night < ? order by run", (station_id, night.night),
    )  # fmt: skip
    return {row[0]: (row[1], json.loads(row[2])) for row in rows}


def _tonight(connection: sqlite3.Connection, station_id: str, night: Night) -> list[Change]:
    """What the last run of this night that ended said of a station."""
    rows = connection.execute(
        "select finding.id, state, document from finding join run on run.id = finding.run where station = ?1 and "
        "run = (select max(f.run) from finding as f join run as r on r.id = f.run where f.station = ?1 and "
        "r.outcome = 'done' and r.night = ?2)", (station_id, night.night),
    )  # fmt: skip
    return [Change(station_id, row[0], row[1], json.loads(row[2])) for row in rows if row[1] not in (SEEN, DROPPED)]


def moved(connection: sqlite3.Connection, station_id: str, night: Night, found: Watched) -> list[Change]:
    """The findings of one station after a night; call it within `writing`."""
    before = _before(connection, station_id, night)
    out = []
    known = {name: old for name, (state, old) in before.items() if state in (SEEN, NEW, GOING_ON, RETURNED)}
    past = [old for state, old in before.values() if state == CLEARED]
    tonight = one_each(found.findings, known, past, found.last_us)
    for name in sorted(set(before) | set(tonight)):
        old_state, old = before.get(name, (None, {}))
        state, told = _next(old_state, old, tonight.get(name), found.last_us)
        if state is None:
            continue
        told["id"] = name
        shot = found.pictures.get(tonight[name]["id"]) if name in tonight else None
        if shot:
            told["picture"] = base64.b64encode(shot).decode("ascii")
        elif "picture" in old:
            told["picture"] = old["picture"]
        connection.execute(
            "insert or replace into finding values (?,?,?,?,?,?,?)",
            (station_id, name, night.run, told["fault"], state, told["onset"][0], json.dumps(told)),
        )
        if state not in (SEEN, DROPPED):
            out.append(Change(station_id, name, state, told))
    return out


def one_each(
    findings: Sequence[dict[str, Any]],
    known: Mapping[str, dict[str, Any]],
    past: Sequence[dict[str, Any]],
    last_us: int,
) -> dict[str, dict[str, Any]]:
    """One finding for what happened, under the id that it keeps.

    Of causes of the same data that nothing tells apart, the one that is known already stands, else the likeliest; the
    others are among its rivals. What takes the place of a known finding that was not made tonight, or is of the same
    rows as one, goes on as that one; what is of the rows of one that is over is no news.

    Parameters
    ----------
    findings : sequence of documents
        those of tonight.
    known : mapping
        id and document of those that are not over.
    past : sequence of documents
        those that are over.
    last_us : int
        last stamp of the station.
    """
    made = {f["id"] for f in findings}
    over = [p for p in past if p["id"] not in made]
    kept: list[dict[str, Any]] = []
    for one in sorted(findings, key=lambda f: (f["id"] not in known, -f["confidence"], f["id"])):
        if one["id"] in known or not any(_touch(one, other) and _share(one, other) for other in kept):
            kept.append(one)
    out = {f["id"]: f for f in kept if f["id"] in known}
    for one in kept:
        if one["id"] in out:
            continue
        left = (n for n in sorted(known) if n not in out and _touch(one, known[n]))
        name = next((n for n in left if _follows(one, known[n]) or _ended(one, known[n], last_us)), one["id"])
        if name != one["id"] or not any(_touch(one, old) and _within(one, old) for old in over):
            out[name] = one
    return out


def _touch(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two findings are of the same channels at the same time; one of no channel is of all."""
    channels, others = set(one["channels"]), set(other["channels"])
    first = max(_moment(f["onset"][0]) for f in (one, other))
    last = min(_moment(f["to"]) for f in (one, other))
    return bool(first <= last and (not channels or not others or channels & others))


def _within(one: Mapping[str, Any], old: Mapping[str, Any]) -> bool:
    """Whether the rows of one finding are among those of another."""
    (begin, end), (first, last) = ((_moment(f["onset"][0]), _moment(f["to"])) for f in (one, old))
    return first - GRACE_US <= begin and end <= last + GRACE_US


def _moment(utc: str) -> int:
    """Microseconds since 1970 of a time as documents write it."""
    return int(np.datetime64(utc.removesuffix("Z"), "us").astype(np.int64))


def _share(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether one finding counts the other among what explains the same data."""
    return any(
        r["fault"] == b["fault"] and r["confidence"] > 0.0 for a, b in ((one, other), (other, one)) for r in a["rivals"]
    )


def _follows(one: Mapping[str, Any], old: Mapping[str, Any]) -> bool:
    """Whether a finding may stand for another: the book calls them rivals, or the rows are the same; and it asks for
    nothing more urgent."""
    rivals = any(r["fault"] == b["fault"] for a, b in ((one, old), (old, one)) for r in a["rivals"])
    return (rivals or _within(one, old)) and URGENCY[one["go"]] >= URGENCY[old["go"]]


def _ended(one: Mapping[str, Any], old: Mapping[str, Any], last_us: int) -> bool:
    """Whether a finding is of the rows of one that does not show any more: whatever it asks for comes too late."""
    return _within(one, old) and _moment(old["to"]) < last_us - DAY_US


def _its_end(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Whether a finding begins where the one before it ended: once the begin of a fault has left the weeks that are
    diagnosed, the step back to what is right looks like the step of a fault."""
    if not old:
        return False
    begun, end, low, high = (_moment(m) for m in (old["onset"][1], old["to"], *new["onset"]))
    return begun < end and low - GRACE_US <= end <= high + GRACE_US


def _next(
    state: str | None, old: dict[str, Any], new: dict[str, Any] | None, last_us: int
) -> tuple[str | None, dict[str, Any]]:
    """The state after tonight, None where there is nothing to say, and the document that stands."""
    active = state in (NEW, GOING_ON, RETURNED)
    seen = state == SEEN
    over = state == CLEARED or bool(old.get("over"))
    if over and new is not None and not set(old["channels"]) & set(new["channels"]) and old["channels"]:
        over = False  # an id of a device: another of its channels has not been told before
    if new is not None and _its_end(old, new):
        new = {k: v for k, v in old.items() if k not in ("missed", "over", "picture")}
    if new is not None:
        shown = _moment(new["to"])
        if shown < last_us - QUIET_DAYS * DAY_US:
            return (CLEARED if active else None), {**new, "missed": 0, "told_as": old.get("told_as", new["fault"])}
        first = {**new, "missed": 0, "onset": old["onset"] if active else new["onset"]}
        first["told_as"] = old.get("told_as", old["fault"]) if active else new["fault"]
        if active:
            return GOING_ON, first
        if not seen and new["confidence"] < SURE:
            return SEEN, {**first, "over": over}
        return (RETURNED if over else NEW), first
    if seen:
        return DROPPED, {**old, "over": over}
    if not active:
        return None, old
    missed = int(old.get("missed", 0)) + 1
    return (CLEARED if missed >= MISSED_NIGHTS else GOING_ON), {**old, "missed": missed}
