"""How a file is laid out: delimiter, names row, units and statistics rows, and its columns as text.

A file may hold several names rows that differ (files put together): each begins a sheet of its own.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.draft import words
from qc.read import cells as c
from qc.read.lines import LONGEST_CELL, Lines

if TYPE_CHECKING:
    import pyarrow as pa

_BEFORE_DATA = 200  # lines looked at for the first row of data, as the reader does (qc.read.layout.BEFORE_NAMES)
_SAMPLE = 160  # lines that decide the delimiter (judgement)
_BLOCK = 32 << 20  # bytes at a time, as the reader
_LONGEST_LINE = 64 * LONGEST_CELL
_MOST_SHEETS = 50  # sheets followed within one file, a bound against hostile files (judgement)

NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)([eE][+-]?[0-9]+)?", re.ASCII)
_STAMP = re.compile(
    r"[0-9]{1,4}[-/.:][0-9]{1,2}([-/.:][0-9]{1,4})?[0-9:./\- TZ+,aApPmM()]*( ?(UTC|GMT))?|[0-9]{1,2}:[0-9]{2}.{0,12}"
    r"|[0-9]{8}[T_ ]?[0-9]{0,6}Z?|[0-9]{3,4} (UTC|GMT)"
    r"|([A-Za-z]{2,9},? )?[0-9]{0,2}[-/. ]?[A-Za-zÀ-ÿ]{3,10}\.?[-/. ][0-9]{1,4}[0-9:./\- ,aApPmM]*"
)
_WITH_UNIT = re.compile(r"[+-]?[0-9]+([.,][0-9]+)? ?[A-Za-z%°µ][A-Za-z0-9/%°²-]{0,6}")
_WORD = re.compile(r"[^0-9]{0,40}|[A-Za-z][\w :.-]{0,30}|<-?[0-9]+>.{0,20}")


@dataclass(frozen=True)
class Sheet:
    """One names row and the rows below it. `names` is empty where there is none; `above`, `units` and `statistics` are
    as wide as the rows.

    `misfit`: why columns can only be known by position, or empty. `columns` are trimmed text, one array a column;
    `line` numbers count from 0.
    """

    lines: Lines
    delimiter: str
    names: tuple[str, ...]
    names_line: int | None
    above: tuple[str, ...]
    units: tuple[str, ...]
    statistics: tuple[str, ...]
    banner: tuple[str, ...]
    misfit: str
    columns: tuple[pa.Array, ...]
    line: NDArray[np.int64]

    @property
    def width(self) -> int:
        """Number of columns."""
        return len(self.columns)

    def title(self, at: int) -> str:
        """What the header says of a column: the row above the names, then its name."""
        above = self.above[at] if at < len(self.above) else ""
        name = self.names[at] if at < len(self.names) else ""
        return f"{above} {name}".strip()


@dataclass(frozen=True)
class _Header:
    names: tuple[str, ...] = ()
    names_line: int | None = None
    above: tuple[str, ...] = ()
    units: tuple[str, ...] = ()
    statistics: tuple[str, ...] = ()


def sheets(lines: Lines) -> list[Sheet]:
    """The sheets of one file, in order; none where no line looks like a row of data."""
    delimiter, width = _delimiter(lines)
    if not delimiter:
        return []
    first = _first_row(lines, delimiter, width)
    if first is None:
        return []
    header = _header(lines, delimiter, range(max(0, first - _BEFORE_DATA), first), width)
    banner_stop = header.names_line if header.names_line is not None else first
    banner = tuple(lines.text(i)[:400] for i in range(max(0, banner_stop - 40), banner_stop) if lines.raw(i).strip())
    out: list[Sheet] = []
    edges = [*_later_headers(lines, delimiter, width, header, first), (lines.count, lines.count, _Header())]
    start, current = first, header
    for stop, rows_from, following in edges:
        if stop > start:
            sheet = _sheet(lines, delimiter, current, banner if not out else (), start, stop)
            if sheet is not None:
                out.append(sheet)
        start, current = rows_from, following
    return out


# ---- the delimiter


def _delimiter(lines: Lines) -> tuple[str, int]:
    """The delimiter and the usual count of cells; an empty text where no line looks like a table."""
    texts = list(_sample(lines))
    best: tuple[float, str, int] = (0.0, "", 0)
    for delimiter in c.DELIMITERS:
        rows = [r for text in texts if (r := c.split(text, delimiter)) is not None]
        counts = Counter(len(r) for r in rows if len(r) > 1)
        if not counts:
            continue
        width, number = max(counts.items(), key=lambda item: (item[1], item[0]))
        near = [r for r in rows if len(r) == width]
        clean = np.mean([_clean(cell) for r in near for cell in r])
        share = number / max(1, len(texts))
        if share < 0.4 or clean < 0.75:
            continue
        if delimiter == c.BLANKS and best[1]:
            break
        best = max(best, (width * share * float(clean) ** 2, delimiter, width))
    return best[1], best[2]


def _sample(lines: Lines) -> Iterator[str]:
    """Lines from all over the file, more of them where a header cannot be."""
    late = np.linspace(min(30, lines.count // 2), lines.count - 1, _SAMPLE).astype(int)
    for i in np.unique(late):
        raw = lines.raw(int(i))
        if raw.strip(b" \t,;|\"'") and len(raw) < LONGEST_CELL and b"\x00" not in raw:
            yield raw.decode("utf-8", "replace")


def _clean(cell: str) -> bool:
    """Whether a cell is one thing: empty, a number, a stamp or a word."""
    return not cell or is_value(cell) or (len(cell) < 60 and bool(_WORD.fullmatch(cell) or _WITH_UNIT.fullmatch(cell)))


def is_value(cell: str) -> bool:
    """Whether a cell is a number or a stamp."""
    return len(cell) < 60 and bool(NUMBER.fullmatch(cell) or _STAMP.fullmatch(cell))


# ---- where the rows begin


def _first_row(lines: Lines, delimiter: str, width: int) -> int | None:
    """The first line that looks like a row of data."""
    rows = [r for t in _sample(lines) if (r := c.split(t, delimiter)) is not None and abs(len(r) - width) <= 1]
    firm, stamps = _firm(rows, width)
    for i in range(min(lines.count, _BEFORE_DATA)):
        raw = lines.raw(i)
        if len(raw) > _LONGEST_LINE:
            continue
        cells = c.split(raw.decode("utf-8", "replace"), delimiter)
        if cells is not None and _row_like(cells, width, firm, stamps):
            return i
    return None


def _firm(rows: Sequence[Sequence[str]], width: int) -> tuple[list[int], list[int]]:
    """Columns that hold a number or a stamp in nearly every row, and those that hold a stamp which is no number."""
    firm, stamps = [], []
    for p in range(width):
        cells = [r[p] for r in rows if p < len(r)]
        if cells and sum(map(is_value, cells)) >= 0.8 * len(cells):
            firm.append(p)
            if sum(not NUMBER.fullmatch(x) and is_value(x) for x in cells) >= 0.8 * len(cells):
                stamps.append(p)
    return firm, stamps


def _row_like(cells: Sequence[str], width: int, firm: Sequence[int], stamps: Sequence[int]) -> bool:
    if len(cells) < max(2, 0.6 * width):
        return False
    held = [cells[p] for p in firm if p < len(cells)]
    if any(p >= len(cells) or not is_value(cells[p]) for p in stamps):
        return False
    if stamps:
        return sum(is_value(x) or not x for x in held) >= 0.5 * len(held)
    return bool(held) and sum(map(is_value, held)) >= 0.8 * len(held)


# ---- header rows


def _header(lines: Lines, delimiter: str, where: range, width: int) -> _Header:
    """Names, units and statistics among the lines before the first row."""
    rows: list[tuple[int, list[str], str]] = []
    for i in reversed(where):
        raw = lines.raw(i)
        if len(raw) > _LONGEST_LINE:
            continue
        cells = c.split(raw.decode("utf-8", "replace").lstrip("#% "), delimiter)
        if cells is None or len([x for x in cells if x]) < 2:
            continue
        rows.append((i, cells, _kind(cells, width)))
        if len(rows) >= 30:
            break
    named = [r for r in rows if r[2] == "names"]
    if not named:  # names that are all spelled like units, or like statistics
        named = [r for r in rows if r[2] in ("units", "statistics") and len([x for x in r[1] if x]) >= 0.6 * width]
        if not named:
            return _Header()
    best = max(named, key=lambda r: (min(len({x for x in r[1] if x}), width), r[0]))
    first_units = next((r[1] for r in rows if r[2] == "units" and r[0] != best[0]), [])
    first_stats = next((r[1] for r in rows if r[2] == "statistics" and r[0] != best[0]), [])
    beside = [r[1] for r in rows if r[2] == "names" and r[0] == best[0] - 1 and len(r[1]) == len(best[1])]
    names = c.split(lines.text(best[0]), delimiter) or []
    return _Header(
        _wide(names, len(names)),
        best[0],
        _wide(beside[0], width) if beside else (),
        _wide(first_units, width) if first_units else (),
        _wide(first_stats, width) if first_stats else (),
    )


def _kind(cells: Sequence[str], width: int) -> str:
    """`names`, `units`, `statistics` or `banner`, for one line before the rows."""
    filled = [x for x in cells if x]
    if len(filled) >= max(2, 0.2 * width):
        if sum(words.statistic_of(x) is not None for x in filled) >= 0.6 * len(filled):
            return "statistics"
        if sum(words.is_unit(x) for x in filled) >= 0.5 * len(filled):
            return "units"
    numbers = sum(bool(NUMBER.fullmatch(x)) for x in filled)
    if len(filled) >= max(2, 0.5 * width) and numbers < 0.3 * len(filled):
        return "names"
    return "banner"


def _wide(cells: Sequence[str], width: int) -> tuple[str, ...]:
    return tuple([*cells, *[""] * width][: max(width, 0)])


def _trimmed(names: Sequence[str]) -> tuple[str, ...]:
    size = len(names)
    while size and not names[size - 1]:
        size -= 1
    return tuple(names[:size])


def _later_headers(
    lines: Lines, delimiter: str, width: int, header: _Header, first: int
) -> list[tuple[int, int, _Header]]:
    """Names rows in mid-file that are not the first one again: the line, the first line of rows after it, the
    header.
    """
    if header.names_line is None:
        return []
    codes = np.frombuffer(lines.data, np.uint8)
    letters = ((codes | 32) >= 97) & ((codes | 32) <= 122)
    count = np.diff(np.cumsum(letters, dtype=np.int32)[lines.ends], prepend=0)
    usual = float(np.median(count[first:])) if lines.count > first else 0.0
    wanted = np.flatnonzero(count > max(2 * usual + 8, 0.4 * float(count[header.names_line])))
    known = {lines.raw(i).strip() for i in range(first)}
    out: list[tuple[int, int, _Header]] = []
    for i in wanted[wanted >= first]:
        line = int(i)
        raw = lines.raw(line)
        if raw.strip() in known or len(raw) > LONGEST_CELL or (out and line < out[-1][1]):
            continue
        cells = c.split(raw.decode("utf-8", "replace"), delimiter)
        if (
            cells is None
            or len(cells) < 2
            or any(map(is_value, cells))
            or len({x for x in cells if x}) < 0.5 * len(cells)
        ):
            continue
        if sum(words.known(x) for x in cells) < 2 or len(out) >= _MOST_SHEETS:
            continue
        stop = line + 1
        while stop < min(lines.count, line + 5):
            after = c.split(lines.text(stop), delimiter)
            if after is None or sum(map(is_value, after)) >= 0.3 * len(after):
                break
            stop += 1
        out.append((line, stop, _header(lines, delimiter, range(line, stop), len(cells))))
    return out


# ---- columns


def _sheet(
    lines: Lines, delimiter: str, header: _Header, banner: tuple[str, ...], start: int, stop: int
) -> Sheet | None:
    import pyarrow as pa
    import pyarrow.compute as pc

    names = _trimmed(header.names)
    pieces: list[list[pa.Array]] = []
    numbers: list[NDArray[np.int64]] = []
    widths: list[int] = []
    most = max(len(header.names), 1)
    at = start
    while at < stop:
        last = int(np.searchsorted(lines.ends, lines.start(at) + _BLOCK, side="right"))
        last = min(max(last, at + 1), stop)
        base = lines.start(at)
        data = lines.data[base : lines.start(last)]
        standing = np.zeros(last - at, np.uint8)
        block, _ = c.regular_block(data, lines.ends[at:last] - base, delimiter, max(most, 400), 2, standing)
        if len(block.line):
            found = c.parse(block, range(block.columns))
            pieces.append([pc.fill_null(pc.utf8_trim_whitespace(found[p]), "") for p in range(block.columns)])
            numbers.append(block.line + at)
            widths.append(block.columns)
        at = last
    if not pieces:
        return None
    width = max(widths)
    columns = []
    for p in range(width):
        parts = [
            piece[p] if p < len(piece) else pa.array([""] * len(n), pa.string())
            for piece, n in zip(pieces, numbers, strict=True)
        ]
        columns.append(parts[0] if len(parts) == 1 else pa.concat_arrays(parts))
    used = width
    while used > 1 and not _any(columns[used - 1]):
        used -= 1
    misfit, names, shift = _fits(names, columns, used, width, delimiter == c.BLANKS)
    if shift:
        header = _Header(
            header.names,
            header.names_line,
            *(("", *t)[:width] if t else () for t in (header.above, header.units, header.statistics)),
        )
    return Sheet(
        lines, delimiter, names, header.names_line, header.above, header.units, header.statistics, banner, misfit,
        tuple(columns[: max(used, len(names) if not misfit else used)]), np.concatenate(numbers),
    )  # fmt: skip


def _any(column: pa.Array) -> bool:
    import pyarrow.compute as pc

    return bool(pc.any(pc.greater(pc.utf8_length(column), 0)).as_py())


def _fits(
    names: tuple[str, ...], columns: Sequence[pa.Array], used: int, width: int, blanks: bool
) -> tuple[str, tuple[str, ...], bool]:
    """Why the names row cannot name the columns (or empty), the names by column, and whether they stand one to the
    left.
    """
    if not names or used <= len(names) <= width:
        return "", names, False
    told = f"the names row has {len(names)} names and the rows have {used} cells"
    if names[0] in ("#", "%", "//", ";", "!", "*") and len(names) == used + 1:
        return told + f", for its mark '{names[0]}'", names[1:], False
    if used == len(names) + 1:
        stamp = [p for p in range(min(used, 8)) if _stampy(columns[p])]
        if (
            stamp
            and not words.is_time(names[stamp[0]] if stamp[0] < len(names) else "")
            and (stamp[0] == 0 or words.is_time(names[stamp[0] - 1]))
        ):
            return told + ", its first without a name", ("", *names), True
    times = [p for p in range(min(used, len(names), 8)) if _stampy(columns[p])]
    if (len(names) > used and blanks) or not times or not all(words.is_time(names[p]) for p in times):
        return told, ("",) * used, False  # which name belongs to which column cannot be known
    return told, (*names, *[""] * used)[:used], False


def _stampy(column: pa.Array) -> bool:
    some = column[: min(len(column), 50)].to_pylist()
    return sum(not NUMBER.fullmatch(x) and is_value(x) for x in some) >= 0.8 * len(some)
