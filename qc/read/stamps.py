"""Reads time stamps in a declared format, a column at a time.

Cells that differ only in their digits have one shape. Each shape is matched once by a regular expression made from
the format; the fields of all its rows are then computed together from the columns of bytes. A table has one shape
or a handful, so 525,600 rows cost some tens of milliseconds; a file of rubbish costs one match a row, with the same
result. Each cell is read by itself: no row depends on another.
"""

from __future__ import annotations

import functools
import re
import tomllib
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from qc.errors import StationFileError
from qc.places import folder

if TYPE_CHECKING:
    import pyarrow as pa

Span = tuple[int, int]

FIRST_YEAR, LAST_YEAR = 1900, 2200  # judgement: no logger's table lies outside; a year beyond is a misread cell
LONGEST_CELL = 120  # bytes; judgement: no stamp is longer, so a longer cell is unreadable
LONGEST_ZONE_S = 14 * 3600  # widest civil offset, Pacific/Kiritimati: IANA time-zone data, from memory
_PIVOT = 69  # %y: 69-99 are 1969-1999, 00-68 are 2000-2068: POSIX strptime, from memory
_CHUNK = 32768  # rows at a time, so that a block of bytes stays in the processor's cache
_REMEMBERED = 4096  # shapes kept between chunks
_PRIME = np.uint64(1099511628211)  # FNV-1a's, from memory; any large odd number serves

_WIDTH = {"Y": 4, "y": 2, "m": 2, "d": 2, "j": 3, "H": 2, "I": 2, "M": 2, "S": 2}
_KNOWN = ("Y", "y", "m", "d", "j", "H", "I", "p", "M", "S", "f", "z", "b", "B", "a", "A", "s", "%")
_FIELD = {"Y": "year", "y": "year", "m": "month", "b": "month", "B": "month", "H": "hour", "I": "hour"}
_FIELD |= {"d": "day", "j": "day of the year", "M": "minute", "S": "second", "f": "fraction", "p": "am/pm"}
_FIELD |= {"z": "zone", "s": "epoch seconds"}

_BLANKS = rb"(?:[ \t]|\xc2\xa0)+"
_WORD = rb"[A-Za-z\x80-\xff]+\.?"
_AM_PM = rb"(?P<p>[AaPp])(?:(?:\.(?:[ ]|\xc2\xa0)?)?[Mm]\.?)?"
_ZONE = rb"(?:Z|UTC|GMT|(?P<zs>[+-])(?P<zh>[0-9]{2})(?::?(?P<zm>[0-9]{2}))?)"


@dataclass(frozen=True)
class Stamps:
    """Stamps as they stand in the table, not yet UTC.

    `local`: shape (rows,), datetime64[us], NaT where unreadable. `offset_s`: shape (rows,), seconds east of UTC, NaN
    where unreadable; None where the format carries no zone.
    """

    local: NDArray[np.datetime64]
    offset_s: NDArray[np.float64] | None


class _Plan(NamedTuple):
    """Where the fields of one shape of cell stand: columns from, to (to exclusive)."""

    digits: tuple[tuple[str, Span], ...]
    fraction: Span | None
    month: int
    afternoon: bool | None
    zone: tuple[int, Span, Span | None] | None  # sign, hours, minutes; None is UTC or no zone
    before_epoch: bool


def _plain(name: str) -> str:
    """A name without case, accents and full stops."""
    parts = unicodedata.normalize("NFD", name.casefold())
    return "".join(c for c in parts if not unicodedata.combining(c)).strip(".")


@functools.cache
def month_names() -> dict[str, int]:
    """Month number (1-12) of each known name, keyed without case and accents; source: `rules/months.toml`."""
    table = tomllib.loads((folder("rules") / "months.toml").read_text(encoding="utf-8"))["names"]
    return {_plain(name): n for months in table.values() for n, names in enumerate(months, 1) for name in names.split()}


@functools.cache
def _month_pattern() -> bytes:
    """Alternatives for all month names in UTF-8, longest first, with and without accents, in either case."""
    table = tomllib.loads((folder("rules") / "months.toml").read_text(encoding="utf-8"))["names"]
    names = {name.casefold() for months in table.values() for month in months for name in month.split()}
    names |= set(month_names())

    def pattern(name: str) -> bytes:
        # bytes patterns ignore the case of ASCII alone, so other letters stand in both cases
        letters = (c.encode() if c.isascii() else f"(?:{c}|{c.upper()})".encode() for c in name)
        return b"".join(letters)

    longest_first = sorted(names, key=lambda name: (-len(name), name))
    return b"(?P<b>(?i:" + b"|".join(pattern(name) for name in longest_first) + rb"))\.?"


