"""A night: what came in is read, what it touches is computed, the store is left whole however the run ends.

The parent alone writes the ledger. What is to be computed stands there before it is begun; a run that is killed is
finished by the next one.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import logging
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from qc import logs as logs_
from qc import run as run_
from qc.archive import beside, ledger, months, places, raw, station
from qc.archive.fleet import Fleet, Member
from qc.archive.ledger import File, Span
from qc.archive.workers import Workers
from qc.chain import Progress, reach
from qc.errors import FairvaneError, LogError, OutputError, RefusedFile, printable
from qc.limits import Limits
from qc.logs import Logs
from qc.neighbours import Neighbour
from qc.record import SECOND
from qc.station import Station, load, parse
from qc.version import __version__

_log = logging.getLogger("fairvane")


@dataclass
class Site:
    """One station on its night."""

    member: Member
    station: Station
    logs: Logs
    limits: Limits
    good: bytes = b""
    good_logs: dict[str, str] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)
    new_rows: int = 0
    computed: list[Span] = field(default_factory=list)
    touched: list[tuple[int, int]] = field(default_factory=list)
    last_us: int | None = None
    battery: float | None = None

    @property
    def id(self) -> str:
        """Its id."""
        return self.station.id


@dataclass
class Night:
    """What a run did."""

    night: str
    run: int
    sites: dict[str, Site]
    troubles: list[tuple[str, str]] = field(default_factory=list)
    """Stations (or their files) that could not be processed, and why."""


@contextlib.contextmanager
def locked(store: Path) -> Iterator[None]:
    """Hold the store; the lock goes with the process, however it ends.

    Raises
    ------
    OutputError
        if another run holds it, or the store cannot be written.
    """
    try:
        store.mkdir(parents=True, exist_ok=True)
        file = (store / "lock").open("a")
    except OSError as error:
        told = f"cannot be written ({error.strerror})"
        raise OutputError(told, where=printable(store, 200), mend="mend its permissions, or fleet.store") from None
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            mend = "let it end; a dead run holds nothing"
            raise OutputError("another run is at work there", where=printable(store, 200), mend=mend) from None
        yield


def run(fleet: Fleet, workers: Workers, *, night: str, progress: Progress = lambda done, total: None) -> Night:
    """One night's reading and checking; call it within `locked`.

    Parameters
    ----------
    night : str
        date that names it, YYYY-MM-DD.
    """
    connection = _opened(fleet.store)
    with contextlib.closing(connection):
        number = _begun(connection, night)
        out = Night(night, number, {})
        _members(fleet, connection, out)
        count = len(out.sites)
        _changes(fleet, connection, out, workers)
        _ingest(fleet, connection, out, workers, lambda done: progress(done, 2 * count))
        _compute(fleet, connection, out, workers, lambda done: progress(count + min(done, count), 2 * count))
    return out


def _opened(store: Path) -> sqlite3.Connection:
    where = printable(store / "ledger.sqlite", 200)
    try:
        return ledger.connect(store / "ledger.sqlite")
    except sqlite3.Error as error:
        raise OutputError(
            f"cannot be used ({error})", where=where, mend="put back a copy, or give another store"
        ) from None


def _begun(connection: sqlite3.Connection, night: str) -> int:
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    with ledger.writing(connection):
        connection.execute("update run set outcome = 'broken off' where ended is null")
        cursor = connection.execute(
            "insert into run (night, fairvane, begun) values (?, ?, ?)", (night, __version__, now)
        )
    return int(cursor.lastrowid or 0)


def ended(connection: sqlite3.Connection, out: Night) -> None:
    """Tell the ledger that a night is done, with its troubles."""
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    with ledger.writing(connection):
        rows = [(out.run, s, what) for s, what in out.troubles]
        rows += [(out.run, site.id, what) for site in out.sites.values() for what in site.troubles]
        connection.executemany("insert into trouble values (?, ?, ?)", rows)
        connection.execute("update run set ended = ?, outcome = 'done' where id = ?", (now, out.run))


# ---- the stations of the fleet, as they are tonight or as they last were good


def _members(fleet: Fleet, connection: sqlite3.Connection, out: Night) -> None:
    for member in fleet.stations:
        site = _member(fleet, member, connection, out)
        if site is None:
            continue
        if site.id in out.sites:
            out.troubles.append((site.id, f"{member.file.name}: another station of the fleet has the id {site.id}"))
            continue
        out.sites[site.id] = site
    for site in out.sites.values():
        for other in site.member.neighbours:
            if other not in out.sites:
                site.troubles.append(f"its neighbour {printable(other, 40)} is no station of the fleet")


def _member(fleet: Fleet, member: Member, connection: sqlite3.Connection, out: Night) -> Site | None:
    try:
        found = load(member.file)
        known = logs_.read(found)
        limits = run_.limits_of(found, fleet.rules)
    except FairvaneError as error:
        site = _last_good(fleet, member, connection)
        if site is None:
            out.troubles.append((member.file.stem, error.line()))
            return None
        kind = "its log" if isinstance(error, LogError) else "its station file"
        site.troubles.append(f"{kind} cannot be used, the last good one stays in force: {error.line()}")
        return site
    logs_text = {
        kind: (member.file.parent / name).read_bytes().decode("utf-8", "surrogateescape")
        for kind in logs_.COLUMNS
        if (name := getattr(found.station, kind)) is not None
    }
    return Site(member, found, known, limits, member.file.read_bytes(), logs_text)


def _last_good(fleet: Fleet, member: Member, connection: sqlite3.Connection) -> Site | None:
    """The station as the ledger last knew it good, by the name of its file."""
    row = connection.execute("select value from meta where key = ?", (f"file:{member.file}",)).fetchone()
    if row is None:
        return None
    kept = connection.execute("select good, good_logs from station where id = ?", row).fetchone()
    if kept is None or not kept[0]:
        return None
    try:
        found = parse(kept[0], where=printable(member.file, 200), path=member.file)
        texts = json.loads(kept[1])
        limits = run_.limits_of(found, fleet.rules)
    except FairvaneError:
        return None
    return Site(member, found, _logs_of(found, texts), limits, kept[0], texts)


def _logs_of(found: Station, texts: Mapping[str, str]) -> Logs:
    entries = {
        kind: logs_.parse(kind, text.encode("utf-8", "surrogateescape"), found, where=kind)
        for kind, text in texts.items()
    }
    return Logs(**entries)  # type: ignore[arg-type]


# ---- what a changed station file, rule, log or version touches


def _changes(fleet: Fleet, connection: sqlite3.Connection, out: Night, workers: Workers) -> None:
    again: list[Site] = []
    for site in out.sites.values():
        row = connection.execute(
            "select station_sha, rules_sha, logs_sha, fairvane, good, good_logs from station where id = ?", (site.id,)
        ).fetchone()
        sums = _sums(site)
        if row is None:
            with ledger.writing(connection):
                connection.execute("insert into station (id) values (?)", (site.id,))
                _told(connection, site, sums)
            continue
        if (row[0], row[1], row[2], row[3]) == sums:
            continue
        spans = _touched_by(connection, site, row, sums)
        reread = row[0] != sums[0]
        with ledger.writing(connection):
            ledger.add_pending(connection, site.id, spans)
            if reread:
                connection.execute("update station set read_sha = '' where id = ?", (site.id,))
            _told(connection, site, sums)
    for site in out.sites.values():
        (read_sha,) = connection.execute("select read_sha from station where id = ?", (site.id,)).fetchone()
        if read_sha != _sums(site)[0]:
            again.append(site)
    tasks = [(reread_files, (fleet.store, s.station, _all_files(connection, s.id))) for s in again]
    for number, found in workers.done(tasks):
        site = again[number]
        if isinstance(found, Exception):
            site.troubles.append(f"its files could not be read again: {_named(found)}")
            continue
        with ledger.writing(connection):
            connection.executemany(
                "update file set standing = ?, why = ?, places = ?, first_us = ?, last_us = ?, rows = ? where id = ?",
                found,
            )
            if whole := _whole(connection, site.id):
                ledger.add_pending(connection, site.id, [Span(*whole, "the station file was changed")])
            connection.execute("update station set read_sha = ? where id = ?", (_sums(site)[0], site.id))


def _sums(site: Site) -> tuple[str, str, str, str]:
    import hashlib

    unread: Any = {"learnt": True, "rules": True, "station": {"name", "visits", "decisions", "corrections"}}
    model = json.dumps(site.station.model_dump(exclude=unread, warnings=False), sort_keys=True, default=str)
    logs_sum = hashlib.sha256(json.dumps(site.good_logs, sort_keys=True).encode("ascii")).hexdigest()
    station_sum = hashlib.sha256(model.encode("utf-8")).hexdigest()
    return station_sum, site.limits.sha256, logs_sum, __version__


def _told(connection: sqlite3.Connection, site: Site, sums: tuple[str, str, str, str]) -> None:
    connection.execute(
        "update station set station_sha = ?, rules_sha = ?, logs_sha = ?, fairvane = ?, good = ?, good_logs = ? "
        "where id = ?",
        (*sums, site.good, json.dumps(site.good_logs), site.id),
    )
    connection.execute("insert or replace into meta values (?, ?)", (f"file:{site.member.file}", site.id))


def _touched_by(
    connection: sqlite3.Connection, site: Site, row: tuple[Any, ...], sums: tuple[str, str, str, str]
) -> list[Span]:
    whole = _whole(connection, site.id)
    if whole is None:
        return []
    spans = []
    if row[0] != sums[0]:
        spans.append(Span(*whole, "the station file was changed"))
    if row[1] != sums[1]:
        spans.append(Span(*whole, "rules were changed"))
    if row[3] != sums[3]:
        spans += [
            Span(max(a, whole[0]), min(b, whole[1]), f"Fairvane {row[3]} became {sums[3]}")
            for a, b in map(months.bounds, months.months(*whole))
        ]
    if row[2] != sums[2]:
        spans += _log_spans(site, json.loads(row[5]), row[4], whole)
    return spans


def _log_spans(site: Site, before: Mapping[str, str], good: bytes, whole: tuple[int, int]) -> list[Span]:
    """Stretches that lines of visits and decisions speak of, which stand in one log and not in the other."""
    try:
        old = _logs_of(parse(good), before)
    except FairvaneError:
        return [Span(*whole, "a log was changed")]
    spans = []
    for kind in ("visits", "decisions"):
        a, b = (_entries(getattr(found, kind) or ()) for found in (old, site.logs))
        for start, end, *_ in a ^ b:
            first, last = max(start, whole[0]), min(end, whole[1])
            if first <= last:
                spans.append(Span(first, last, f"{kind} were changed"))
    return spans


def _entries(entries: Sequence[Any]) -> set[tuple[Any, ...]]:
    """Lines without their numbers, so that one put in between moves no other."""
    out = set()
    for entry in entries:
        fields = {key: value for key, value in vars(entry).items() if key not in ("line", "start", "end")}
        start, end = (int(m.astype("datetime64[us]").astype("int64")) for m in (entry.start, entry.end))
        out.add((start, end, type(entry).__name__, json.dumps(fields, sort_keys=True, default=str)))
    return out


def _whole(connection: sqlite3.Connection, station_id: str) -> tuple[int, int] | None:
    """First and last time of all that is in the archive or in readable files."""
    first, last = connection.execute(
        "select min(first_us), max(last_us) from file where station = ? and standing = ?", (station_id, ledger.READ)
    ).fetchone()
    known = [row[0] for row in connection.execute("select month from month where station = ?", (station_id,))]
    edges = [months.bounds(m) for m in known] + ([(first, last)] if first is not None else [])
    return (min(a for a, _ in edges), max(b for _, b in edges)) if edges else None


def _all_files(connection: sqlite3.Connection, station_id: str) -> list[File]:
    return ledger.files(connection, station_id, (ledger.READ, ledger.REFUSED, ledger.SUPERSEDED))


def reread_files(store: Path, about: Station, files: Sequence[File]) -> list[tuple[Any, ...]]:
    """Where times stand in files that are in the store already, by a changed station file."""
    out: list[tuple[Any, ...]] = []
    for file in files:
        if file.standing == ledger.SUPERSEDED:
            continue
        content = raw.joined(store, about.id, ledger.unpacked(file.manifest))
        try:
            where, us = places.of(content, about)
        except RefusedFile as error:
            out.append((ledger.REFUSED, error.line(), b"", None, None, 0, file.id))
            continue
        has = places.has_time(us)
        if not has.any():
            out.append((ledger.REFUSED, "holds no row", b"", None, None, 0, file.id))
            continue
        bounds = int(us[has].min()), int(us[has].max())
        out.append((ledger.READ, "", where.packed(), *bounds, int(has.sum()), file.id))
    return out


# ---- what came in


def _ingest(fleet: Fleet, connection: sqlite3.Connection, out: Night, workers: Workers, progress: Any) -> None:
    asked, tasks = [], []
    for site in out.sites.values():
        try:
            arrived = _arrived(connection, site)
        except OSError as error:
            site.troubles.append(f"its inbox cannot be read ({error.strerror})")
            continue
        if arrived:
            (next_line,) = connection.execute("select next_line from station where id = ?", (site.id,)).fetchone()
            known = ledger.files(connection, site.id, (ledger.READ, ledger.REFUSED, ledger.SUPERSEDED, ledger.FOREIGN))
            asked.append(site)
            largest = fleet.largest_file_mb * 1e6
            tasks.append((station.ingest, (fleet.store, site.station, arrived, known, next_line, out.night, largest)))
    done = len(out.sites) - len(asked)
    for number, found in workers.done(tasks):
        site = asked[number]
        done += 1
        progress(done)
        if isinstance(found, Exception):
            site.troubles.append(f"its files could not be read: {_named(found)}")
            continue
        _put_down(connection, out, site, found, tasks[number][1][3])


def _arrived(connection: sqlite3.Connection, site: Site) -> list[tuple[Path, station.Stat]]:
    """Files of the inbox that were not seen as they are now."""
    seen = {
        row[0]: row[1:]
        for row in connection.execute("select path, size, changed_ns, inode from seen where station = ?", (site.id,))
    }
    out = []
    for path in site.member.files():
        with contextlib.suppress(FileNotFoundError):  # taken away just now
            about = path.stat()
            stat = (about.st_size, about.st_mtime_ns, about.st_ino)
            if seen.get(str(path)) != stat:
                out.append((path, stat))
    return out


def _put_down(
    connection: sqlite3.Connection, out: Night, site: Site, found: station.Ingested, known: Sequence[File]
) -> None:
    """Files, what they supersede, and what is to be computed, at once."""
    numbers = [f.id for f in known]
    with ledger.writing(connection):
        for one in found.files:
            if one.known is None:
                cursor = connection.execute(
                    "insert into file (station, path, sha256, size, changed_ns, inode, night, run, standing, why, "
                    "lines, manifest, places, first_us, last_us, rows) values (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
                    (
                        site.id, one.path, one.sha256, *one.stat, out.night, out.run, one.standing, one.why, one.lines,
                        one.manifest, one.places, one.first_us, one.last_us, one.rows,
                    ),
                )  # fmt: skip
                numbers.append(int(cursor.lastrowid or 0))
                file = numbers[-1]
                site.new_rows += one.rows if one.standing == ledger.READ else 0
                for older in one.supersedes:
                    number = older if older >= 0 else numbers[-1 - older]
                    connection.execute(
                        "update file set standing = ?, why = ? where id = ?",
                        (ledger.SUPERSEDED, f"{Path(one.path).name} holds all of it", number),
                    )
            else:
                file = one.known if one.known >= 0 else numbers[-1 - one.known]
            connection.execute("insert or replace into seen values (?,?,?,?,?,?)", (site.id, one.path, *one.stat, file))
        connection.execute("update station set next_line = ? where id = ?", (found.next_line, site.id))
        ledger.add_pending(connection, site.id, found.spans)
    site.troubles += found.troubles


# ---- computing


def _compute(fleet: Fleet, connection: sqlite3.Connection, out: Night, workers: Workers, progress: Any) -> None:
    _computed(fleet, connection, out, workers, list(out.sites.values()), progress)
    touched = {site.id: site.touched for site in out.sites.values() if site.touched}
    beside_them = [s for s in out.sites.values() if any(n in touched for n in s.member.neighbours)]
    if not beside_them:
        return
    with ledger.writing(connection):
        for site in beside_them:
            whole = _whole(connection, site.id)
            for other in site.member.neighbours if whole else ():
                spans = [(max(a, whole[0]), min(b, whole[1])) for a, b in touched.get(other, [])]  # type: ignore[index]
                ledger.add_pending(
                    connection, site.id, [Span(a, b, f"neighbour {other} changed") for a, b in spans if a <= b]
                )
    _computed(fleet, connection, out, workers, beside_them, lambda done: None)


def _computed(
    fleet: Fleet, connection: sqlite3.Connection, out: Night, workers: Workers, sites: Sequence[Site], progress: Any
) -> None:
    asked, tasks, taken = [], [], []
    budget = fleet.rerun_months
    for site in sites:
        spans = ledger.pending(connection, site.id)
        versions = [s for s in spans if s.why.startswith("Fairvane ")]
        allowed = versions[::-1][: max(budget, 0)]  # the latest months first
        budget -= len(allowed)
        spans = [s for s in spans if s not in versions] + allowed
        if not spans:
            continue
        margin = reach(site.station, site.limits)
        pieces = station.joined(spans, round((margin.back_s + margin.ahead_s) * SECOND))
        others = [out.sites[n].station for n in site.member.neighbours if n in out.sites]
        files = ledger.files(connection, site.id)
        asked.append(site)
        taken.append(spans)
        tasks.append((compute_all, (fleet.store, site.station, site.logs, site.limits, files, pieces, others)))
    done = len(sites) - len(asked)
    for number, found in workers.done(tasks):
        site = asked[number]
        done += 1
        progress(done)
        if isinstance(found, Exception):
            site.troubles.append(f"could not be computed: {_named(found)}")
            continue
        with ledger.writing(connection):
            connection.executemany(
                "delete from pending where station = ? and first_us = ? and last_us = ? and why = ?",
                [(site.id, s.first_us, s.last_us, s.why) for s in taken[number]],
            )
            for one in found:
                names = ",".join(one.months)
                row = (out.run, site.id, one.span.first_us, one.span.last_us, one.span.why, names)
                connection.execute("insert into done values (?,?,?,?,?,?)", row)
                for month, (digest, rows) in one.months.items():
                    connection.execute("insert or replace into month values (?,?,?,?)", (site.id, month, digest, rows))
                days = [(site.id, day, *counts) for day, counts in one.days.items()]
                connection.executemany("insert or replace into day values (?,?,?,?)", days)
                if one.last_us is not None:
                    connection.execute(
                        "update station set last_us = max(coalesce(last_us, ?), ?), battery = coalesce(?, battery) "
                        "where id = ?", (one.last_us, one.last_us, one.battery, site.id),
                    )  # fmt: skip
                if one.touched:
                    site.touched.append(one.touched)
                site.computed.append(one.span)


def compute_all(
    store: Path, about: Station, logs: Logs, limits: Limits, files: Sequence[File], spans: Sequence[Span],
    others: Sequence[Station],
) -> list[station.Computed]:  # fmt: skip
    """All spans of one station, one after the other: two of them may share a month."""
    out = []
    margin = reach(about, limits)
    wide = round(2 * (margin.back_s + margin.ahead_s) * SECOND)
    for span in spans:
        neighbours: list[Neighbour] = []
        for other in others:
            neighbours += beside.neighbour(store, other, about, span.first_us - wide, span.last_us + wide)
        neighbours.sort(key=lambda n: (n.distance_km, n.id, n.table))
        out.append(station.compute(store, about, logs, limits, files, span, neighbours))
    return out


def _named(error: BaseException) -> str:
    _log.debug("traceback", exc_info=error)
    if isinstance(error, FairvaneError):
        return error.line()
    told = getattr(error, "strerror", None) or str(error)
    return f"{printable(told, 200)} ({type(error).__name__})"
