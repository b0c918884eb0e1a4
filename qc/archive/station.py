"""One station's part of a night: what came in, what is to be computed, and computing it.

These functions write raw lines and months of the archive, and give back what the ledger is to be told; they never
write the ledger, so that workers and clusters can run them. Each can be run again after it was killed.
"""

from __future__ import annotations

import hashlib
import logging
import os
import stat as stat_
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from qc import chain
from qc.archive import counts, foreign, ledger, months, places, raw
from qc.archive.foreign import Clue, Count, Counted
from qc.archive.ledger import File, Span
from qc.chain import Checked
from qc.errors import InputError, RefusedFile, printable
from qc.limits import Limits
from qc.logs import NO_LOGS, Logs
from qc.neighbours import Neighbour
from qc.read.lines import from_bytes
from qc.read.source import Look
from qc.read.tables import read_tables
from qc.record import SECOND, Record
from qc.station import Station
from qc.verdicts import USABLE

if TYPE_CHECKING:
    import pyarrow as pa

Ints = NDArray[np.int64]
Stat = tuple[int, int, int]
"""Size, time of change in ns, inode."""

_log = logging.getLogger("fairvane")
_PRESSURES = 6  # values whose median is compared (judgement)
_PIECE_US = 40 * 86_400 * SECOND  # computed at once, so that memory stays flat (judgement)


@dataclass(frozen=True)
class Arrived:
    """One file of the inbox, as the ledger is to be told; `known` is the id of a file of the same bytes."""

    path: str
    stat: Stat
    sha256: str
    standing: str
    why: str = ""
    lines: int = 0
    manifest: bytes = b""
    places: bytes = b""
    first_us: int | None = None
    last_us: int | None = None
    rows: int = 0
    fresh: int = 0
    known: int | None = None
    supersedes: tuple[int, ...] = ()
    other: str = ""
    """The station that it seems to be of, where it is left out as foreign."""


@dataclass(frozen=True)
class Ingested:
    """What came in for one station."""

    station: str
    files: tuple[Arrived, ...] = ()
    next_line: int = 0
    spans: tuple[Span, ...] = ()
    troubles: tuple[str, ...] = ()
    counts: tuple[Count, ...] = ()
    """Where the line counters of the station stand in the files that were read."""


@dataclass(frozen=True)
class Order:
    """What a night tells the workers: its name, its token, the largest file that is read, and the lines that count."""

    night: str
    turn: str
    largest_bytes: float = np.inf
    runs: frozenset[str] = frozenset()
    until_us: int = 2**62


@dataclass
class _Known:
    """Files of a station as they are known while others come in."""

    files: list[File]
    sums: dict[str, File]
    clues: Sequence[Clue]
    counts: Sequence[Count]
    stands: dict[str, Count] = field(default_factory=dict)


def ingest(
    store: Path, station: Station, arrived: Sequence[tuple[Path, Stat]], known: Sequence[File], next_line: int,
    order: Order, clues: Sequence[Clue] = (), others: Sequence[Count] = (),
) -> Ingested:  # fmt: skip
    """Take files of the inbox into the raw lines.

    Parameters
    ----------
    arrived : paths with their stat, in any order
        files that the ledger has not seen with this stat.
    known : sequence of File
        all files of the station in the ledger.
    next_line : int
        id of the next new line.
    clues : sequence of Clue
        last pressures of the stations of the fleet: see `qc.archive.foreign`.
    others : sequence of Count
        where the line counters of the stations of the fleet stand.
    """
    aside = raw.tidy(store, station.id, next_line, order.runs)
    state = _Known(list(known), {f.sha256: f for f in known}, clues, others)
    out: list[Arrived] = []
    spans: list[Span] = []
    troubles: list[str] = []
    if aside:
        troubles.append(
            f"{aside} files of raw lines are newer than the ledger (was an older copy put back?); kept in "
            f"raw/station={station.id}/{raw.ASIDE}, and not read"
        )
    for path, stat in sorted(arrived):
        name = printable(path.name, 80)
        if stat[0] > order.largest_bytes:
            troubles.append(f"{name}: {stat[0] / 1e6:.0f} MB is more than largest_file_mb allows; left alone")
            continue
        try:
            content = _content(path, order.largest_bytes)
        except OSError as error:
            troubles.append(f"{name}: cannot be read ({error.strerror})")
            continue
        if not content:
            continue
        digest = hashlib.sha256(content).hexdigest()
        if digest in state.sums:
            one = state.sums[digest]
            out.append(Arrived(named(path), stat, digest, one.standing, known=one.id))
            continue
        one_, touched, next_line = _taken(store, station, path, stat, content, digest, state, next_line, order)
        out.append(one_)
        spans += touched
    return Ingested(station.id, tuple(out), next_line, tuple(spans), tuple(troubles), tuple(state.stands.values()))


