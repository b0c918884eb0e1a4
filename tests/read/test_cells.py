"""Lines to cells: one by one, and in blocks."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.read import cells as c
from qc.read.lines import LONGEST_CELL, from_bytes


@pytest.mark.parametrize(
    ("line", "delimiter", "expected"),
    [
        ("a,b,c", ",", ["a", "b", "c"]),
        ("a;b,c;", ";", ["a", "b,c", ""]),
        ("a\tb\t", "\t", ["a", "b", ""]),
        ("a|b", "|", ["a", "b"]),
        ("  a \t  b  c ", " ", ["a", "b", "c"]),
        ("\ta\t\tb", " ", ["a", "b"]),
        ("", ",", [""]),
        (",", ",", ["", ""]),
        (" a , b ", ",", ["a", "b"]),
        ('"a","b"', ",", ["a", "b"]),
        ('"a,b",c', ",", ["a,b", "c"]),
        ('"1,5";"2,5"', ";", ["1,5", "2,5"]),
        ('"1,5","2,5"', ",", ["1,5", "2,5"]),
        ('"a ""b"" c",d', ",", ['a "b" c', "d"]),
        ('"",""', ",", ["", ""]),
        ('""""', ",", ['"']),
        (' "a" , "b" ', ",", ["a", "b"]),
        ('5"3,1', ",", ['5"3', "1"]),  # a mark in the middle of a cell is a character
        ('a,b"', ",", ["a", 'b"']),
        ('"a"b,c', ",", ["ab", "c"]),
        ('"a,b', ",", None),  # open at the end of the line
        ('a,"b', ",", None),
        ('"', ",", None),
        ('a,"b"",c', ",", None),  # two marks inside are one mark of the cell, so it is open still
        ('"a"",b"', ",", ['a",b']),
        ('"a b" c', " ", ["a b", "c"]),
        ("'a,b'", ",", ["'a", "b'"]),  # an apostrophe quotes nothing
    ],
)
def test_split(line: str, delimiter: str, expected: list[str] | None) -> None:
    assert c.split(line, delimiter) == expected


@given(
    st.lists(st.text(alphabet='ab1",; |\t', max_size=6).map(str.strip), min_size=1, max_size=6),
    st.sampled_from(",;|\t"),
)
def test_split_reads_what_the_csv_module_writes(row: list[str], delimiter: str) -> None:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="").writerow(row)
    assert c.split(out.getvalue(), delimiter) == row


@pytest.mark.parametrize(
    ("raw", "blank"),
    [
        (b"", True),
        (b"  \t ", True),
        (b",,,;", True),
        (b'"",""', True),
        (b'"', False),
        (b'",",', True),
        (b"-", False),
        (b"\x00", False),
    ],
)
def test_blank_lines_hold_white_space_delimiters_and_paired_quotes(raw: bytes, blank: bool) -> None:
    assert c.is_blank(raw) == blank


def block(text: str | bytes, delimiter: str, names: int, least: int | None = None, needed: int = 0):  # type: ignore[no-untyped-def]
    """Standings, rows as text by line number, and reasons by line number."""
    lines = from_bytes(text if isinstance(text, bytes) else text.encode())
    standing = np.zeros(lines.count, np.uint8)
    found, rejects = c.regular_block(
        lines.data, lines.ends, delimiter, names, names if least is None else least, standing, needed
    )
    columns = c.parse(found, range(found.columns))
    texts = [columns[p].to_pylist() for p in range(found.columns)]
    rows = {int(line): [column[row].strip() for column in texts] for row, line in enumerate(found.line)}
    return standing.tolist(), rows, {r.line: r.reason for r in rejects}


ROW, BLANK, REJECT = c.ROW, c.BLANK, c.REJECT


