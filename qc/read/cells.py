"""Physical lines to columns of cells, fast where lines are regular and with care where they are not.

Every line gets one standing. A line is *regular* when its count of delimiters outside quotes is the usual one and each quotation
mark opens at the start of a cell and closes at its end; regular lines go to pyarrow's reader in one piece. The others are read one
by one and written anew in regular form, or rejected. So a stray quotation mark costs its own line and no other.
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
_EMPTY = re.compile(rb"[\s\"',;|]*")


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

    def wide(self, longest: int) -> NDArray[np.bool_]:
        """For each column, whether any cell is longer than `longest` bytes; all True where quotes make it dear to know."""
        if self.quoted or not len(self.line):
            return np.full(self.columns, self.quoted)
        codes = np.frombuffer(self.buffer, np.uint8)
        ends = np.flatnonzero(codes == 10)
        edges = np.column_stack(
            [np.concatenate(([-1], ends[:-1])), np.flatnonzero(codes == ord(self.delimiter)).reshape(len(ends), -1), ends]
        )
        return np.asarray(np.diff(edges, axis=1).max(axis=0) - 1 > longest)


def split(line: str, delimiter: str) -> list[str] | None:
    """Cells of one line, trimmed; None where a quotation mark is still open at its end."""
    if delimiter == BLANKS:
        line = re.sub(r"[ \t]+", " ", line.strip())
    return _cells(line, delimiter)


def _cells(line: str, delimiter: str) -> list[str] | None:
    """Cells of a line. A quotation mark opens only at the start of a cell; one in the middle is a character like any other."""
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    cells: list[str] = []
    at, size = 0, len(line)
    while True:
        begin = at
        while begin < size and line[begin] == " " and delimiter != BLANKS:
            begin += 1
        if begin < size and line[begin] == '"':
            found = re.compile(r'"((?:[^"]|"")*)"').match(line, begin)
            if not found:
                return None
            stop = line.find(delimiter, found.end())
            stop = size if stop < 0 else stop
            cells.append(found[1].replace('""', '"').strip() + line[found.end() : stop].rstrip())
        else:
            stop = line.find(delimiter, begin)
            stop = size if stop < 0 else stop
            cells.append(line[begin:stop].strip())
        if stop >= size:
            return cells
        at = stop + 1


def regular_block(
    data: bytes, ends: NDArray[np.int64], delimiter: str, names: int, least: int, standing: NDArray[np.uint8]
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

    Returns
    -------
    block, rejects
        line numbers count from 0 within the piece.
    """
    if delimiter == BLANKS:
        data = re.sub(rb"[ \t]+", b" ", re.sub(rb"(?m)^[ \t]+|[ \t]+$", b"", data))
        ends = np.flatnonzero(np.frombuffer(data, np.uint8) == 10)
    codes = np.frombuffer(data, np.uint8)
    starts = np.concatenate(([0], ends[:-1] + 1))
    delimiters = np.flatnonzero(codes == ord(delimiter))
    count = np.diff(np.searchsorted(delimiters, ends), prepend=0) + 1
    quoted = b'"' in data
    odd = np.zeros(len(ends), bool)
    if quoted:
        count, odd = _quotes(codes, starts, ends, delimiters, ord(delimiter), count)
    if b"\x00" in data:
        odd[np.searchsorted(ends, np.flatnonzero(codes == 0))] = True
    odd |= ends - starts > LONGEST_CELL
    usual = _usual(count, names, least)
    odd |= count != usual
    for line in np.flatnonzero(ends - starts < 2 * usual + 2):  # short enough to hold nothing but delimiters and quotes
        if _EMPTY.fullmatch(data, starts[line], ends[line]):
            standing[line], odd[line] = BLANK, False
    rejects: list[Reject] = []
    good = (standing != BLANK) & ~odd
    standing[good] = ROW
    if not odd.any():
        if good.all():
            return Block(data, np.arange(len(ends)), usual, delimiter, quoted), rejects
        keep = np.repeat(good, ends - starts + 1)
        return Block(codes[keep].tobytes(), np.flatnonzero(good), usual, delimiter, quoted), rejects
    pieces: list[bytes] = []
    lines: list[NDArray[np.int64]] = []
    at = 0
    for line in np.flatnonzero(odd):
        _take(codes, starts, ends, good, at, int(line), pieces, lines)
        at = int(line) + 1
        raw = data[int(starts[line]) : int(ends[line])]
        mended = _mend(raw, delimiter, usual, names, least)
        if mended is None:
            standing[line] = BLANK
        elif isinstance(mended, bytes):
            standing[line] = ROW
            pieces.append(mended)
            lines.append(np.array([line]))
            quoted = quoted or b'"' in mended
        else:
            standing[line] = REJECT
            rejects.append(Reject(int(line), mended))
    _take(codes, starts, ends, good, at, len(ends), pieces, lines)
    numbers = np.concatenate(lines) if lines else np.zeros(0, np.int64)
    return Block(b"".join(pieces), numbers, usual, delimiter, quoted), rejects