def named(path: Path) -> str:
    """A path as text that any program can write: bytes that are no UTF-8 are spelt out."""
    return os.fsencode(path).decode("utf-8", "backslashreplace")


def _content(path: Path, largest: float) -> bytes:
    """Bytes of a plain file; none where it has become something else since the inbox was looked through."""
    with os.fdopen(os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK), "rb") as file:
        if not stat_.S_ISREG(os.fstat(file.fileno()).st_mode):
            return b""
        content = file.read() if not np.isfinite(largest) else file.read(int(largest) + 1)
    return b"" if len(content) > largest else content  # it grows while it is read: the next night tells


def _taken(
    store: Path, station: Station, path: Path, stat: Stat, content: bytes, digest: str, state: _Known, next_line: int,
    order: Order,
) -> tuple[Arrived, list[Span], int]:  # fmt: skip
    """One new file: its lines put down, and the times that it touches."""
    name = named(path)
    lines = raw.placed(store, station.id, next_line, content)
    after = raw.write(store, station.id, next_line, Path(name).name, order.night, lines, order.turn)
    about: dict[str, Any] = {"lines": len(lines.ids), "manifest": ledger.packed(lines.ids)}

    def kept(standing: str, why: str, spans: Sequence[Span] = (), **more: Any) -> tuple[Arrived, list[Span], int]:
        one = Arrived(name, stat, digest, standing, why, **about, **more)
        return _kept(state, one), list(spans), after

    read = [f for f in state.files if f.standing == ledger.READ]
    if not (lines.ids[:-1] >= next_line).any():  # nothing new but the last line, which may have been cut off
        for f in read:
            if _begins(store, station.id, lines.ids, ledger.unpacked(f.manifest)):
                return kept(ledger.SUPERSEDED, f"{Path(f.path).name} holds all of it")
    found = looked_at(content, station)
    if isinstance(found, str):
        return kept(ledger.REFUSED, found)
    where, us, by_line = found
    has = places.has_time(us)
    first, last = int(us[has].min()), int(us[has].max())
    rows: dict[str, Any] = {"places": where.packed(), "first_us": first, "last_us": last, "rows": int(has.sum())}
    if found_other := _foreign(store, station, where, lines.ids, state.clues):
        other, why = found_other
        return kept(ledger.FOREIGN, why, **rows, other=other)
    slop = places.slop_us(station)
    close = [f for f in read if _meets(f, first - slop, last + slop)]
    older = [f for f in close if _begins(store, station.id, ledger.unpacked(f.manifest), lines.ids)]
    here = counts.of(content, station) if counts.able(station) else {}
    if here and close and not older:
        own = _counted(store, station, close, first, last)
        other, number, table = counts.another(station, own, here, state.counts)
        if other:
            why = f"looks like a file of {other}: row {number:.0f} of {table} goes on with its line counter; left out"
            return kept(ledger.FOREIGN, why, **rows, other=other)
    for count in counts.latest(here, station):
        if count.table not in state.stands or state.stands[count.table].us < count.us:
            state.stands[count.table] = count
    stands = ~has
    if by_line:
        for f in close:
            ids = ledger.unpacked(f.manifest)
            bare = places.Places.unpacked(f.places).bare
            if f in older or np.array_equal(ids[bare], lines.ids[where.bare]):  # the same line means the same row
                stands |= np.isin(lines.ids, ids)
    fresh = us[has & ~stands]
    touched = us[has] if slop else fresh
    spans = stretches(touched, f"new in {Path(name).name}") if len(touched) else []
    for f in older:  # its last line may have been cut off
        state.files[state.files.index(f)] = replace(f, standing=ledger.SUPERSEDED)
        known = places.Places.unpacked(f.places)
        if len(known.first_us) and known.first_us[-1] > np.iinfo(np.int64).min:
            ends = int(known.first_us[-1]), int(known.last_us[-1])
        else:
            ends = f.first_us or first, f.last_us or last
        spans.append(Span(*ends, f"{Path(f.path).name} has grown"))
    over = tuple(f.id for f in older)
    return kept(ledger.READ, "", spans, **rows, fresh=len(fresh), supersedes=over)


