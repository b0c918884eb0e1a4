"""A night: what came in is read, what it touches is computed, the store is left whole however the run ends.

The parent alone writes the ledger. What is to be computed stands there before it is begun; a run that is killed is
finished by the next one.
"""

from __future__ import annotations

import contextlib
import dataclasses
import fcntl
import hashlib
import json
import logging
import secrets
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from qc import logs as logs_
from qc import run as run_
from qc import tomlfile
from qc.archive import beside, ledger, months, places, raw, station, turn
from qc.archive.fleet import Fleet, Member
from qc.archive.foreign import Clue, Count
from qc.archive.ledger import File, Span
from qc.archive.workers import Lazy, Task, Workers
from qc.chain import LONGEST_REACH_S, Progress, reach
from qc.errors import FairvaneError, LogError, OutputError, StationFileError, printable
from qc.limits import Limits
from qc.logs import Logs
from qc.neighbours import Neighbour
from qc.record import SECOND
from qc.station import Station, parse
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
    since: int = 0
    """The run whose digest was the last one told, of an earlier night."""
    order: station.Order = field(default_factory=lambda: station.Order("", ""))
    broken_off: bool = False
    """Whether an earlier run was killed."""

    def told(self) -> list[tuple[str, str]]:
        """All troubles: the station, and what."""
        return [*self.troubles, *((site.id, what) for site in self.sites.values() for what in site.troubles)]


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


def run(
    fleet: Fleet, workers: Workers, *, night: str, until_us: int = 2**62, progress: Progress = lambda done, total: None
) -> Night:  # fmt: skip
    """One night's reading and checking; call it within `locked`.

    Parameters
    ----------
    night : str
        date that names it, YYYY-MM-DD.
    until_us : int
        a row with a later stamp (microseconds UTC) is in the archive, but is nobody's last row.
    """
    connection = _opened(fleet.store)
    with contextlib.closing(connection):
        out = _begun(fleet, connection, night, until_us)
        _members(fleet, connection, out)
        count = len(out.sites)
        _changes(fleet, connection, out, workers)
        _ingest(fleet, connection, out, workers, lambda done: progress(done, 2 * count))
        _compute(fleet, connection, out, workers, lambda done: progress(count + min(done, count), 2 * count))
        _told_since(connection, out)
    return out


def _opened(store: Path) -> sqlite3.Connection:
    where = printable(store / "ledger.sqlite", 200)
    try:
        return ledger.connect(store / "ledger.sqlite")
    except sqlite3.Error as error:
        raise OutputError(
            f"cannot be used ({error})", where=where, mend="put back a copy, or give another store"
        ) from None


def _begun(fleet: Fleet, connection: sqlite3.Connection, night: str, until_us: int) -> Night:
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    token = secrets.token_hex(8)
    turn.begun(fleet.store, token)
    with ledger.writing(connection):
        broken = connection.execute("update run set outcome = 'broken off' where outcome is null").rowcount > 0
        cursor = connection.execute(
            "insert into run (night, token, fairvane, begun) values (?, ?, ?, ?)", (night, token, __version__, now)
        )
    if broken:
        raw.sweep(fleet.store)
    order = station.Order(night, token, fleet.largest_file_mb * 1e6, ledger.tokens(connection), until_us)
    since = ledger.last_night(connection, night)
    return Night(night, int(cursor.lastrowid or 0), {}, since=since, order=order, broken_off=broken)


def ended(connection: sqlite3.Connection, out: Night, diagnosed: Sequence[str]) -> None:
    """Tell the ledger that the digest of a night stands in the outbox: what it told is no news any more."""
    now = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    with ledger.writing(connection):
        rows = [(out.run, name, what) for name, what in dict.fromkeys(out.told())]
        connection.executemany("insert into trouble values (?, ?, ?)", rows)
        connection.executemany("update station set due = 0 where id = ?", [(name,) for name in diagnosed])
        connection.execute("update run set ended = ?, outcome = 'done' where id = ?", (now, out.run))
        connection.execute("delete from finding where run not in (select id from run where outcome = 'done')")
        connection.execute(
            "delete from finding where exists (select 1 from finding as later join run on run.id = later.run where "
            "later.station = finding.station and later.id = finding.id and later.run > finding.run and run.night < ?)",
            (out.night,),
        )


