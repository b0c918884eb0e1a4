"""The station's logs (contract 8): what people did there, what they decided about values, what is to be changed.

Comma-separated text, UTF-8 with or without a byte order mark, a line a row. Times are inclusive; one without a zone is
on the logger clock, and a date alone is its first moment in `from`, its last in `to`. A line that cannot be used, that
contradicts another or that changes nothing is refused by its number. A line that lies outside the tables at hand is
not: which rows are read together must decide nothing (the law of reach).
"""

from __future__ import annotations

import csv
import hashlib
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc import tomlfile
from qc.errors import LogError, UsageError, nearest, printable
from qc.moments import moment
from qc.station import Channel, Station

EFFECTS = ("disturbed", "replaced", "cleaned", "moved", "clock", "note")
OPERATIONS = ("scale", "offset", "rotate", "mirror", "negate", "estimate")
VERDICTS = ("good", "inconsistent", "doubtful", "wrong")
COLUMNS: Mapping[str, tuple[str, ...]] = {
    "visits": ("from", "to", "channels", "effect", "note"),
    "decisions": ("from", "to", "channel", "verdict", "reason", "by", "decided"),
    "corrections": ("from", "to", "channel", "operation", "parameter", "reason", "by", "decided"),
}
"""The columns of each log, by its key in the station file."""

_TOLD = 3  # problems of a log that are told in full, as of a station file
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Entry:
    """What every line has: its number in the file, UTC of its first and last moment, the channels that it speaks of."""

    line: int
    start: np.datetime64
    end: np.datetime64
    channels: tuple[str, ...]

    def covers(self, time: Times) -> Bools:
        """Which stamps lie within, both ends included."""
        return np.asarray((time >= self.start) & (time <= self.end))


@dataclass(frozen=True)
class Visit(Entry):
    """What people did at the station."""

    effect: str
    note: str


@dataclass(frozen=True)
class Decision(Entry):
    """What a reviewer decided about values: `verdict` is a code from 0 to 3."""

    verdict: int
    reason: str
    by: str
    decided: np.datetime64


@dataclass(frozen=True)
class Correction(Entry):
    """What is to be changed in one channel; `parameter` is in its output unit, NaN where the operation has none."""

    operation: str
    parameter: float
    reason: str
    by: str
    decided: np.datetime64

    @property
    def channel(self) -> str:
        """The one channel that it changes."""
        return self.channels[0]

    def of(self, values: Floats) -> Floats:
        """Values after this line: x * p, x + p, (x + p) mod 360, (360 - x) mod 360, -x, or p, the parameter."""
        match self.operation:
            case "scale":
                return values * self.parameter
            case "offset":
                return values + self.parameter
            case "rotate":
                return _turned(values + self.parameter)
            case "mirror":
                return _turned(360.0 - values)
            case "negate":
                return 0.0 - values  # never -0.0
            case _:
                return np.full(len(values), self.parameter)


def _turned(direction: Floats) -> Floats:
    """Directions from 0 to below 360 degrees, without the noise that a remainder adds behind the ninth decimal."""
    turned = np.round(np.mod(direction, 360.0), 9)
    return np.where(turned >= 360.0, 0.0, turned)


@dataclass(frozen=True)
class LogFile:
    """One log that was read: `path` as the station file names it, `lines` that say something beside the header."""

    kind: str
    path: str
    sha256: str
    lines: int


@dataclass(frozen=True)
class Logs:
    """The logs of a station; None for one that the station file does not name."""

    visits: tuple[Visit, ...] | None = None
    decisions: tuple[Decision, ...] | None = None
    corrections: tuple[Correction, ...] | None = None
    files: tuple[LogFile, ...] = ()

    def corrected(self, channel: str) -> bool:
        """Whether the correction log names a channel: then its outputs have the columns, wherever the lines lie."""
        return any(channel in c.channels for c in self.corrections or ())


NO_LOGS = Logs()