def looked_at(content: bytes, station: Station) -> tuple[places.Places, Ints, bool] | str:
    """Where which times stand in a file (see `places.of`), or why it cannot be read.

    A file that meets a defect of the reader is refused as well: it must not stop the others.
    """
    try:
        found = places.of(content, station)
    except RefusedFile as error:
        return error.line()
    except (OSError, MemoryError):
        raise
    except Exception as error:
        _log.debug("traceback", exc_info=error)
        return f"cannot be read ({type(error).__name__}: {printable(error, 120)})"
    return found if places.has_time(found[1]).any() else "holds no row"


def _meets(file: File, first_us: int, last_us: int) -> bool:
    return file.first_us is not None and file.first_us <= last_us and (file.last_us or 0) >= first_us


def clue_at(store: Path, about: Station, us: int) -> Clue | None:
    """The usable pressure of a station in the archive nearest to a time, and close to it."""
    import pyarrow as pa

    names = {c.name for c in about.channel if c.quantity == "air_pressure"}
    spans = months.months(us - foreign.CLOSE_US, us + foreign.CLOSE_US)
    table = pa.concat_tables([months.read(store, about.id, month) for month in spans])
    stamps = table.column("time").to_numpy().astype("datetime64[us]").astype(np.int64)
    fits = np.isin(table.column("channel").to_pylist(), list(names)) & (np.abs(stamps - us) <= foreign.CLOSE_US)
    fits &= np.isin(table.column("verdict").to_numpy(), USABLE)
    if not fits.any():
        return None
    nearest = np.flatnonzero(fits)[int(np.argmin(np.abs(stamps[fits] - us)))]
    value = float(table.column("value")[int(nearest)].as_py())
    return Clue(about.id, about.station.elevation, int(stamps[nearest]), value)


def _foreign(
    store: Path, station: Station, where: places.Places, ids: Ints, clues: Sequence[Clue]
) -> tuple[str, str] | None:
    """The station that a file is of and why it seems so, None where it is taken for this one's own."""
    own = next((c for c in clues if c.station == station.id), None)
    if own is None or len(clues) < 2:
        return None
    first, last = own.us - foreign.CLOSE_US // 3, own.us + foreign.CLOSE_US
    wanted = where.lines(len(ids), first, last)
    if len(wanted) <= len(where.bare):
        return None
    found = _read(store, station, NO_LOGS, {Path("file"): ids[wanted]}, {Path("file"): ids})
    for table in found.tables.values() if found else ():
        us = table.time.astype("datetime64[us]").astype(np.int64)
        for channel in station.channels_of(table.table):
            values = table.channels[channel.name].values
            near = np.flatnonzero((us >= first) & (us <= last) & np.isfinite(values))[:_PRESSURES]
            if channel.quantity != "air_pressure" or not len(near):
                continue
            hpa = float(np.median(values[near]))
            if other := foreign.suspected(int(us[near[0]]), hpa, own, clues):
                why = f"looks like a file of {other}: {hpa:.1f} hPa where {own.hpa:.1f} stood before; left out"
                return other, why
    return None