def _told_since(connection: sqlite3.Connection, out: Night) -> None:
    """New rows, what was computed, and files that were left out, since the last night that was told."""
    for site in out.sites.values():
        asked = (site.id, out.since)
        (site.new_rows,) = connection.execute(
            "select coalesce(sum(fresh), 0) from file where station = ? and run > ? and standing in ('read', "
            "'superseded')", asked,
        ).fetchone()  # fmt: skip
        spans = connection.execute(
            "select first_us, last_us, why from done where station = ? and run > ? order by rowid", asked
        )
        site.computed = [Span(*row) for row in spans]
        left_out = connection.execute(
            "select path, why from file where station = ? and run > ? and standing in ('refused', 'foreign') "
            "order by id", asked,
        )  # fmt: skip
        site.troubles += [f"{printable(Path(path).name)}: {why}" for path, why in left_out]


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
        good = tomlfile.read(member.file, error=StationFileError, what="station file", mend="mend the fleet file")
        found = parse(good, where=printable(member.file, 200), path=member.file)
        texts = {
            kind: (member.file.parent / name).read_bytes().decode("utf-8", "surrogateescape")
            for kind in logs_.COLUMNS
            if (name := getattr(found.station, kind)) is not None
        }
        return Site(member, found, logs_.read(found), run_.limits_of(found, fleet.rules), good, texts)
    except Exception as error:  # whatever it is, the other stations go on
        told = _named(error)
        kind = "its log" if isinstance(error, LogError) else "its station file"
    site = _last_good(fleet, member, connection)
    if site is None:
        out.troubles.append((printable(member.file.stem, 40), told))
        return None
    site.troubles.append(f"{kind} cannot be used, the last good one stays in force: {told}")
    return site


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
    again: list[tuple[Site, bool]] = []
    for site in out.sites.values():
        row = connection.execute(
            "select station_sha, rules_sha, logs_sha, beside_sha, fairvane, good, good_logs, read_sha from station "
            "where id = ?", (site.id,),
        ).fetchone()  # fmt: skip
        sums = _sums(site, out)
        if row is None:
            with ledger.writing(connection):
                connection.execute("insert into station (id, read_sha) values (?, ?)", (site.id, _reading(site, sums)))
                _told(connection, site, sums)
            continue
        if row[:5] != sums:
            spans = _touched_by(connection, site, row, sums)
            with ledger.writing(connection):
                ledger.add_pending(connection, site.id, spans)
                _told(connection, site, sums)
        if row[7] != _reading(site, sums):
            by_version = row[7].rpartition(" ")[0] == _reading(site, sums).rpartition(" ")[0]
            again.append((site, by_version))

    def task(number: int) -> Task:
        site, by_version = again[number]
        # a new version may read what the old one could not; the other files are computed again within the budget
        files = ledger.files(connection, site.id, (ledger.REFUSED,)) if by_version else _all_files(connection, site.id)
        others = {name: out.sites[name].station for name in _others(connection, site.id) if name in out.sites}
        arguments = (fleet.store, site.station, files, {} if site.member.own_inbox else others)
        return turn.taken, (fleet.store, out.order.turn, reread_files, arguments)

    for number, found in workers.done(Lazy(len(again), task)):
        site, by_version = again[number]
        if isinstance(found, Exception):
            site.troubles.append(f"its files could not be read again: {_named(found)}")
            continue
        with ledger.writing(connection):
            before = _whole(connection, site.id)
            connection.executemany(
                "update file set standing = ?, why = ?, places = ?, first_us = ?, last_us = ?, rows = ? where id = ?",
                found,
            )
            after = _whole(connection, site.id)
            if by_version:
                spans = [Span(f[3], f[4], "a new version can read it") for f in found if f[0] == ledger.READ]
            else:
                spans = [Span(*whole, "the station file was changed") for whole in {before, after} if whole]
            ledger.add_pending(connection, site.id, spans)
            sums = _sums(site, out)
            connection.execute("update station set read_sha = ? where id = ?", (_reading(site, sums), site.id))


def _others(connection: sqlite3.Connection, station_id: str) -> set[str]:
    asked = "select distinct other from file where station = ? and standing = 'foreign'"
    return {row[0] for row in connection.execute(asked, (station_id,))}


def _reading(site: Site, sums: tuple[str, ...]) -> str:
    """What the standing of files depends on."""
    return f"{sums[0]} {site.member.own_inbox} {sums[-1]}"


