"""The ledger: what came in, what each run did and why, what is still to be done, findings and their state (SQLite).

What is to be done stands in `pending` before it is begun and is taken out when its result stands in the archive: a
run that is killed anywhere is finished by the next one.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]

FORM = 1
"""Number of this form of the ledger; another one is refused."""

_SCHEMA = """
create table meta (key text primary key, value text not null) without rowid;
create table run (
  id integer primary key, night text not null, token text not null, fairvane text not null, begun text not null,
  ended text, outcome text);
create table file (
  id integer primary key, station text not null, path text not null, sha256 text not null, size integer not null,
  changed_ns integer not null, inode integer not null, night text not null, run integer not null references run,
  standing text not null, why text not null default '', lines integer not null, manifest blob not null,
  places blob not null default x'', first_us integer, last_us integer, rows integer not null default 0,
  fresh integer not null default 0, other text not null default '');
create index file_of on file (station, standing);
create unique index file_once on file (station, sha256);
create table seen (
  station text not null, path text not null, size integer not null, changed_ns integer not null, inode integer not null,
  file integer not null references file, primary key (station, path)) without rowid;
create table station (
  id text primary key, next_line integer not null default 0, station_sha text not null default '',
  read_sha text not null default '', rules_sha text not null default '', logs_sha text not null default '',
  beside_sha text not null default '', fairvane text not null default '', good bytes not null default x'',
  good_logs text not null default '{}', last_us integer, battery real, pressure_us integer, pressure real,
  due integer not null default 0, silent text not null default '') without rowid;
create table pending (
  station text not null, first_us integer not null, last_us integer not null, why text not null,
  primary key (station, first_us, last_us, why)) without rowid;
create table done (
  run integer not null references run, station text not null, first_us integer not null, last_us integer not null,
  why text not null, months text not null);
create table month (
  station text not null, month text not null, sha256 text not null, rows integer not null,
  primary key (station, month)) without rowid;
create table finding (
  station text not null, id text not null, run integer not null references run, fault text not null,
  state text not null, began text not null, document text not null, primary key (station, id, run)) without rowid;
create table day (
  station text not null, day text not null, expected integer not null, usable integer not null,
  primary key (station, day)) without rowid;
create table trouble (run integer not null references run, station text not null, what text not null);
"""

READ, REFUSED, SUPERSEDED, FOREIGN, EMPTY = "read", "refused", "superseded", "foreign", "empty"


@dataclass(frozen=True)
class File:
    """One file that was read: the ids of its lines in order, and where in it which times stand."""

    id: int
    station: str
    path: str
    sha256: str
    standing: str
    why: str
    lines: int
    manifest: bytes
    places: bytes
    first_us: int | None
    last_us: int | None


@dataclass(frozen=True)
class Span:
    """A stretch of time (microseconds UTC, both ends included) that is to be computed, and why."""

    first_us: int
    last_us: int
    why: str


def packed(ids: Ints) -> bytes:
    """Line ids as runs of (first, count), compressed."""
    if not len(ids):
        return b""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(ids) != 1]))
    counts = np.diff(np.append(starts, len(ids)))
    return zlib.compress(np.stack([ids[starts], counts]).astype("<i8").tobytes(), 6)


def unpacked(blob: bytes) -> Ints:
    """Line ids from `packed`."""
    if not blob:
        return np.zeros(0, np.int64)
    starts, counts = np.frombuffer(zlib.decompress(blob), "<i8").reshape(2, -1).astype(np.int64)
    before = np.concatenate([[0], np.cumsum(counts)[:-1]])
    return np.repeat(starts - before, counts) + np.arange(int(counts.sum()))


def connect(path: Path) -> sqlite3.Connection:
    """Open the ledger, made if it is not there.

    Raises
    ------
    sqlite3.DatabaseError
        if it is none, or has another form.
    """
    connection = sqlite3.connect(path, timeout=60.0, isolation_level=None)
    connection.execute("pragma journal_mode = wal")
    connection.execute("pragma synchronous = full")
    connection.execute("pragma foreign_keys = on")
    with writing(connection):
        if not connection.execute("select 1 from sqlite_master where name = 'meta'").fetchone():
            for statement in _SCHEMA.split(";\n"):
                if statement.strip():
                    connection.execute(statement)
            connection.execute("insert into meta values ('form', ?)", (str(FORM),))
    (form,) = connection.execute("select value from meta where key = 'form'").fetchone()
    if form != str(FORM):
        raise sqlite3.DatabaseError(f"has form {form}, this version knows {FORM}")
    return connection


@contextmanager
def writing(connection: sqlite3.Connection) -> Iterator[None]:
    """A transaction: all of it or nothing."""
    connection.execute("begin immediate")
    try:
        yield
    except BaseException:
        connection.execute("rollback")
        raise
    connection.execute("commit")


def files(
    connection: sqlite3.Connection, station: str, standings: Sequence[str] = (READ,),
    between: tuple[int, int] | None = None,
) -> list[File]:  # fmt: skip
    """Files of a station of some standings, by id; those with rows between two times where these are given."""
    marks = ",".join("?" * len(standings))
    first, last = between or (-(2**62), 2**62)
    rows = connection.execute(
        "select id, station, path, sha256, standing, why, lines, manifest, places, first_us, last_us from file "
        f"where station = ? and standing in ({marks}) and coalesce(first_us, ?) <= ? and coalesce(last_us, ?) >= ? "
        "order by id",
        (station, *standings, first, last, last, first),
    )
    return [File(*row) for row in rows]


def last_night(connection: sqlite3.Connection, night: str) -> int:
    """The last run of an earlier night whose digest stands in the outbox, 0 where there is none.

    What is news tonight is what came about since: a run that was killed told nobody, and a second run of one night
    tells all of it again.
    """
    (found,) = connection.execute("select max(id) from run where outcome = 'done' and night < ?", (night,)).fetchone()
    return int(found or 0)


def tokens(connection: sqlite3.Connection) -> frozenset[str]:
    """Tokens of all runs of this ledger."""
    return frozenset(row[0] for row in connection.execute("select token from run"))


def pending(connection: sqlite3.Connection, station: str) -> list[Span]:
    """What is still to be computed of a station, earliest first."""
    rows = connection.execute(
        "select first_us, last_us, why from pending where station = ? order by first_us, last_us, why", (station,)
    )
    return [Span(*row) for row in rows]


def add_pending(connection: sqlite3.Connection, station: str, spans: Iterable[Span]) -> None:
    """Put down what is to be computed; call it within `writing`."""
    connection.executemany(
        "insert or ignore into pending values (?, ?, ?, ?)", [(station, s.first_us, s.last_us, s.why) for s in spans]
    )