def _counted(store: Path, station: Station, files: Sequence[File], first_us: int, last_us: int) -> dict[str, Counted]:
    """Rows with a line counter that files have between two times, by table; one for each time."""
    found: dict[str, list[Counted]] = {}
    for file in files:
        some = places.Places.unpacked(file.places).lines(file.lines, first_us, last_us)
        content = raw.joined(store, station.id, ledger.unpacked(file.manifest)[some])
        try:
            for table, rows in counts.of(content, station).items():
                found.setdefault(table, []).append(rows)
        except RefusedFile:  # a few lines may look like no text where the whole file does not
            continue
    out = {}
    for table, parts in found.items():
        us, first = np.unique(np.concatenate([p.us for p in parts]), return_index=True)
        number, values = (np.concatenate([getattr(p, key) for p in parts]) for key in ("number", "values"))
        out[table] = Counted(us, number[first], values[first])
    return out


def at_odds(store: Path, station: Station, file: File, files: Sequence[File]) -> bool:
    """Whether a file's line counter and values contradict those of the station's other files at the same times."""
    if not counts.able(station) or file.first_us is None or file.last_us is None:
        return False
    close = [f for f in files if f.standing == ledger.READ and _meets(f, file.first_us, file.last_us)]
    own, here = (_counted(store, station, some, file.first_us, file.last_us) for some in (close, [file]))
    return bool(counts.odd(own, here))


def still_foreign(
    store: Path, station: Station, other: Station, us: int, found: places.Places, ids: Ints
) -> bool:  # fmt: skip
    """Whether a file is another station's by a changed station file, too."""
    own = clue_at(store, station, us)
    own = None if own is None else replace(own, elevation=station.station.elevation)
    clues = [c for c in (own, clue_at(store, other, us)) if c is not None]
    return _foreign(store, station, found, ids, clues) is not None


def _kept(state: _Known, one: Arrived) -> Arrived:
    """Let the files that follow know of it. The ledger has not numbered it yet: -1 is the first of all files that are
    known, those of the ledger included."""
    number = -1 - len(state.files)
    file = File(
        number, "", one.path, one.sha256, one.standing, one.why, one.lines, one.manifest, one.places, one.first_us,
        one.last_us,
    )  # fmt: skip
    state.files.append(file)
    state.sums[one.sha256] = file
    return one


def _begins(store: Path, station: str, short: Ints, long_: Ints) -> bool:
    """Whether a file is the beginning of another one; its last line may have been cut off."""
    if not len(short) or len(short) > len(long_) or not np.array_equal(short[:-1], long_[: len(short) - 1]):
        return False
    at = len(short) - 1
    if short[at] == long_[at]:
        return True
    return raw.joined(store, station, long_[at : at + 1]).startswith(raw.joined(store, station, short[at:]))


def begun(store: Path, station: str, files: Sequence[File]) -> dict[int, str]:
    """Of files that can be read, those that are the beginning of another one: id, and the name of that one."""
    ids = {f.id: ledger.unpacked(f.manifest) for f in files}
    out: dict[int, str] = {}
    for short in sorted(files, key=lambda f: f.lines):
        for long_ in files:
            if (long_.lines, long_.id) <= (short.lines, short.id) or long_.id in out:
                continue
            meets = _meets(long_, short.first_us or 0, short.last_us or 0)
            if meets and _begins(store, station, ids[short.id], ids[long_.id]):
                out[short.id] = Path(long_.path).name
                break
    return out


