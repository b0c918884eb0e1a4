"""Bytes to physical lines."""

from __future__ import annotations

import codecs
import os
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.errors import RefusedFile
from qc.read.lines import from_bytes, load

TEXT = "Zeit;T (°C);Größe\r\n2021-01-01 00:10;5,2;x\n2021-01-01 00:20;5,3;µ\r"
LINES = ["Zeit;T (°C);Größe", "2021-01-01 00:10;5,2;x", "2021-01-01 00:20;5,3;µ"]


@pytest.mark.parametrize(
    ("raw", "encoding"),
    [
        (TEXT.encode("utf-8"), "utf-8"),
        (TEXT.encode("utf-8-sig"), "utf-8 with byte order mark"),
        (TEXT.encode("latin-1"), "latin-1"),
        (codecs.BOM_UTF16_LE + TEXT.encode("utf-16-le"), "utf-16"),
        (codecs.BOM_UTF16_BE + TEXT.encode("utf-16-be"), "utf-16"),
        (TEXT.encode("utf-16-le"), "utf-16-le"),
        (TEXT.encode("utf-16-be"), "utf-16-be"),
    ],
)
def test_every_encoding_gives_the_same_lines(raw: bytes, encoding: str) -> None:
    lines = from_bytes(raw)
    assert lines.encoding == encoding
    assert [lines.text(i) for i in range(lines.count)] == LINES


@pytest.mark.parametrize(
    ("raw", "texts"),
    [
        (b"a\nb\n", ["a", "b"]),
        (b"a\nb", ["a", "b"]),
        (b"a\r\nb\r\n", ["a", "b"]),
        (b"a\rb\r", ["a", "b"]),
        (b"a\rb\nc\r\nd", ["a", "b", "c", "d"]),
        (b"a\r\r\nb", ["a", "", "b"]),  # CR, then CR LF
        (b"a\n\rb", ["a", "", "b"]),  # LF, then CR
        (b"\n", [""]),
        (b"\n\n", ["", ""]),
        (b"a\n\n\nb", ["a", "", "", "b"]),
        (
            b"a\x0bb\x0cc\x1cd" + b"x" * 200 + b"\n",
            ["a\x0bb\x0cc\x1cd" + "x" * 200],
        ),  # ends to Python's splitlines, not to us
        ("a\u2028b\u0085c\n".encode(), ["a\u2028b\u0085c"]),
        (b"a\x00b\n\x00\x00\nc\n", ["a\x00b", "\x00\x00", "c"]),
        (b"a,b\n\xef\xbb\xbfa,b\n", ["a,b", "a,b"]),  # files put together, each with its mark
    ],
)
def test_a_line_ends_at_lf_cr_lf_or_cr(raw: bytes, texts: list[str]) -> None:
    lines = from_bytes(raw)
    assert [lines.text(i) for i in range(lines.count)] == texts


@given(st.lists(st.sampled_from([b"a", b"b,1", b"\n", b"\r", b"\r\n", b" ", b"\t"]), min_size=1))
def test_the_count_is_that_of_the_line_ends(pieces: list[bytes]) -> None:
    raw = b"".join(pieces)
    expected = [p.decode() for p in re.split(rb"\r\n|\n|\r", raw)]
    if expected[-1] == "":
        expected.pop()
    lines = from_bytes(raw)
    assert [lines.text(i) for i in range(lines.count)] == expected


def test_one_broken_byte_costs_its_own_line_and_no_other() -> None:
    lines = from_bytes("T (°C)\n".encode() + b"caf\xe9 \xff\n" + "µ\n".encode() + b"1\n")
    assert [lines.text(i) for i in range(4)] == ["T (°C)", "café ÿ", "µ", "1"]
    assert lines.encoding == "utf-8 and latin-1"


def test_a_line_reads_the_same_whatever_stands_around_it() -> None:
    broken, whole = b"\xe9\n", "°\n".encode()
    assert from_bytes(broken + whole).text(1) == from_bytes(whole).text(0) == from_bytes(whole + broken).text(0) == "°"


def test_utf16_cut_in_the_middle_of_a_character_keeps_the_lines_before() -> None:
    lines = from_bytes(codecs.BOM_UTF16_LE + "a,b\r\n1,2\r\n3".encode("utf-16-le") + b"4")
    assert [lines.text(i) for i in range(lines.count)] == ["a,b", "1,2", "3�"]


def test_a_run_of_nul_bytes_is_no_utf16() -> None:
    lines = from_bytes(b"a,b\n" + b"\x00" * 400 + b"\n1,2\n" * 40)
    assert lines.encoding == "utf-8"
    assert lines.text(0) == "a,b"
    assert lines.count == 81


def test_the_sum_is_that_of_the_file_as_it_lies(tmp_path: Path) -> None:
    import hashlib

    raw = TEXT.encode("utf-16")
    (tmp_path / "a").write_bytes(raw)
    assert load(tmp_path / "a").sha256 == hashlib.sha256(raw).hexdigest()


@pytest.mark.parametrize(
    ("raw", "what"),
    [
        (b"", "is empty"),
        (codecs.BOM_UTF8, "is empty"),
        (codecs.BOM_UTF16_LE, "is empty"),
        (bytes(range(256)) * 8, "is no text"),
        (b"\x00" * 5000, "is no text"),
        (b"\x00", "is no text"),
        (b"\x7fELF\x02\x01\x01\x03\x01\x02\x03\x04", "is no text"),
    ],
)
def test_what_is_no_table_is_refused(tmp_path: Path, raw: bytes, what: str) -> None:
    path = tmp_path / "table.csv"
    path.write_bytes(raw)
    with pytest.raises(RefusedFile, match=what) as told:
        load(path)
    assert str(path) in told.value.line()


def test_only_plain_files_are_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    cases = [(tmp_path, "is a folder"), (tmp_path / "none", "does not exist"), (tmp_path / "fifo", "is no plain file")]
    cases += [(Path("/dev/null"), "is no plain file"), (tmp_path / "loop", "cannot be read")]
    cases += [(Path("a\0b"), "cannot be read"), (tmp_path / ("x" * 300), "cannot be read")]
    for path, what in cases:
        with pytest.raises(RefusedFile, match=what):
            load(path)
