"""One station's part of a night: what came in, what is to be computed, and computing it.

These functions write raw lines and months of the archive, and give back what the ledger is to be told; they never
write the ledger, so that workers and clusters can run them. Each can be run again after it was killed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from qc import chain
from qc.archive import ledger, months, places, raw
from qc.archive.ledger import File, Span
from qc.chain import Checked
from qc.errors import FairvaneError, InputError, RefusedFile
from qc.limits import Limits
from qc.logs import Logs
from qc.neighbours import Neighbour
from qc.read.lines import Lines, from_bytes
from qc.read.tables import read_tables
from qc.record import SECOND, Record
from qc.station import Station
from qc.verdicts import USABLE

if TYPE_CHECKING:
    import pyarrow as pa

Ints = NDArray[np.int64]
Stat = tuple[int, int, int]
"""Size, time of change in ns, inode."""

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
    known: int | None = None
    supersedes: tuple[int, ...] = ()


@dataclass(frozen=True)
class Ingested:
    """What came in for one station."""

    station: str
    files: tuple[Arrived, ...] = ()
    next_line: int = 0
    spans: tuple[Span, ...] = ()
    troubles: tuple[str, ...] = ()


@dataclass
class _Known:
    """Files of a station as they are known while others come in."""

    files: list[File]
    sums: dict[str, File]


def ingest(
    store: Path, station: Station, arrived: Sequence[tuple[Path, Stat]], known: Sequence[File], next_line: int,
    night: str, largest_bytes: float,
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
    """
    raw.tidy(store, station.id, next_line)
    state = _Known(list(known), {f.sha256: f for f in known})
    out: list[Arrived] = []
    spans: list[Span] = []
    troubles: list[str] = []
    for path, stat in sorted(arrived):
        if stat[0] > largest_bytes:
            troubles.append(f"{path.name}: {stat[0] / 1e6:.0f} MB is more than largest_file_mb allows; left alone")
            continue
        try:
            content = path.read_bytes()
        except OSError as error:
            troubles.append(f"{path.name}: cannot be read ({error.strerror})")
            continue
        digest = hashlib.sha256(content).hexdigest()
        if digest in state.sums:
            out.append(Arrived(str(path), stat, digest, state.sums[digest].standing, known=state.sums[digest].id))
            continue
        if not content:
            continue
        one, touched, next_line = _taken(store, station, path, stat, content, digest, state, next_line, night)
        out.append(one)
        spans += touched
        if one.standing == ledger.REFUSED:
            troubles.append(f"{path.name}: {one.why}")
    return Ingested(station.id, tuple(out), next_line, tuple(spans), tuple(troubles))