def stretches(us: Ints, why: str, gap_us: int = 86_400 * SECOND) -> list[Span]:
    """Times as few stretches: those less than a gap apart are one."""
    times = np.unique(us)
    cuts = np.flatnonzero(np.diff(times) > gap_us)
    firsts, lasts = np.concatenate([[0], cuts + 1]), np.concatenate([cuts, [len(times) - 1]])
    return [Span(int(times[a]), int(times[b]), why) for a, b in zip(firsts, lasts, strict=True)]


def joined(spans: Sequence[Span], reach_us: int) -> list[Span]:
    """Spans that lie within the reach of each other as one, cut into pieces that fit into memory."""
    out: list[Span] = []
    for span in sorted(spans, key=lambda s: (s.first_us, s.last_us)):
        if out and span.first_us - out[-1].last_us <= reach_us:
            whys = dict.fromkeys([*out[-1].why.split("; "), *span.why.split("; ")])
            out[-1] = Span(out[-1].first_us, max(out[-1].last_us, span.last_us), "; ".join(list(whys)[:3]))
        else:
            out.append(span)
    pieces = []
    for span in out:
        at = span.first_us
        while at <= span.last_us:
            stop = min(at + _PIECE_US - 1, span.last_us)
            pieces.append(Span(at, stop, span.why))
            at = stop + 1
    return pieces


def record(
    store: Path, station: Station, logs: Logs, files: Sequence[File], first_us: int, last_us: int,
    together: bool = False, look: Look | None = None,
) -> Record | None:  # fmt: skip
    """All that the store holds of a station between two times (UTC, both included) and a little around them.

    None where it holds no row there. With `together`, files of one header are read as one: the rows are the same, and a
    month of daily files is read three times as fast, but the accounts of files are not theirs. `look` notes lines as
    those of the files in which they came: it wants all times, and no `together`.
    """
    slop = places.slop_us(station)
    wanted: dict[Path, Ints] = {}
    whole: dict[Path, Ints] = {}
    alike: dict[bytes, list[Path]] = {}
    for file in files:
        if _meets(file, first_us - slop, last_us + slop):
            known = places.Places.unpacked(file.places)
            some = known.lines(file.lines, first_us - slop, last_us + slop)
            if len(some) > len(known.bare) or not len(known.first_us):
                name = Path(f"{file.id:09}/{Path(file.path).name}")
                whole[name] = ledger.unpacked(file.manifest)
                wanted[name] = whole[name][some]
                head = len(known.bare)
                # a clock that goes back is settled by the order of lines in their own file
                if together and not slop and len(known.first_us) and np.array_equal(known.bare, np.arange(head)):
                    alike.setdefault(whole[name][:head].tobytes(), []).append(name)
    for header, names in alike.items():
        head = len(header) // 8
        parts = [wanted.pop(name)[head:] for name in names]
        rows, first = np.unique(np.concatenate(parts), return_index=True)
        rows = rows[np.argsort(first, kind="stable")]
        wanted[names[0]] = np.concatenate([np.frombuffer(header, np.int64), rows])
        whole[names[0]] = wanted[names[0]]
    if look is not None:
        look.names = {Path(f"{file.id:09}/{Path(file.path).name}"): file.path for file in files}
    return _read(store, station, logs, wanted, whole, look) if wanted else None


def _read(
    store: Path, station: Station, logs: Logs, wanted: dict[Path, Ints], whole: dict[Path, Ints],
    look: Look | None = None,
) -> Record | None:  # fmt: skip
    """Some lines of some files as a Record; lines that several of them share are fetched once."""
    texts = raw.texts(store, station.id, np.concatenate(list(wanted.values())))
    lines = {}
    for name, ids in wanted.items():
        try:
            found_ = from_bytes(b"".join([texts[i] for i in ids.tolist()]))
        except RefusedFile:  # a few lines may look like no text where the whole file does not
            found_ = from_bytes(raw.joined(store, station.id, whole[name]))
        lines[name] = replace(found_, path=name)
    more: dict[str, Any] = {}
    if look is not None:
        look.opened, more = lines.__getitem__, {"note": look.note}
    try:
        found, _ = read_tables(station, list(lines), opened=lines.__getitem__, known=logs, **more)
    except InputError:  # header lines alone
        return None
    return found


