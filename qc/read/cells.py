"""Physical lines to columns of cells, fast where lines are regular and with care where they are not.

Every line gets one standing. A line is *regular* when its count of delimiters outside quotes is the usual one and each
quotation mark opens at the start of a cell and closes at its end; regular lines go to pyarrow's reader in one piece.
The others are read one by one and written anew in regular form, or rejected. So a stray quotation mark costs its own
line and no other.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from qc.read.lines import LONGEST_CELL

if TYPE_CHECKING:
    import pyarrow as pa

UNSEEN, HEADER, BLANK, ROW, REJECT, ELSEWHERE = 0, 1, 2, 3, 4, 5
BLANKS = " "  # stands for runs of blanks as the delimiter
DELIMITERS = (",", ";", "\t", "|", BLANKS)
_ARROW_BLOCK = 4 << 20  # bytes that pyarrow takes at once; a line must fit in
_EMPTY = re.compile(rb'[\s",;|]*')
_QUOTED = re.compile(r'"((?:[^"]|"")*+)"')
_FILLER = np.isin(np.arange(256), list(b' \t\n\v\f\r",;|'))  # what a blank line may hold
_NOTHING = np.isin(np.arange(256), list(b' \t\v\f"'))  # what an empty cell may hold


@dataclass(frozen=True)
class Reject:
    """A line that could not be read: its number, counted from 0 within its piece, and why."""

    line: int
    reason: str


@dataclass(frozen=True)
class Block:
    """Lines of a file in regular form, ready for pyarrow, with the line number (from 0) of each row."""

    buffer: bytes
    line: NDArray[np.int64]
    columns: int
    delimiter: str
    quoted: bool
    longest: int = 0
    marks: NDArray[np.int64] | None = None

    def wide(self, longest: int) -> NDArray[np.bool_]:
        """For each column, whether any cell is longer than `longest` bytes; all True where quotes hide it."""
        marks = _marks(self.buffer, self.delimiter) if self.marks is None else self.marks
        if len(marks) != len(self.line) * self.columns:
            return np.ones(self.columns, bool)
        wide = np.zeros(self.columns, bool)
        if len(marks):
            wide[0] = marks[0] > longest
            wide[(np.flatnonzero(marks[1:] - marks[:-1] > longest + 1) + 1) % self.columns] = True
        return wide


def _marks(data: bytes, delimiter: str) -> NDArray[np.int64]:
    """Positions of all delimiters and line ends."""
    codes = np.frombuffer(data, np.uint8)
    return np.flatnonzero((codes == ord(delimiter)) | (codes == 10))


def is_blank(raw: bytes) -> bool:
    """Whether a line holds nothing but white space, delimiters and paired quotation marks."""
    return _EMPTY.fullmatch(raw) is not None and raw.count(b'"') % 2 == 0


def split(line: str, delimiter: str) -> list[str] | None:
    """Cells of one line, trimmed; None where a quotation mark is still open at its end."""
    if delimiter == BLANKS:
        line = re.sub(r"[ \t]+", " ", line).strip(" ")
    return _cells(line, delimiter)


def _cells(line: str, delimiter: str) -> list[str] | None:
    """Cells of a line. A quotation mark opens only at the start of a cell; one in the middle is a plain character."""
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    cells: list[str] = []
    at, size = 0, len(line)
    while True:
        begin = at
        while begin < size and line[begin] == " " and delimiter != BLANKS:
            begin += 1
        if begin < size and line[begin] == '"':
            found = _QUOTED.match(line, begin)
            if not found:
                return None
            stop = line.find(delimiter, found.end())
            stop = size if stop < 0 else stop
            cells.append((found[1].replace('""', '"') + line[found.end() : stop]).strip())
        else:
            stop = line.find(delimiter, begin)
            stop = size if stop < 0 else stop
            cells.append(line[begin:stop].strip())
        if stop >= size:
            return cells
        at = stop + 1


def regular_block(
    data: bytes,
    ends: NDArray[np.int64],
    delimiter: str,
    names: int,
    least: int,
    standing: NDArray[np.uint8],
    needed: int = 0,
) -> tuple[Block, list[Reject]]:
    """Sort the lines of one piece of a file.

    Parameters
    ----------
    data : bytes
        whole lines, LF after each.
    ends : array of int
        position of each LF in `data`.
    delimiter : str
    names : int
        cells of the names row.
    least : int
        cells that a row must have at the least.
    standing : array of uint8, one per line
        filled in with BLANK, ROW or REJECT.
    needed : int
        columns that the block shall have at the least, whatever its rows have.

    Returns
    -------
    block, rejects
        line numbers count from 0 within the piece. What becomes of a line depends on no other line.
    """
    if delimiter == BLANKS:
        data = re.sub(rb"[ \t]+", b" ", data).replace(b" \n", b"\n").replace(b"\n ", b"\n").removeprefix(b" ")
        ends = np.flatnonzero(np.frombuffer(data, np.uint8) == 10)
    codes = np.frombuffer(data, np.uint8)
    starts = np.concatenate(([0], ends[:-1] + 1))
    marks = _marks(data, delimiter)
    each = len(marks) // max(1, len(ends))
    if len(marks) == each * len(ends) and (marks[each - 1 :: each] == ends).all():
        written = np.full(len(ends), each)
    else:
        written = np.diff(np.searchsorted(marks, ends), prepend=-1)
    quoted = b'"' in data
    if quoted:
        count, odd = _quotes(codes, starts, ends, marks, ord(delimiter), written)
    else:
        count, odd = written, np.zeros(len(ends), bool)
    if b"\x00" in data:
        odd[np.searchsorted(ends, np.flatnonzero(codes == 0))] = True
    odd |= ends - starts > LONGEST_CELL
    usual = _usual(count, max(least, needed)) or max(names, needed)
    odd |= count != usual
    for line in _maybe_blank(codes, starts, ends):
        if is_blank(data[starts[line] : ends[line]]):
            standing[line], odd[line] = BLANK, False
    good = (standing != BLANK) & ~odd
    width, stops = usual, ends
    if usual > names:  # delimiters at the end: what stands after the last name must be empty
        width = max(names, needed)
        stops, filled = _tails(codes, ends, marks, good & (count == written), usual - width)
        odd |= good & (filled | (count != written))
        good &= ~odd
    standing[good] = ROW
    rejects: list[Reject] = []
    pieces: list[bytes] = []
    lines: list[NDArray[np.int64]] = []
    at, longest = 0, _longest(ends)
    for line in np.flatnonzero(odd).tolist():
        _take(codes, starts, stops, ends, good, at, line, pieces, lines)
        at = line + 1
        mended = _mend(data[int(starts[line]) : int(ends[line])], delimiter, width, names, least)
        if isinstance(mended, bytes):
            standing[line] = ROW
            pieces.append(mended)
            lines.append(np.array([line]))
            longest = max(longest, len(mended))
            quoted = quoted or b'"' in mended
        else:
            standing[line] = REJECT
            rejects.append(Reject(line, mended))
    if not at and good.all() and stops is ends:
        return Block(data, np.arange(len(ends)), width, delimiter, quoted, longest, marks), rejects
    _take(codes, starts, stops, ends, good, at, len(ends), pieces, lines)
    numbers = np.concatenate(lines) if lines else np.zeros(0, np.int64)
    return Block(b"".join(pieces), numbers, width, delimiter, quoted, longest), rejects


def _longest(ends: NDArray[np.int64]) -> int:
    """Bytes of the longest line, its end included."""
    return int(np.diff(ends, prepend=-1).max()) if len(ends) else 0


def _maybe_blank(codes: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64]) -> NDArray[np.intp]:
    """Lines that may be blank: their first, second, middle and last bytes are filler, as the LF at the end is."""
    likely = np.flatnonzero(_FILLER[codes[starts]])
    for place in (np.minimum(starts + 1, ends), (starts + ends) // 2, np.maximum(ends - 1, starts)):
        likely = likely[_FILLER[codes[place[likely]]]]
    return likely


def _tails(
    codes: NDArray[np.uint8],
    ends: NDArray[np.int64],
    marks: NDArray[np.int64],
    lines: NDArray[np.bool_],
    spare: int,
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Where each of some lines ends without its last `spare` cells, and whether these cells hold anything."""
    stops, filled = ends.copy(), np.zeros(len(ends), bool)
    rows = np.flatnonzero(lines)
    if len(rows):
        stops[rows] = marks[np.searchsorted(marks, ends[rows]) - spare]
        bounds = np.column_stack((stops[rows], ends[rows])).ravel()
        solid = ~_NOTHING[codes] & (codes != codes[stops[rows[0]]])
        filled[rows] = np.logical_or.reduceat(solid, bounds)[::2]
    return stops, filled