def _taken(
    store: Path, station: Station, path: Path, stat: Stat, content: bytes, digest: str, state: _Known, next_line: int,
    night: str,
) -> tuple[Arrived, list[Span], int]:  # fmt: skip
    """One new file: its lines put down, and the times that it touches."""
    lines = raw.placed(store, station.id, next_line, content)
    after = raw.write(store, station.id, next_line, path.name, night, lines)
    manifest = ledger.packed(lines.ids)
    about: dict[str, Any] = {"lines": len(lines.ids), "manifest": manifest}
    spans: list[Span] = []
    read = [f for f in state.files if f.standing == ledger.READ]
    if whole := next((f for f in read if _begins(store, station.id, lines.ids, ledger.unpacked(f.manifest))), None):
        about |= {"standing": ledger.SUPERSEDED, "why": f"{Path(whole.path).name} holds all of it"}
        return _kept(state, Arrived(str(path), stat, digest, **about)), spans, after
    older = [f for f in read if _begins(store, station.id, ledger.unpacked(f.manifest), lines.ids)]
    try:
        where, us = places.of(content, station)
    except FairvaneError as error:
        if not isinstance(error, RefusedFile):
            raise
        about |= {"standing": ledger.REFUSED, "why": error.line()}
        return _kept(state, Arrived(str(path), stat, digest, **about)), spans, after
    has = places.has_time(us)
    if not has.any():
        about |= {"standing": ledger.REFUSED, "why": "holds no row"}
        return _kept(state, Arrived(str(path), stat, digest, **about)), spans, after
    active = [ledger.unpacked(f.manifest) for f in state.files if f.standing == ledger.READ]
    stands = np.isin(lines.ids, np.concatenate(active)) if active and len(lines.texts) < len(lines.ids) else ~has
    touched = us[has & ~stands] if not places.slop_us(station) else us[has]
    if len(touched):
        spans = stretches(touched, f"new in {path.name}")
    for f in older:  # its last line may have been cut off
        state.files[state.files.index(f)] = replace(f, standing=ledger.SUPERSEDED)
        if f.places:
            last = places.Places.unpacked(f.places)
            spans.append(Span(int(last.first_us[-1]), int(last.last_us[-1]), f"{Path(f.path).name} has grown"))
    about |= {
        "standing": ledger.READ, "places": where.packed(), "rows": int(has.sum()),
        "first_us": int(us[has].min()), "last_us": int(us[has].max()), "supersedes": tuple(f.id for f in older),
    }  # fmt: skip
    spans = [s for s in spans if s.first_us > np.iinfo(np.int64).min]
    return _kept(state, Arrived(str(path), stat, digest, **about)), spans, after


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
    store: Path, station: Station, logs: Logs, files: Sequence[File], first_us: int, last_us: int
) -> Record | None:
    """All that the store holds of a station between two times (UTC, both included) and a little around them.

    None where it holds no row there.
    """
    slop = places.slop_us(station)
    lines: dict[Path, Lines] = {}
    for file in files:
        if file.first_us is None or file.first_us - slop > last_us or (file.last_us or 0) + slop < first_us:
            continue
        wanted = places.Places.unpacked(file.places).lines(file.lines, first_us - slop, last_us + slop)
        content = raw.joined(store, station.id, ledger.unpacked(file.manifest)[wanted])
        name = Path(f"{file.id:09}/{Path(file.path).name}")
        lines[name] = replace(from_bytes(content), path=name)
    if not lines:
        return None
    try:
        found, _ = read_tables(station, list(lines), opened=lines.__getitem__, known=logs)
    except InputError:  # header lines alone
        return None
    return found


@dataclass(frozen=True)
class Computed:
    """What one span became: months written with their sums and rows, and the last row and battery voltage."""

    station: str
    span: Span
    months: dict[str, tuple[str, int]]
    touched: tuple[int, int] | None
    last_us: int | None
    battery: float | None
    days: dict[str, tuple[int, int]] = field(default_factory=dict)
    """By day (UTC) the number of values, and of usable ones."""


def compute(
    store: Path, station: Station, logs: Logs, limits: Limits, files: Sequence[File], span: Span,
    neighbours: Sequence[Neighbour] = (),
) -> Computed:  # fmt: skip
    """Check what a span touches, with the margin of reach around it, and put it into the archive."""
    reach = chain.reach(station, limits)
    back, ahead = round(reach.back_s * SECOND), round(reach.ahead_s * SECOND)
    first, last = span.first_us - ahead, span.last_us + back
    found = record(store, station, logs, files, first - back, last + ahead)
    checked = None if found is None else chain.run(found, limits, neighbours=neighbours)
    new = months.rows([] if checked is None else list(checked.tables.values()), first, last)
    written = {}
    for month in months.months(first, last):
        if (sum_and_rows := months.merge(store, station.id, month, new, first, last)) is not None:
            written[month] = sum_and_rows
    newest, volts = _latest(checked)
    touched = (first, last) if written else None
    return Computed(station.id, span, written, touched, newest, volts, _days(new, first, last))


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


def _latest(checked: Checked | None) -> tuple[int | None, float | None]:
    """Time of the last row, and the last battery voltage."""
    newest, volts = None, None
    for table in checked.tables.values() if checked else ():
        if not table.record.rows:
            continue
        last = int(table.record.time[-1].astype("datetime64[us]").astype(np.int64))
        if newest is None or last > newest:
            newest = last
        for channel in table.record.channels:
            about = checked.record.channel(channel) if checked else None
            if about is not None and about.quantity == "battery_voltage":
                values = table.record.channels[channel].values
                known = np.flatnonzero(np.isfinite(values))
                volts = float(values[known[-1]]) if len(known) else volts
    return newest, volts