@dataclass(frozen=True)
class Latest:
    """Time of the last row, the last battery voltage, and time and value of the last usable pressure."""

    us: int | None = None
    battery: float | None = None
    pressure: tuple[int, float] | None = None


@dataclass(frozen=True)
class Computed:
    """What one span became: months written with their sums and rows, and what stands last."""

    station: str
    span: Span
    months: dict[str, tuple[str, int]]
    touched: tuple[int, int] | None
    latest: Latest = Latest()
    days: dict[str, tuple[int, int]] = field(default_factory=dict)
    """By day (UTC) the number of values, and of usable ones."""


def compute(
    store: Path, station: Station, logs: Logs, limits: Limits, files: Sequence[File], span: Span, reach: chain.Reach,
    neighbours: Sequence[Neighbour] = (), until_us: int = 2**62,
) -> Computed:  # fmt: skip
    """Check what a span touches, with the margin of reach around it, and put it into the archive."""
    back, ahead = round(reach.back_s * SECOND), round(reach.ahead_s * SECOND)
    first, last = span.first_us - ahead, span.last_us + back
    found = record(store, station, logs, files, first - back, last + ahead, together=True)
    checked = None if found is None else chain.run(found, limits, neighbours=neighbours)
    new = months.rows([] if checked is None else list(checked.tables.values()), first, last)
    written = {}
    for month in months.months(first, last):
        if (sum_and_rows := months.merge(store, station.id, month, new, first, last)) is not None:
            written[month] = sum_and_rows
    touched = (first, last) if written else None
    return Computed(station.id, span, written, touched, _latest(checked, until_us), _days(new, first, last))


def _days(rows: pa.Table, first_us: int, last_us: int) -> dict[str, tuple[int, int]]:
    """For each day that lies whole between two times: values (missing ones too), and usable values."""
    us = rows.column("time").to_numpy().astype("datetime64[us]").astype(np.int64)
    days, place = np.unique(us // (86_400 * SECOND), return_inverse=True)
    usable = np.isin(rows.column("verdict").to_numpy(), USABLE)
    count, good = np.bincount(place, minlength=len(days)), np.bincount(place, usable, minlength=len(days))
    day_us = 86_400 * SECOND
    whole = (days * day_us >= first_us) & ((days + 1) * day_us - 1 <= last_us)
    return {
        str(np.datetime64(int(d), "D")): (int(n), int(g))
        for d, n, g in zip(days[whole], count[whole], good[whole], strict=True)
    }


def _latest(checked: Checked | None, until_us: int) -> Latest:
    """What stands last up to a time: a stamp from the future, of a logger that lost its clock, is no newest row."""
    out = Latest()
    until = np.datetime64(until_us, "us")
    for table in checked.tables.values() if checked else ():
        stop = int(np.searchsorted(table.record.time, until, side="right"))
        us = table.record.time[:stop].astype("datetime64[us]").astype(np.int64)
        if not stop:
            continue
        out = replace(out, us=max(int(us[-1]), out.us or int(us[-1])))
        for name in table.record.channels:
            quantity = checked.record.channel(name).quantity if checked else ""
            values, codes = table.record.channels[name].values[:stop], table.codes[name][:stop]
            known = np.flatnonzero(np.isfinite(values))
            if quantity == "battery_voltage" and len(known):
                out = replace(out, battery=float(values[known[-1]]))
            usable = known[np.isin(codes[known], USABLE)]
            if quantity == "air_pressure" and len(usable) and us[usable[-1]] >= (out.pressure or (0, 0.0))[0]:
                out = replace(out, pressure=(int(us[usable[-1]]), float(values[usable[-1]])))
    return out