def _take(
    codes: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], good: NDArray[np.bool_],
    first: int, stop: int, pieces: list[bytes], lines: list[NDArray[np.int64]],
) -> None:  # fmt: skip
    """Good lines of [first, stop) into `pieces`, with their numbers into `lines`."""
    if first >= stop:
        return
    inside = good[first:stop]
    if inside.any():
        piece = codes[starts[first] : ends[stop - 1] + 1]
        if not inside.all():
            piece = piece[np.repeat(inside, (ends - starts)[first:stop] + 1)]
        pieces.append(piece.tobytes())
        lines.append(np.flatnonzero(inside) + first)


def _usual(count: NDArray[np.int64], names: int, least: int) -> int:
    """The commonest count of cells among lines that could be rows."""
    likely = count[(count >= least) & (count <= names + 1000)]
    return int(np.bincount(likely).argmax()) if len(likely) else names


def _quotes(
    codes: NDArray[np.uint8], starts: NDArray[np.int64], ends: NDArray[np.int64], delimiters: NDArray[np.int64],
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
    inside = np.searchsorted(delimiters, last) - np.searchsorted(delimiters, first)
    count = count - np.bincount(line[paired & opens], weights=inside, minlength=len(ends)).astype(np.int64)
    return count, odd


def _mend(raw: bytes, delimiter: str, usual: int, names: int, least: int) -> bytes | str | None:
    """A line in regular form (bytes, with its LF), None where it is blank, or why it cannot be read (str)."""
    if _EMPTY.fullmatch(raw):
        return None
    if b"\x00" in raw:
        return "holds NUL bytes"
    cells = _cells(raw.decode("utf-8", "replace"), delimiter)
    if cells is None:
        return "a quotation mark is still open at the end of the line"
    if any(len(cell) > LONGEST_CELL for cell in cells):
        return f"a cell is longer than {LONGEST_CELL // 1024} kB"
    while len(cells) > names and not cells[-1]:
        cells.pop()
    if len(cells) < least:
        return f"cut off: {len(cells)} cells where the names row has {least}"
    if len(cells) > max(names, 1):
        return f"{len(cells)} cells where the names row has {names}"
    cells = cells[:usual] + [""] * (usual - len(cells))
    return delimiter.join(_regular(cell, delimiter) for cell in cells).encode("utf-8") + b"\n"


def _regular(cell: str, delimiter: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if '"' in cell or delimiter in cell else cell


def column_name(index: int) -> str:
    """Name of a column within a block."""
    return f"c{index}"


def parse(
    block: Block, wanted: Sequence[int], numbers: Sequence[int] = (), *, decimal: str = ".", nulls: Sequence[str] = ("",)
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
            block_size=max(1 << 20, min(len(block.buffer), 4 * LONGEST_CELL * 16)),
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
        raise AssertionError(f"{table.num_rows} rows read where {len(block.line)} lines stand")  # never seen: lines are regular
    return {i: _whole(table[column_name(i)]) for i in wanted}


def _whole(column: pa.ChunkedArray) -> pa.Array:
    return column.chunk(0) if column.num_chunks == 1 else column.combine_chunks()


def write_line(cells: Sequence[str]) -> str:
    """One CSV line, with LF."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(cells)
    return out.getvalue()