@pytest.mark.parametrize(
    ("text", "delimiter", "names", "least", "rows", "rejects"),
    [
        ("1,2,3\n4,5,6\n", ",", 3, 3, {0: ["1", "2", "3"], 1: ["4", "5", "6"]}, {}),
        ("1,2,3\n4,5\n6,7,8\n", ",", 3, 3, {0: ["1", "2", "3"], 2: ["6", "7", "8"]}, {1: "cut off: 2 cells"}),
        ("1,2,3\n4,5,6,7\n", ",", 3, 3, {0: ["1", "2", "3"]}, {1: "4 cells where a row has 3"}),
        ("1,2,3,\n4,5,6,\n", ",", 3, 3, {0: ["1", "2", "3"], 1: ["4", "5", "6"]}, {}),  # trailing delimiters
        ("1,2,3,\n4,5,6,,,\n7,8,9\n", ",", 3, 3, {0: ["1", "2", "3"], 1: ["4", "5", "6"], 2: ["7", "8", "9"]}, {}),
        ("1,2,3,\n4,5,6,x\n", ",", 3, 3, {0: ["1", "2", "3"]}, {1: "4 cells"}),
        ("1,2,3,,y\n4,5,6,,\n", ",", 3, 3, {1: ["4", "5", "6"]}, {0: "5 cells"}),
        ("1,2,\n3,4,\n", ",", 4, 2, {0: ["1", "2", ""], 1: ["3", "4", ""]}, {}),  # names end in two empty cells
        ("1,2\n3,4,,\n5\n", ",", 4, 2, {0: ["1", "2"], 1: ["3", "4"]}, {2: "cut off: 1 cells"}),
        ('1,"a,b",3\n4,"c",6\n', ",", 3, 3, {0: ["1", "a,b", "3"], 1: ["4", "c", "6"]}, {}),
        ('1,"a,b",3,\n4,"c",6,\n', ",", 3, 3, {0: ["1", "a,b", "3"], 1: ["4", "c", "6"]}, {}),
        ('1,2,3,";"\n4,5,6,""\n', ",", 3, 3, {1: ["4", "5", "6"]}, {0: "4 cells"}),
        ('1,2,3,","\n4,5,6,""\n', ",", 3, 3, {1: ["4", "5", "6"]}, {0: "4 cells"}),
        ('1,"2,3\n4,5,6\n', ",", 3, 3, {1: ["4", "5", "6"]}, {0: "a quotation mark is still open"}),
        ('1,2"5,3\n4,5,6\n', ",", 3, 3, {0: ["1", '2"5', "3"], 1: ["4", "5", "6"]}, {}),
        ('"1","2","3"\n"4","5 ""x""","6"\n', ",", 3, 3, {0: ["1", "2", "3"], 1: ["4", '5 "x"', "6"]}, {}),
        ("1  2 \t 3\n 4 5\t6 \n", " ", 3, 3, {0: ["1", "2", "3"], 1: ["4", "5", "6"]}, {}),
        ("1 2\n\n \t\n4 5\n", " ", 2, 2, {0: ["1", "2"], 3: ["4", "5"]}, {}),
        ("1,2\n3,\x004\n\x00\x00\n5,6\n", ",", 2, 2, {0: ["1", "2"], 3: ["5", "6"]}, {1: "holds NUL", 2: "holds NUL"}),
        ("1,5;2\n3,5;4\n", ";", 2, 2, {0: ["1,5", "2"], 1: ["3,5", "4"]}, {}),
        ("a\nb\n", ",", 1, 1, {0: ["a"], 1: ["b"]}, {}),
        ("a,\nb\n", ",", 1, 1, {0: ["a"], 1: ["b"]}, {}),
        ('"a"\nb"\n', ",", 1, 1, {0: ["a"], 1: ['b"']}, {}),
        ("x\ny\n", ",", 3, 3, {}, {0: "cut off", 1: "cut off"}),
    ],
)
def test_blocks(
    text: str, delimiter: str, names: int, least: int, rows: dict[int, list[str]], rejects: dict[int, str]
) -> None:
    standing, found, reasons = block(text, delimiter, names, least)
    assert {line: row[: len(rows[line])] for line, row in found.items() if line in rows} == rows
    assert found.keys() == rows.keys()
    assert reasons.keys() == rejects.keys()
    for line, reason in rejects.items():
        assert reasons[line].startswith(reason)
    for line, kind in enumerate(standing):
        assert kind == (ROW if line in rows else REJECT if line in rejects else BLANK)


@pytest.mark.parametrize(
    "text", ["\n", ",,\n", " , ,\n", '"","",""\n', "   \n", ";;;;;;\n", ",,,,,,,,,,,,\n", '" "\n', " \t \t          \n"]
)
@pytest.mark.parametrize("around", ["1,2,3\n", '"1","2","3"\n', "1,2,3,,\n"])
def test_blank_lines_among_rows(text: str, around: str) -> None:
    standing, rows, rejects = block(around * 2 + text + around, ",", 3)
    assert standing == [ROW, ROW, BLANK, ROW]
    assert not rejects
    assert rows[3] == ["1", "2", "3"]