def _take(
    codes: NDArray[np.uint8], starts: NDArray[np.int64], stops: NDArray[np.int64], ends: NDArray[np.int64],
    good: NDArray[np.bool_], first: int, stop: int, pieces: list[bytes], lines: list[NDArray[np.int64]],
) -> None:  # fmt: skip
    """Good lines of [first, stop), each up to its place in `stops`, into `pieces`, with their numbers into `lines`."""
    if first >= stop:
        return
    here = slice(first, stop)
    inside = good[here]
    if not inside.any():
        return
    piece = codes[starts[first] : ends[stop - 1] + 1]
    if stops is not ends:
        held, spare = (stops - starts)[here], (ends - stops)[here]
        lengths = np.column_stack((held, spare, np.ones(stop - first, np.int64)))
        keep = np.column_stack((inside, np.zeros(stop - first, bool), inside))
        piece = piece[np.repeat(keep.ravel(), lengths.ravel())]
    elif not inside.all():
        piece = piece[np.repeat(inside, (ends - starts)[here] + 1)]
    pieces.append(piece.tobytes())
    lines.append(np.flatnonzero(inside) + first)


def _usual(count: NDArray[np.int64], least: int) -> int:
    """The commonest count of cells among lines that could be rows, 0 where there is none: these go the fast way."""
    likely = count[(count >= least) & (count <= LONGEST_CELL)]
    return int(np.bincount(likely).argmax()) if len(likely) else 0