def _tokens(format: str, where: str | None) -> list[tuple[str, str]]:
    """The format cut into ("directive", code), ("literal", text) and ("blank", "")."""
    tokens: list[tuple[str, str]] = []
    known = " ".join(f"%{code}" for code in _KNOWN)
    for piece in re.findall(r"%.?|[ \t\u00a0]+|[^%]", format.strip(), flags=re.DOTALL):
        if piece[0] == "%" and piece != "%%":
            if piece[1:] not in _KNOWN:
                raise StationFileError(
                    f"the time format {format!r} holds the unknown directive {piece!r}",
                    where=where,
                    mend=f"known are {known}",
                )
            tokens.append(("directive", piece[1:]))
        elif piece[0] in " \t\u00a0":
            tokens.append(("blank", ""))
        elif tokens and tokens[-1][0] == "literal":
            tokens[-1] = ("literal", tokens[-1][1] + piece[-1])
        else:
            tokens.append(("literal", piece[-1]))
    return tokens


def _refuse_nonsense(format: str, codes: list[str], where: str | None) -> None:
    """Raise StationFileError where the directives do not make one moment."""

    def refuse(what: str, mend: str) -> None:
        raise StationFileError(f"the time format {format!r} {what}", where=where, mend=mend)

    fields = [_FIELD[code] for code in codes if code in _FIELD]
    for field in fields:
        if fields.count(field) > 1:
            refuse(f"gives the {field} twice", "keep one directive for it")
    have = set(fields)
    if "s" in codes:
        if have - {"epoch seconds", "fraction"}:
            refuse("mixes %s with other fields", "epoch seconds stand alone, at most with %f")
        return
    if "year" not in have:
        refuse("lacks the year", "add %Y or %y, or the column that holds it")
    if "day of the year" in have and have & {"month", "day"}:
        refuse("gives the day twice", "keep %j, or the month with %d")
    if "day of the year" not in have and not {"month", "day"} <= have:
        refuse("lacks the day", "add %m (or %b) with %d, or %j")
    for finer, coarser in (("minute", "hour"), ("second", "minute"), ("fraction", "second")):
        if finer in have and coarser not in have:
            refuse(f"gives the {finer} without the {coarser}", f"add the {coarser}")
    if ("I" in codes) != ("p" in codes):
        refuse("has %I without %p, or %p without %I", "use %I with %p, or %H alone; %A skips a word")