@pytest.mark.parametrize("over", [0, 1])
@pytest.mark.parametrize("shape", ["1,{},3\n", '1,"{}",3\n', "1,{},3,,,\n"])
def test_a_cell_over_64_kb_costs_its_own_line(shape: str, over: int) -> None:
    standing, rows, rejects = block("1,2,3\n" * 5 + shape.format("x" * (LONGEST_CELL + over)) + "4,5,6\n", ",", 3)
    assert standing == [ROW] * 5 + [REJECT if over else ROW] + [ROW]
    assert rows[6] == ["4", "5", "6"]
    assert rejects == ({5: "a cell is longer than 64 kB"} if over else {})


def test_the_length_of_a_cell_is_counted_in_bytes() -> None:
    _, rows, rejects = block(
        "1,2\n1," + "é" * (LONGEST_CELL // 2) + "\n1," + "é" * (LONGEST_CELL // 2 + 1) + "\n", ",", 2
    )
    assert rows.keys() == {0, 1}
    assert rejects.keys() == {2}


def test_a_line_of_many_long_cells_is_read() -> None:
    # longer than what pyarrow takes at once
    long = ",".join(["x" * 60000] * 200)
    _, rows, rejects = block(f"{','.join('a' * 200)}\n{long}\n", ",", 200)
    assert not rejects
    assert rows[1] == ["x" * 60000] * 200


def test_thousands_of_empty_cells_at_the_end() -> None:
    text = "".join(f"{i},2,3" + "," * 3000 + "\n" for i in range(200))
    standing, rows, rejects = block(text, ",", 3)
    assert not rejects
    assert rows == {i: [str(i), "2", "3"] for i in range(200)}
    assert standing == [ROW] * 200


def test_sixty_thousand_blanks_in_a_line_take_no_time_to_speak_of() -> None:
    # a pattern that backs up over a run of blanks would take minutes here
    _, rows, _ = block("1 2\n1" + " " * 65000 + "2" + " " * 65000 + "\n", " ", 2)
    assert rows == {0: ["1", "2"], 1: ["1", "2"]}


def test_columns_that_are_needed_are_there_whatever_the_rows_have() -> None:
    _, rows, rejects = block("1,2\n3,4\n5,6,,7\n", ",", 4, least=2, needed=4)
    assert not rejects
    assert rows == {0: ["1", "2", "", ""], 1: ["3", "4", "", ""], 2: ["5", "6", "", "7"]}


CELLS = st.text(alphabet='a1"., ;', max_size=4)
LINES = st.lists(st.lists(CELLS, min_size=1, max_size=5).map(",".join), min_size=1, max_size=8)


@given(LINES, LINES)
def test_what_becomes_of_a_line_depends_on_no_other(first: list[str], second: list[str]) -> None:
    def fates(lines: list[str]) -> list[object]:
        standing, rows, rejects = block("".join(f"{line}\n" for line in lines), ",", 4, 3, needed=4)
        return [
            (kind, (rows.get(i) or [])[:4] + [""] * (4 - len(rows.get(i) or [])), rejects.get(i))
            for i, kind in enumerate(standing)
        ]

    assert fates(first + second) == fates(first) + fates(second)


@given(LINES)
def test_blocks_read_as_single_lines_do(lines: list[str]) -> None:
    standing, rows, rejects = block("".join(f"{line}\n" for line in lines), ",", 4, 3, needed=4)
    for number, line in enumerate(lines):
        cells = c.split(line, ",")
        if c.is_blank(line.encode()):
            assert standing[number] == BLANK
        elif cells is None:
            assert rejects[number] == "a quotation mark is still open at the end of the line"
        else:
            while len(cells) > 4 and not cells[-1]:
                cells.pop()
            if len(cells) in (3, 4):
                assert [*rows[number], ""][:4] == [*cells, ""][:4]
            else:
                assert standing[number] == REJECT


@given(st.lists(st.lists(st.text("0123456789", max_size=9), min_size=3, max_size=3), min_size=1), st.integers(0, 9))
def test_wide_columns(rows: list[list[str]], longest: int) -> None:
    lines = from_bytes("".join(",".join(row) + "\n" for row in rows).encode())
    found, _ = c.regular_block(lines.data, lines.ends, ",", 3, 3, np.zeros(lines.count, np.uint8))
    kept = [rows[i] for i in found.line]
    assert found.wide(longest).tolist() == [any(len(row[p]) > longest for row in kept) for p in range(3)]