def _sums(site: Site, out: Night) -> tuple[str, str, str, str, str]:
    unread: Any = {"learnt": True, "rules": True, "station": {"name", "visits", "decisions", "corrections"}}
    model = json.dumps(site.station.model_dump(exclude=unread, warnings=False), sort_keys=True, default=str)
    beside_it = [_seen_from_beside(out.sites[n].station) for n in site.member.neighbours if n in out.sites]
    return (
        _sum(model), site.limits.sha256, _sum(json.dumps(site.good_logs, sort_keys=True)), _sum(json.dumps(beside_it)),
        __version__,
    )  # fmt: skip


def _sum(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _seen_from_beside(other: Station) -> list[Any]:
    """What the checks of a station depend on in the station file of its neighbour."""
    site = other.station
    tables = [[t.id, t.kind, t.interval_s, t.side] for t in other.table]
    channels = [[c.name, other.table_of(c).id, c.quantity, c.statistic] for c in other.channel]
    return [other.id, site.latitude, site.longitude, site.elevation, tables, channels]


def _told(connection: sqlite3.Connection, site: Site, sums: tuple[str, ...]) -> None:
    connection.execute(
        "update station set station_sha = ?, rules_sha = ?, logs_sha = ?, beside_sha = ?, fairvane = ?, good = ?, "
        "good_logs = ? "
        "where id = ?",
        (*sums, site.good, json.dumps(site.good_logs), site.id),
    )
    connection.execute("insert or replace into meta values (?, ?)", (f"file:{site.member.file}", site.id))


def _touched_by(
    connection: sqlite3.Connection, site: Site, row: tuple[Any, ...], sums: tuple[str, ...]
) -> list[Span]:  # fmt: skip
    whole = _whole(connection, site.id)
    if whole is None:
        return []
    changed = ("the station file was changed", "rules were changed", None, "its neighbours were changed")
    spans = [Span(*whole, why) for n, why in enumerate(changed) if why and row[n] != sums[n]]
    if row[4] != sums[4]:
        spans += [
            Span(max(a, whole[0]), min(b, whole[1]), f"Fairvane {row[4]} became {sums[4]}")
            for a, b in map(months.bounds, months.months(*whole))
        ]
    if row[2] != sums[2]:
        spans += _log_spans(site, json.loads(row[6]), row[5], whole)
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
    standings = (ledger.READ, ledger.REFUSED, ledger.SUPERSEDED, ledger.FOREIGN)
    return ledger.files(connection, station_id, standings)


def reread_files(
    store: Path, about: Station, files: Sequence[File], others: Mapping[str, Station]
) -> list[tuple[Any, ...]]:  # fmt: skip
    """Standing, why, places, first and last time, rows and id of files that are in the store already, by a changed
    station file. `others` are stations that foreign files seemed to be of."""
    out: dict[int, tuple[Any, ...]] = {}
    readable: list[File] = []
    for file in files:
        if file.standing == ledger.SUPERSEDED:
            continue
        ids = ledger.unpacked(file.manifest)
        found = station.looked_at(raw.joined(store, about.id, ids), about)
        if isinstance(found, str):
            out[file.id] = (ledger.REFUSED, found, b"", None, None, 0, file.id)
            continue
        where, us, _ = found
        has = places.has_time(us)
        first, last = int(us[has].min()), int(us[has].max())
        standing, why = ledger.READ, ""
        now = dataclasses.replace(file, first_us=first, last_us=last, places=where.packed())
        if (
            file.standing == ledger.FOREIGN
            and others
            and (
                any(station.still_foreign(store, about, other, first, where, ids) for other in others.values())
                or station.at_odds(store, about, now, files)
            )
        ):
            standing, why = ledger.FOREIGN, file.why
        else:
            readable.append(dataclasses.replace(file, first_us=first, last_us=last))
        out[file.id] = (standing, why, where.packed(), first, last, int(has.sum()), file.id)
    for number, name in station.begun(store, about.id, readable).items():
        out[number] = (ledger.SUPERSEDED, f"{name} holds all of it", *out[number][2:])
    return list(out.values())


# ---- what came in


def _ingest(fleet: Fleet, connection: sqlite3.Connection, out: Night, workers: Workers, progress: Any) -> None:
    asked: list[tuple[Site, list[tuple[Path, station.Stat]]]] = []
    for site in out.sites.values():
        try:
            arrived = _arrived(connection, site)
        except OSError as error:
            site.troubles.append(f"its inbox cannot be read ({error.strerror})")
            continue
        if arrived:
            asked.append((site, arrived))
    clues = [
        Clue(name, out.sites[name].station.station.elevation, us, hpa)
        for name, us, hpa in connection.execute("select id, pressure_us, pressure from station order by id")
        if us is not None and name in out.sites
    ]

    stands = _counts(connection, out)

    def task(number: int) -> Task:
        site, arrived = asked[number]
        (next_line,) = connection.execute("select next_line from station where id = ?", (site.id,)).fetchone()
        known = _all_files(connection, site.id)
        others = ([], []) if site.member.own_inbox else (clues, stands)
        arguments = (fleet.store, site.station, arrived, known, next_line, out.order, *others)
        return turn.taken, (fleet.store, out.order.turn, station.ingest, arguments)

    done = len(out.sites) - len(asked)
    for number, found in workers.done(Lazy(len(asked), task)):
        site = asked[number][0]
        done += 1
        progress(done)
        if isinstance(found, Exception):
            site.troubles.append(f"its files could not be read: {_named(found)}")
            continue
        _put_down(connection, out, site, found)


def _counts(connection: sqlite3.Connection, out: Night) -> list[Count]:
    """Where the line counters of the stations stand."""
    found = connection.execute("select value from meta where key like 'count:%' order by key")
    known = [Count(*json.loads(value)) for (value,) in found]
    return [count for count in known if count.station in out.sites]


def _arrived(connection: sqlite3.Connection, site: Site) -> list[tuple[Path, station.Stat]]:
    """Files of the inbox that were not seen as they are now."""
    seen = {
        row[0]: row[1:]
        for row in connection.execute("select path, size, changed_ns, inode from seen where station = ?", (site.id,))
    }
    out = []
    for path in site.member.files():
        with contextlib.suppress(FileNotFoundError):  # taken away just now
            about = path.lstat()
            stat = (about.st_size, about.st_mtime_ns, about.st_ino)
            if seen.get(station.named(path)) != stat:
                out.append((path, stat))
    return out


def _put_down(connection: sqlite3.Connection, out: Night, site: Site, found: station.Ingested) -> None:
    """Files, what they supersede, and what is to be computed, at once."""
    numbers = [f.id for f in _all_files(connection, site.id)]
    with ledger.writing(connection):
        for one in found.files:
            if one.known is None:
                cursor = connection.execute(
                    "insert into file (station, path, sha256, size, changed_ns, inode, night, run, standing, why, "
                    "lines, manifest, places, first_us, last_us, rows, fresh, other) "
                    "values (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
                    (
                        site.id, one.path, one.sha256, *one.stat, out.night, out.run, one.standing, one.why, one.lines,
                        one.manifest, one.places, one.first_us, one.last_us, one.rows, one.fresh, one.other,
                    ),
                )  # fmt: skip
                numbers.append(int(cursor.lastrowid or 0))
                file = numbers[-1]
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
        for count in found.counts:
            connection.execute(
                "insert into meta values (?1, ?2) on conflict (key) do update set value = ?2 where "
                "json_extract(value, '$[2]') < ?3",
                (f"count:{site.id}:{count.table}", json.dumps(dataclasses.astuple(count)), count.us),
            )
        ledger.add_pending(connection, site.id, found.spans)
    site.troubles += found.troubles


# ---- computing


def _compute(fleet: Fleet, connection: sqlite3.Connection, out: Night, workers: Workers, progress: Any) -> None:
    beside_them: dict[str, list[Site]] = {}
    for site in out.sites.values():
        for other in site.member.neighbours:
            beside_them.setdefault(other, []).append(site)
    budget = _computed(fleet, connection, out, workers, beside_them, fleet.rerun_months, progress)
    if beside_them:  # what stations left for those beside them; these leave nothing more, or two would call for ever
        _computed(fleet, connection, out, workers, {}, budget, lambda done: None)


def _computed(
    fleet: Fleet, connection: sqlite3.Connection, out: Night, workers: Workers, beside_them: Mapping[str, list[Site]],
    budget: int, progress: Any,
) -> int:  # fmt: skip
    """Compute what is pending; gives what is left of the station-months that a new version may re-run tonight."""
    asked: list[tuple[Site, list[Span]]] = []
    for site in out.sites.values():
        spans = ledger.pending(connection, site.id)
        versions = [s for s in spans if s.why.startswith("Fairvane ")]
        allowed = versions[::-1][: max(budget, 0)]  # the latest months first
        budget -= len(allowed)
        spans = [s for s in spans if s not in versions] + allowed
        if spans:
            asked.append((site, spans))

    def task(number: int) -> Task:
        site, spans = asked[number]
        others = [out.sites[n].station for n in site.member.neighbours if n in out.sites]
        wide = round(4 * LONGEST_REACH_S * SECOND) + places.slop_us(site.station)
        between = min(s.first_us for s in spans) - wide, max(s.last_us for s in spans) + wide
        files = ledger.files(connection, site.id, between=between)
        until = out.order.until_us
        arguments = (fleet.store, site.station, site.logs, site.limits, files, spans, others, until)
        return turn.taken, (fleet.store, out.order.turn, compute_all, arguments)

    fresh: set[tuple[str, Span]] = set()
    done = len(out.sites) - len(asked)
    for number, found in workers.done(Lazy(len(asked), task)):
        site, spans = asked[number]
        done += 1
        progress(done)
        if isinstance(found, Exception):
            site.troubles.append(f"could not be computed: {_named(found)}")
            continue
        with ledger.writing(connection):
            connection.executemany(
                "delete from pending where station = ? and first_us = ? and last_us = ? and why = ?",
                [(site.id, s.first_us, s.last_us, s.why) for s in spans if (site.id, s) not in fresh],
            )
            for one in found:
                _put_computed(connection, out, site, one)
            # in the same breath, so that a run that is killed here leaves no neighbour behind
            for other in beside_them.get(site.id, ()):
                left = _for_neighbour(connection, site, other, found)
                ledger.add_pending(connection, other.id, left)
                fresh |= {(other.id, span) for span in left}
    return budget


def _put_computed(connection: sqlite3.Connection, out: Night, site: Site, one: station.Computed) -> None:
    names = ",".join(one.months)
    row = (out.run, site.id, one.span.first_us, one.span.last_us, one.span.why, names)
    connection.execute("insert into done values (?,?,?,?,?,?)", row)
    for month, (digest, rows) in one.months.items():
        connection.execute("insert or replace into month values (?,?,?,?)", (site.id, month, digest, rows))
    days = [(site.id, day, *counts) for day, counts in one.days.items()]
    connection.executemany("insert or replace into day values (?,?,?,?)", days)
    connection.execute("update station set due = 1 where id = ?", (site.id,))
    newest = one.latest
    if newest.us is not None:
        connection.execute(
            "update station set last_us = ?1, battery = coalesce(?2, battery) where id = ?3 and "
            "coalesce(last_us, ?1) <= ?1", (newest.us, newest.battery, site.id),
        )  # fmt: skip
    if newest.pressure is not None:
        connection.execute(
            "update station set pressure_us = ?1, pressure = ?2 where id = ?3 and coalesce(pressure_us, ?1) <= ?1",
            (*newest.pressure, site.id),
        )


def _for_neighbour(
    connection: sqlite3.Connection, site: Site, other: Site, found: Sequence[station.Computed]
) -> list[Span]:  # fmt: skip
    """What changed values of a station touch at a station that has it as a neighbour."""
    whole = _whole(connection, other.id)
    if whole is None:
        return []
    edges = [(max(one.touched[0], whole[0]), min(one.touched[1], whole[1])) for one in found if one.touched]
    return [Span(a, b, f"neighbour {site.id} changed") for a, b in edges if a <= b]


def compute_all(
    store: Path, about: Station, logs: Logs, limits: Limits, files: Sequence[File], spans: Sequence[Span],
    others: Sequence[Station], until_us: int,
) -> list[station.Computed]:  # fmt: skip
    """All spans of one station, one after the other: two of them may share a month."""
    out = []
    margin = reach(about, limits)
    wide = round(2 * (margin.back_s + margin.ahead_s) * SECOND)
    for span in station.joined(spans, round((margin.back_s + margin.ahead_s) * SECOND)):
        neighbours: list[Neighbour] = []
        for other in others:
            neighbours += beside.neighbour(store, other, about, span.first_us - wide, span.last_us + wide)
        neighbours.sort(key=lambda n: (n.distance_km, n.id, n.table))
        out.append(station.compute(store, about, logs, limits, files, span, margin, neighbours, until_us))
    return out


def _named(error: BaseException) -> str:
    _log.debug("traceback", exc_info=error)
    if isinstance(error, FairvaneError):
        return error.line()
    told = getattr(error, "strerror", None) or str(error)
    return f"{printable(told, 200)} ({type(error).__name__})"