@dataclass(frozen=True)
class StampFormat:
    """A compiled format of time stamps; make one with `StampFormat.compile`."""

    format: str
    has_zone: bool
    _expression: re.Pattern[bytes]
    _runs: tuple[tuple[str, ...], ...]
    _fold: bytes

    @classmethod
    def compile(cls, format: str, *, where: str | None = None) -> StampFormat:
        """The reader for `format`.

        Directives: %Y %y %m %d %j %H %I %p %M %S %f %z %b %B (month names of rules/months.toml), %a %A (a word that
        is skipped), %s (epoch seconds), %% and literals. A run of digits shorter than its adjacent directives is read
        as if zeros stood before it; so %Y, never below 1900, has four digits. `%S.%f` reads a second without a
        fraction too, where no digits follow. 24:00 is 00:00 of the next day. A run of blanks stands for one or more.

        Raises StationFileError, with `where` before the message, for a format that makes no moment.
        """
        return _compile(format, where)

    def parse(self, cells: pa.Array | pa.ChunkedArray | Sequence[str | None]) -> Stamps:
        """Read a column of cells, trimmed; null, empty and unreadable cells become NaT.

        Digits of %f beyond the sixth are cut off. Years outside 1900-2200 are unreadable.
        """
        times: list[NDArray[np.int64]] = []
        offsets: list[NDArray[np.float64]] = []
        plans: dict[bytes, _Plan | None] = {}
        for data, starts, lengths in _buffers(cells):
            for at in range(0, len(starts), _CHUNK):
                rows = slice(at, at + _CHUNK)
                time, offset = self._chunk(data, starts[rows], lengths[rows], plans)
                times.append(time)
                offsets.append(offset)
        local = (np.concatenate(times) if times else np.empty(0, np.int64)).view("datetime64[us]")
        if not self.has_zone:
            return Stamps(local, None)
        return Stamps(local, np.concatenate(offsets) if offsets else np.empty(0))

    def _chunk(
        self,
        data: NDArray[np.uint8],
        starts: NDArray[np.int64],
        lengths: NDArray[np.int64],
        plans: dict[bytes, _Plan | None],
    ) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Microseconds (NaT as its integer) and zone offsets of some rows."""
        time = np.full(len(starts), _NAT)
        offset = np.full(len(starts), np.nan if self.has_zone else 0.0)
        for length in np.unique(lengths):
            if not 0 < length <= LONGEST_CELL:
                continue
            rows = np.flatnonzero(lengths == length)
            first = starts[rows[0]]
            if starts[rows[-1]] - first == (len(rows) - 1) * length and len(rows) == len(starts):
                matrix = data[first : first + len(rows) * length].reshape(-1, length)
            else:
                matrix = np.lib.stride_tricks.sliding_window_view(data, length)[starts[rows]]
            for plan, some in self._shapes(matrix, plans):
                time[rows[some]], offset_some = _evaluate(plan, matrix[some])
                if self.has_zone:
                    offset[rows[some]] = offset_some
        offset[time == _NAT] = np.nan
        return time, offset

    def _shapes(
        self, matrix: NDArray[np.uint8], plans: dict[bytes, _Plan | None]
    ) -> Iterator[tuple[_Plan, slice | NDArray[np.intp]]]:
        """The readable rows of cells of one length, grouped by plan."""
        count, length = matrix.shape
        folded = matrix.tobytes().translate(self._fold)
        if folded == folded[:length] * count:
            plan = self._plan(folded[:length], plans)
            if plan is not None:
                yield plan, slice(None)
            return
        shapes = np.frombuffer(folded, f"V{length}")
        by_plan: dict[_Plan, list[NDArray[np.intp]]] = {}
        for shape, rows in _groups(shapes, length):
            plan = self._plan(shape, plans)
            if plan is not None:
                by_plan.setdefault(plan, []).append(rows)
        for plan, parts in by_plan.items():
            yield plan, np.concatenate(parts)

    def _plan(self, shape: bytes, plans: dict[bytes, _Plan | None]) -> _Plan | None:
        """The plan of one shape, None where the format does not match it."""
        if shape in plans:
            return plans[shape]
        match = self._expression.fullmatch(shape)
        plan = None if match is None else self._read(match)
        if len(plans) < _REMEMBERED:
            plans[shape] = plan
        return plan

    def _read(self, match: re.Match[bytes]) -> _Plan:
        """The plan of one match."""
        named: dict[str, Any] = match.groupdict()
        digits: list[tuple[str, Span]] = []
        for number, run in enumerate(self._runs):
            begin, end = match.span(f"r{number}")
            for code in reversed(run):  # from the right: a short run lacks its leading zeros
                start = max(begin, end - _WIDTH.get(code, end - begin))
                digits.append((code, (start, end)))
                end = start
        month = month_names()[_plain(named["b"].decode())] if named.get("b") else 0
        zone = None
        if named.get("zs"):
            minutes = match.span("zm") if named["zm"] else None
            zone = (-1 if named["zs"] == b"-" else 1, match.span("zh"), minutes)
        fraction = match.span("f") if named.get("f") else None
        afternoon = named["p"] in b"Pp" if named.get("p") else None
        return _Plan(tuple(digits), fraction, month, afternoon, zone, bool(named.get("minus")))


@functools.lru_cache(maxsize=4096)
def _compile(format: str, where: str | None) -> StampFormat:
    tokens = _tokens(format, where)
    codes = [text for kind, text in tokens if kind == "directive"]
    _refuse_nonsense(format, codes, where)
    pattern: list[bytes] = []
    runs: list[tuple[str, ...]] = []
    run: list[str] = []

    def close(exact: bool = False) -> None:
        if run:
            width = sum(_WIDTH[code] for code in run)
            least = width if exact else 1
            pattern.append(b"(?P<r%d>[0-9]{%d,%d})" % (len(runs), least, width))
            runs.append(tuple(run))
            run.clear()

    last_digits = max(
        (n for n, (kind, text) in enumerate(tokens) if kind == "directive" and text in _WIDTH), default=-1
    )
    for n, (kind, text) in enumerate(tokens):
        if kind == "directive" and text in _WIDTH:
            if n and tokens[n - 1] in (("directive", "f"), ("directive", "z"), ("directive", "s")):
                raise StationFileError(
                    f"the time format {format!r} has digits right after %{tokens[n - 1][1]}, so its end cannot be told",
                    where=where,
                    mend="put the character between them that the table has",
                )
            run.append(text)
            continue
        fraction_next = n + 1 < len(tokens) and tokens[n + 1] == ("directive", "f")
        close(exact=(kind, text) == ("directive", "f"))
        if kind == "blank":
            pattern.append(_BLANKS)
        elif kind == "literal":
            optional = fraction_next and n > last_digits and text[-1] in ".,"
            pattern.append(re.escape((text[:-1] if optional else text).encode()))
            if optional:
                pattern.append(b"(?:" + re.escape(text[-1].encode()))
        elif text == "f":
            pattern.append(b"(?P<f>[0-9]{1,9})")
            if n and tokens[n - 1][0] == "literal" and tokens[n - 1][1][-1] in ".," and n > last_digits:
                pattern.append(b")?")
        elif text == "s":
            pattern.append(b"(?P<minus>-)?(?P<r%d>[0-9]{1,11})" % len(runs))
            runs.append(("s",))
            if len(tokens) == 1:
                pattern.append(b"(?:[.,](?P<f>[0-9]{1,9}))?")
        else:
            pattern.append({"p": _AM_PM, "z": _ZONE, "a": _WORD, "A": _WORD}.get(text) or _month_pattern())
    close()
    # digits that are literals keep their own value in a shape, all others become one digit
    literal = {c for kind, text in tokens if kind == "literal" for c in text.encode() if 48 <= c <= 57}
    free = [c for c in range(48, 58) if c not in literal]
    fold = bytes(free[0] if c in free else c for c in range(256))
    return StampFormat(format, "z" in codes or "s" in codes, re.compile(b"".join(pattern)), tuple(runs), fold)


# --- cells as bytes ---------------------------------------------------------------------------------------------


def _arrays(cells: pa.Array | pa.ChunkedArray | Sequence[str | None]) -> list[pa.Array]:
    """The cells as Arrow arrays of strings."""
    import pyarrow as pa

    if not isinstance(cells, pa.Array | pa.ChunkedArray):
        return [pa.array(cells, pa.large_string())]
    if cells.type not in (pa.string(), pa.large_string()):
        cells = cells.cast(pa.large_string())
    return cells.chunks if isinstance(cells, pa.ChunkedArray) else [cells]


def _buffers(
    cells: pa.Array | pa.ChunkedArray | Sequence[str | None],
) -> Iterator[tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]]:
    """Bytes, first byte and length of each trimmed cell; length -1 for null."""
    import pyarrow.compute as pc

    for array in _arrays(cells):
        if len(array) == 0:
            continue
        data, starts, lengths = _layout(array)
        filled = np.flatnonzero(lengths > 0)
        edges = np.concatenate((data[starts[filled]], data[starts[filled] + lengths[filled] - 1]))
        if ((edges <= 32) | (edges >= 127)).any():  # blanks, control characters, or text that is no ASCII
            data, starts, lengths = _layout(pc.utf8_trim_whitespace(array))
        yield data, starts, lengths


def _layout(array: pa.Array) -> tuple[NDArray[np.uint8], NDArray[np.int64], NDArray[np.int64]]:
    import pyarrow as pa

    wide = array.type == pa.large_string()
    _, ends, text = array.buffers()
    width = np.int64 if wide else np.int32
    bounds = np.frombuffer(ends, width)[array.offset : array.offset + len(array) + 1].astype(np.int64)
    data = np.frombuffer(text, np.uint8) if text is not None else np.empty(0, np.uint8)
    lengths = np.diff(bounds)
    if array.null_count:
        lengths[array.is_null().to_numpy(zero_copy_only=False)] = -1
    return data, bounds[:-1], lengths


def join_cells(columns: Sequence[pa.Array | pa.ChunkedArray]) -> pa.Array:
    """Several columns of one stamp as one: each cell trimmed, null as empty, one blank between."""
    import pyarrow as pa
    import pyarrow.compute as pc

    trimmed = []
    for column in columns:
        arrays = [array.cast(pa.large_string()) for array in _arrays(column)]
        whole = pa.concat_arrays(arrays) if arrays else pa.array([], pa.large_string())
        trimmed.append(pc.fill_null(pc.utf8_trim_whitespace(whole), ""))
    return trimmed[0] if len(trimmed) == 1 else pc.binary_join_element_wise(*trimmed, pa.scalar(" ", pa.large_string()))


def _groups(shapes: NDArray[np.void], length: int) -> Iterator[tuple[bytes, NDArray[np.intp]]]:
    """Each distinct shape with its rows."""
    # sorting 64-bit sums is many times faster than sorting bytes; rows whose sum collides are told apart afterwards
    columns = shapes.view(np.uint8).reshape(-1, length)
    sums = np.zeros(len(shapes), np.uint64)
    for column in range(length):
        sums = sums * _PRIME + columns[:, column]
    order = np.argsort(sums, kind="stable")
    cuts = np.flatnonzero(np.diff(sums[order])) + 1
    for rows in np.split(order, cuts):
        while len(rows):
            first = columns[rows[0]]
            same = (columns[rows] == first).all(axis=1)
            yield first.tobytes(), rows[same]
            rows = rows[~same]


# --- fields to microseconds -------------------------------------------------------------------------------------

_NAT = np.iinfo(np.int64).min
# day number since 1970 of the first of each month from FIRST_YEAR on, and one month beyond LAST_YEAR
_FIRST_DAYS = (
    np.arange(f"{FIRST_YEAR}-01", f"{LAST_YEAR + 1}-02", dtype="datetime64[M]").astype("datetime64[D]").astype(np.int32)
)
_MONTH_DAYS = np.diff(_FIRST_DAYS)
_EPOCH_FROM, _EPOCH_TO = int(_FIRST_DAYS[0]) * 86400, int(_FIRST_DAYS[-1]) * 86400


def _number(matrix: NDArray[np.uint8], span: Span) -> NDArray[np.int32]:
    """The number in some columns of digits, at most nine."""
    begin, end = span
    if end - begin == 2:  # the usual case; 240 is -48 * 11 modulo 256
        return (matrix[:, begin] * np.uint8(10) + matrix[:, begin + 1] + np.uint8(240)).astype(np.int32)
    value = np.zeros(len(matrix), np.int32)
    for column in range(begin, end):
        value = value * 10 + (matrix[:, column].astype(np.int32) - 48)
    return value


def _evaluate(plan: _Plan, matrix: NDArray[np.uint8]) -> tuple[NDArray[np.int64], NDArray[np.float64] | float]:
    """Microseconds since 1970 as written (NaT as its integer), and the zone offset in seconds, of rows of one plan."""
    fields = dict(plan.digits)
    micros: NDArray[np.int32] | int = 0
    if plan.fraction is not None:
        begin, end = plan.fraction[0], min(plan.fraction[1], plan.fraction[0] + 6)
        micros = _number(matrix, (begin, end)) * np.int32(10 ** (6 - (end - begin)))
    if "s" in fields:
        begin, end = fields["s"]
        high = _number(matrix, (begin, max(begin, end - 9))).astype(np.int64)
        seconds = high * 10**9 + _number(matrix, (max(begin, end - 9), end))
        sign = -1 if plan.before_epoch else 1
        total = sign * (seconds * 1_000_000 + micros)
        good = (total >= _EPOCH_FROM * 1_000_000) & (total < _EPOCH_TO * 1_000_000)
        return np.where(good, total, _NAT), 0.0

    def field(code: str, otherwise: int) -> NDArray[np.int32]:
        span = fields.get(code)
        return _number(matrix, span) if span is not None else np.full(len(matrix), otherwise, np.int32)

    if "Y" in fields:
        year = field("Y", 0)
    else:
        year = field("y", 0)
        year += np.where(year < _PIVOT, np.int32(2000), np.int32(1900))
    good = (year >= FIRST_YEAR) & (year <= LAST_YEAR)
    row = np.where(good, (year - FIRST_YEAR) * 12, 0)
    if "j" in fields:
        day = field("j", 0)
        good &= (day >= 1) & (day <= _FIRST_DAYS[row + 12] - _FIRST_DAYS[row])
    else:
        month, day = field("m", plan.month), field("d", 0)
        within = (month >= 1) & (month <= 12)
        row += np.where(within, month - 1, 0)
        good &= within & (day >= 1) & (day <= _MONTH_DAYS[row])
    days = _FIRST_DAYS[row] + day - 1
    hour, minute, second = field("H", 0), field("M", 0), field("S", 0)
    if "I" in fields:
        hour = field("I", 0)
        good &= (hour >= 1) & (hour <= 12)
        hour = hour % 12 + (12 if plan.afternoon else 0)
    good &= (hour <= 24) & (minute <= 59) & (second <= 59)
    seconds_of_day = hour * 3600 + minute * 60 + second
    good &= seconds_of_day + (np.asarray(micros) > 0) <= 86400  # 24:00 is the only moment of hour 24
    time: NDArray[np.int64] = (days.astype(np.int64) * 86400 + seconds_of_day) * np.int64(1_000_000) + micros
    offset: NDArray[np.float64] | float = 0.0
    if plan.zone is not None:
        sign, hours, minutes = plan.zone
        zone_minute = _number(matrix, minutes) if minutes else np.zeros(len(matrix), np.int32)
        size = _number(matrix, hours) * 3600 + zone_minute * 60
        good &= (zone_minute <= 59) & (size <= LONGEST_ZONE_S)
        offset = (sign * size).astype(np.float64) + 0.0  # + 0.0: -00:00 is 0, not -0
    if not good.all():
        time[~good] = _NAT
    return time, offset


# --- which formats read these samples? --------------------------------------------------------------------------


class Inferred(NamedTuple):
    """`formats`: all that read the samples equally well, likeliest first. `unread`: samples that one of them missed."""

    formats: list[str]
    unread: list[str]


_ALLOWED_UNREAD = 0.01  # judgement: a few broken lines must not hide the format
_EPOCH_DIGITS = 9  # judgement: 1973 and later; a shorter number is a counter, not a time


@functools.cache
def _candidates() -> dict[str, frozenset[str]]:
    """Formats that tables have, likeliest first, each with the skeletons that its stamps can have."""
    numeric = [f"%Y{s}%m{s}%d" for s in "-/."]
    numeric += [f"%d{s}%m{s}%Y" for s in "./-"] + [f"%m{s}%d{s}%Y" for s in "/-"]
    numeric += [f"%d{s}%m{s}%y" for s in "./-"] + [f"%m{s}%d{s}%y" for s in "/-"] + [f"%y{s}%m{s}%d" for s in "/-"]
    named = [
        "%d-%b-%Y",
        "%d-%b-%y",
        "%d %b %Y",
        "%d %b %y",
        "%b %d %Y",
        "%b %d, %Y",
        "%a %b %d %Y",
        "%d.%b.%Y",
        "%Y-%b-%d",
    ]
    compact = ["%Y%m%d", "%d%m%Y", "%y%m%d", "%d%m%y", "%m%d%y"]
    columns = ["%Y %j", "%Y-%j", "%Y%j", "%Y %m %d"]
    times = ["%H:%M", "%H:%M:%S", "%H:%M:%S.%f", "%H:%M:%S,%f", "%I:%M %p", "%I:%M:%S %p", "%I:%M%p", "%I:%M:%S%p"]
    times += ["%H%M", "%H%M%S", "%H.%M", "%H.%M.%S", "%H"]
    formats: list[str] = []
    for date in numeric + named + columns + compact:
        formats += [f"{date} {time}{tail}" for tail in ("", " UTC", "%z", " %z") for time in times]
        if date in numeric:
            formats += [f"{date}, {time}" for time in times] + [f"{date} ({time})" for time in times[:2]]
    formats += [f"%Y-%m-%dT{time}{tail}" for tail in ("", "%z") for time in times[:4]]
    formats += [f"%Y%m%dT{time}{tail}" for tail in ("", "%z") for time in ("%H%M", "%H%M%S")]
    formats += [f"{date} %H %M{rest}" for date in ("%Y %m %d", "%Y %j") for rest in ("", " %S", " %S.%f")]
    formats += ["%Y%m%d%H%M", "%Y%m%d%H%M%S", "%Y%m%d%H", "%y%m%d%H%M", "%y%m%d%H%M%S", "%d%m%Y%H%M", "%d%m%y%H%M"]
    formats += [
        f"{date}_{time}" for date in ("%Y-%m-%d", "%Y%m%d", "%d%m%Y") for time in ("%H%M", "%H%M%S", "%H-%M-%S")
    ]
    formats += numeric + named + compact + columns
    formats += [f"{time} {date}" for date in numeric for time in times[:6]]
    return {format: _skeletons(format) for format in (*formats, "%s")}


def _skeleton(text: str) -> str:
    """A stamp with each number as 0 and each word as a."""
    text = re.sub(r"[^\W\d_]+\.?(?:[ \u00a0]?[^\W\d_]\.)?", "a", text)
    return re.sub(r"[ \t\u00a0]+", " ", re.sub(r"[0-9]+", "0", text))


def _skeletons(format: str) -> frozenset[str]:
    """All skeletons of the stamps of a format."""
    variants = [format, re.sub(r"[.,]%f", "", format)]
    if format == "%s":
        variants += ["%s.%f", "%s,%f", "-%s"]
    zones = ("Z", "+00:00", "-00:00", "+00", "-00") if "%z" in format else ("",)
    texts = [variant.replace("%z", zone) for variant in variants for zone in zones]
    texts = [re.sub("%[bBaAp]", "A", re.sub("(?:%[YymdjHIMSfs])+", "0", text)) for text in texts]
    return frozenset(_skeleton(text) for text in texts)


def infer_formats(samples: Sequence[str]) -> Inferred:
    """All formats out of a fixed list that read the samples; day first and month first both, unless a sample decides.

    Empty samples do not count. A format may miss up to 1 % of the samples; of the formats, those that miss fewest are
    returned, so that the one stamp with a 13th day decides. Where a plainer format reads the same, the finer is left
    out (`%S` before `%S.%f`), and so is `%s` where the digits make calendar dates.
    """
    texts = [text.strip() for text in samples if text and text.strip()]
    if not texts:
        return Inferred([], [])
    few = texts[:: max(1, len(texts) // 24)]
    seen = {_skeleton(text) for text in few}
    longest = max(len(text) for text in texts)
    missed: dict[str, NDArray[np.bool_]] = {}
    for format, skeletons in _candidates().items():
        if skeletons.isdisjoint(seen):  # compiling is what costs
            continue
        reader = StampFormat.compile(format)
        width = _compact_width(format)
        if longest < width or 2 * np.isnat(reader.parse(few).local).sum() > len(few):
            continue
        least = _EPOCH_DIGITS if format == "%s" else width - 1
        unread = np.isnat(reader.parse(texts).local)
        unread |= np.array([len(text.partition(".")[0]) < least for text in texts])
        if unread.sum() <= _ALLOWED_UNREAD * len(texts):
            missed[format] = unread
    fewest = min((int(unread.sum()) for unread in missed.values()), default=0)
    best = {format: unread for format, unread in missed.items() if unread.sum() == fewest}
    formats = [format for format in best if not any(plainer in best for plainer in _plainer(format))]
    if len(formats) > 1 and "%s" in formats:
        formats.remove("%s")
    some = np.any([best[format] for format in formats], axis=0) if formats else np.ones(len(texts), bool)
    return Inferred(formats, [text for text, missing in zip(texts, some, strict=True) if missing])


def _compact_width(format: str) -> int:
    """Digits of a format that is all one run, 0 for others: so that a short record number does not pass for a date."""
    codes = format.split("%")[1:]
    return sum(_WIDTH[code] for code in codes) if format[0] == "%" and all(code in _WIDTH for code in codes) else 0


def _plainer(format: str) -> Iterator[str]:
    """Formats that say the same with less."""
    if "%H%M%S" in format:
        yield format.replace("%H%M%S", "%H%M")
    for tail in (".%f", ",%f"):
        if tail in format:
            yield format.replace(tail, "")
            if tail == ",%f":
                yield format.replace(tail, ".%f")
    if format.endswith(" %z"):
        yield format[:-3] + "%z"
        yield format[:-3] + " UTC"