def _quotes(
    codes: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], marks: NDArray[np.int64],
    delimiter: int, count: NDArray[np.int64],
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:  # fmt: skip
    """Counts of cells with delimiters inside quotes taken off, and the lines whose quotes are not plainly paired."""
    quotes = np.flatnonzero(codes == 34)
    before = np.searchsorted(quotes, starts)
    number = np.searchsorted(quotes, ends) - before
    line = np.repeat(np.arange(len(ends)), number)
    opens = (np.arange(len(quotes)) - before[line]) % 2 == 0
    left = codes[np.maximum(quotes - 1, 0)]
    right = codes[np.minimum(quotes + 1, len(codes) - 1)]
    begins = (quotes == starts[line]) | (left == delimiter)
    closes = (quotes + 1 == ends[line]) | (right == delimiter)
    odd = number % 2 == 1
    odd[line[~np.where(opens, begins, closes)]] = True
    paired = ~odd[line]
    first, last = quotes[paired & opens], quotes[paired & ~opens]
    inside = np.searchsorted(marks, last) - np.searchsorted(marks, first)
    count = count - np.bincount(line[paired & opens], weights=inside, minlength=len(ends)).astype(np.int64)
    return count, odd


def _mend(raw: bytes, delimiter: str, width: int, names: int, least: int) -> bytes | str:
    """A line in regular form (bytes, with its LF), or why it cannot be read (str)."""
    if b"\x00" in raw:
        return "holds NUL bytes"
    cells = _cells(raw.decode("utf-8", "replace"), delimiter)
    if cells is None:
        return "a quotation mark is still open at the end of the line"
    if len(raw) > LONGEST_CELL and any(len(cell.encode("utf-8")) > LONGEST_CELL for cell in cells):
        return f"a cell is longer than {LONGEST_CELL // 1024} kB"
    while len(cells) > names and not cells[-1]:
        cells.pop()
    if len(cells) < least:
        return f"cut off: {len(cells)} cells where a row has {least}"
    if len(cells) > max(names, 1):
        return f"{len(cells)} cells where a row has {names}"
    cells = cells[:width] + [""] * (width - len(cells))
    return delimiter.join(_regular(cell, delimiter) for cell in cells).encode("utf-8") + b"\n"


def _regular(cell: str, delimiter: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if '"' in cell or delimiter in cell else cell


def column_name(index: int) -> str:
    """Name of a column within a block."""
    return f"c{index}"


def parse(
    block: Block,
    wanted: Sequence[int],
    numbers: Sequence[int] = (),
    *,
    decimal: str = ".",
    nulls: Sequence[str] = ("",),
) -> dict[int, pa.Array]:
    """Columns of a block by position: those in `numbers` as float64, the others as text.

    Raises
    ------
    pyarrow.ArrowInvalid
        if a cell of `numbers` is neither a number nor one of `nulls`.
    """
    import pyarrow as pa
    from pyarrow import csv as pacsv

    wanted = sorted(set(wanted))
    if not len(block.line):
        return {i: pa.array([], pa.float64() if i in numbers else pa.string()) for i in wanted}
    types: dict[str, Any] = {column_name(i): pa.float64() if i in numbers else pa.string() for i in wanted}
    table = pacsv.read_csv(
        pa.BufferReader(block.buffer),
        read_options=pacsv.ReadOptions(
            column_names=[column_name(i) for i in range(block.columns)],
            block_size=max(_ARROW_BLOCK, block.longest + 1),
        ),
        parse_options=pacsv.ParseOptions(
            delimiter=block.delimiter, quote_char='"' if block.quoted else False, double_quote=block.quoted,
            newlines_in_values=False, ignore_empty_lines=False,
        ),
        convert_options=pacsv.ConvertOptions(
            column_types=types, include_columns=list(types), null_values=list(nulls), strings_can_be_null=False,
            decimal_point=decimal, check_utf8=False, quoted_strings_can_be_null=True,
        ),
    )  # fmt: skip
    if table.num_rows != len(block.line):
        raise AssertionError(
            f"{table.num_rows} rows read where {len(block.line)} lines stand"
        )  # never seen: lines are regular
    return {i: _whole(table[column_name(i)]) for i in wanted}


def _whole(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def write_line(cells: Sequence[str]) -> str:
    """One CSV line, with LF."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue()