def read(station: Station) -> Logs:
    """The logs that a station file names, from its folder.

    Raises
    ------
    LogError
        if one is not there, cannot be read, or holds a line that cannot be used; up to three lines are named.
    """
    found: dict[str, tuple[Entry, ...]] = {}
    files = []
    for kind in COLUMNS:
        name = getattr(station.station, kind)
        if name is None:
            continue
        if station.path is None:
            raise LogError(
                f"names '{printable(name, 80)}', but has no folder",
                where=f"station.{kind}",
                mend="read the station from a file",
            )
        path = station.path.parent / name
        raw = tomlfile.read(path, error=LogError, what="log", mend=f"take `{kind}` out of the station file")
        found[kind] = parse(kind, raw, station, where=printable(path, 200))
        files.append(LogFile(kind, name, hashlib.sha256(raw).hexdigest(), len(found[kind])))
    return Logs(**found, files=tuple(files))  # type: ignore[arg-type]


def parse(kind: str, raw: bytes, station: Station, *, where: str) -> tuple[Entry, ...]:
    """The entries of one log (`kind` is a key of `COLUMNS`) in the order of its lines; errors as in `read`."""
    lines = _lines(raw, where)
    rows = [(number, line) for number, line in enumerate(lines, 1) if line.strip(" \t,")]
    columns = COLUMNS[kind]
    if not rows:
        raise LogError("is empty", where=where, mend=f"begin it with the line {','.join(columns)}")
    names = [cell.strip().casefold() for cell in _cells(rows[0][1]) or []]
    while names and not names[-1]:
        names.pop()
    if sorted(names) != sorted(columns):
        what = f"line {rows[0][0]}: does not name the columns of a log of {kind}, separated by commas"
        raise LogError(what, where=where, mend=f"begin with {','.join(columns)}")
    make = {"visits": _visit, "decisions": _decision, "corrections": _correction}[kind]
    problems: list[tuple[int, str]] = []
    entries: list[Entry] = []
    for number, line in rows[1:]:
        try:
            entries.append(make(number, _row(line, names), station))
        except ValueError as error:
            problems.append((number, str(error)))
    problems += _contradictions([e for e in entries if isinstance(e, Correction)])
    if problems:
        problems.sort()
        told = "; ".join(f"line {number}: {problem}" for number, problem in problems[:_TOLD])
        more = f"; and {len(problems) - _TOLD} more" if len(problems) > _TOLD else ""
        raise LogError(told + more, where=where)
    return tuple(entries)


# ---- lines and cells


def _lines(raw: bytes, where: str) -> list[str]:
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as trouble:
        line = len(re.split(rb"\r\n|\n|\r", raw[: trouble.start]))
        raise LogError("is not UTF-8", where=f"{where}: line {line}", mend="save it as UTF-8") from None
    return re.split(r"\r\n|\n|\r", text)


def _cells(line: str) -> list[str] | None:
    """The cells of one line; None where a quotation mark lacks its partner."""
    try:
        return next(csv.reader([line], strict=True))
    except csv.Error:
        return None


def _row(line: str, names: Sequence[str]) -> dict[str, str]:
    cells = _cells(line)
    if cells is None:
        raise ValueError("a quotation mark lacks its partner, or a cell is too long; mend it")
    while len(cells) > len(names) and not cells[-1].strip():
        cells.pop()
    if len(cells) != len(names):
        raise ValueError(f"has {len(cells)} cells where {len(names)} belong; put a text with commas in quotation marks")
    return {name: cell.strip() for name, cell in zip(names, cells, strict=True)}


# ---- entries: each raises ValueError that says what is wrong with its line


def _visit(line: int, row: Mapping[str, str], station: Station) -> Visit:
    start, end = _span(row, station)
    channels = _channels(row["channels"], station)
    return Visit(line, start, end, channels, _one_of(row["effect"], EFFECTS, "effect"), row["note"])


def _decision(line: int, row: Mapping[str, str], station: Station) -> Decision:
    start, end = _span(row, station)
    channels = _channels(row["channel"], station)
    given = row["verdict"]
    code = int(given) if given in ("0", "1", "2", "3") else VERDICTS.index(_one_of(given, VERDICTS, "verdict"))
    return Decision(line, start, end, channels, code, row["reason"], row["by"], _time(row, "decided", station))


def _correction(line: int, row: Mapping[str, str], station: Station) -> Correction:
    start, end = _span(row, station)
    channels = _channels(row["channel"], station)
    if len(channels) != 1 or row["channel"].casefold() == "all":
        raise ValueError("a correction changes one channel; write a line for each")
    channel = next(c for c in station.channel if c.name == channels[0])
    operation = _one_of(row["operation"], OPERATIONS, "operation")
    parameter = _parameter(operation, row["parameter"], channel)
    decided = _time(row, "decided", station)
    return Correction(line, start, end, channels, operation, parameter, row["reason"], row["by"], decided)


def _time(row: Mapping[str, str], key: str, station: Station, *, last: bool = False) -> np.datetime64:
    try:
        return moment(row[key], station, last=last)
    except UsageError as error:
        raise ValueError(f"{key}: {error.what}; {error.mend}") from None


def _span(row: Mapping[str, str], station: Station) -> tuple[np.datetime64, np.datetime64]:
    start, end = _time(row, "from", station), _time(row, "to", station, last=True)
    if start > end:
        raise ValueError("from lies after to, so that it covers nothing; exchange them")
    return start, end


def _one_of(given: str, known: Sequence[str], what: str) -> str:
    if given.casefold() in known:
        return given.casefold()
    raise ValueError(
        f"'{printable(given, 40)}' is no {what}{nearest(given, known) or '; choose from ' + ', '.join(known)}"
    )


def _channels(given: str, station: Station) -> tuple[str, ...]:
    known = [c.name for c in station.channel]
    if given.casefold() == "all":
        return tuple(known)
    words = list(dict.fromkeys(word.strip() for word in given.split(";") if word.strip()))
    if not words:
        raise ValueError("names no channel; give names joined by ;, or all")
    for word in words:
        if word not in known:
            hint = nearest(word, known) or f"; choose from all, {printable(', '.join(known), 200)}"
            raise ValueError(f"'{printable(word, 40)}' is no channel{hint}")
    return tuple(words)


_NOTHING: Mapping[str, tuple[Callable[[float], bool], str]] = {
    "scale": (lambda x: x == 1.0, "a scale of 1 changes nothing"),
    "offset": (lambda x: x == 0.0, "an offset of 0 changes nothing"),
    "rotate": (lambda x: x % 360.0 == 0.0, "a whole turn changes nothing"),
}


def _parameter(operation: str, given: str, channel: Channel) -> float:
    direction = channel.quantity == "wind_direction"
    if operation in ("rotate", "mirror") and not direction:
        raise ValueError(
            f"{operation} is for wind_direction only, and '{channel.name}' is {channel.quantity}; take another one"
        )
    if operation in ("offset", "negate") and direction:
        raise ValueError(
            f"{operation} would leave the circle; use {'rotate' if operation == 'offset' else 'mirror'} for a direction"
        )
    if operation in ("mirror", "negate"):
        if given:
            raise ValueError(f"{operation} takes no parameter; leave it empty")
        return math.nan
    number = float(given) if _NUMBER.fullmatch(given) else math.nan
    if not math.isfinite(number):
        raise ValueError(
            f"'{printable(given, 40)}' is no number; {operation} needs one as its parameter, with a decimal point"
        )
    if operation == "scale" and number == 0.0:
        raise ValueError("a scale of 0 wipes the values out; decide them wrong in the decision log instead")
    if operation in _NOTHING and _NOTHING[operation][0](number):
        raise ValueError(f"{_NOTHING[operation][1]}; take the line out")
    return number + 0.0


def _contradictions(lines: Sequence[Correction]) -> list[tuple[int, str]]:
    """Lines that change what another line changes too, by the later line's number.

    Different operations go one after the other, in the order of lines; but one operation twice, or anything beside an
    estimate, contradicts.
    """
    problems: dict[int, str] = {}
    reaching: dict[tuple[str, str], Correction] = {}  # of each channel and operation the line that reaches farthest
    for one in sorted(lines, key=lambda c: (c.start, c.line)):
        for operation in OPERATIONS:
            other = reaching.get((one.channel, operation))
            if other is None or other.end < one.start:
                continue
            if operation == one.operation or "estimate" in (operation, one.operation):
                first, second = sorted((one.line, other.line))
                told = f"contradicts line {first}: both change {one.channel} at the same time; let them not overlap"
                problems.setdefault(second, told)
        key = one.channel, one.operation
        if key not in reaching or reaching[key].end < one.end:
            reaching[key] = one
    return list(problems.items())
