"""A file as physical lines: bytes in any of the encodings that loggers and spreadsheets write, UTF-8 out.

A physical line ends at LF, CR LF or CR. Nothing is dropped here: line numbers are those that an editor shows.
"""

from __future__ import annotations

import hashlib
import stat
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from qc.errors import RefusedFile, printable

LONGEST_CELL = 65536  # bytes, contract 4: a longer cell makes its line a reject
_LARGE = 1 << 20  # bytes (judgement): a thread costs more than the sum of a small file
_SAMPLE = 65536  # bytes looked at to tell UTF-16 without a mark from binary
_LATER_MARK = b"\n\xef\xbb\xbf"  # files put together keep their byte order marks


@dataclass(frozen=True)
class Lines:
    """One file, decoded: `data` is UTF-8 with LF after every line, `ends` the position of each of these LF."""

    path: Path
    encoding: str
    data: bytes
    ends: NDArray[np.int64]
    sha256: str

    @property
    def count(self) -> int:
        """Number of physical lines."""
        return len(self.ends)

    def emptied(self) -> Lines:
        """The same without its bytes, so that memory does not grow with the number of files."""
        return replace(self, data=b"", ends=self.ends[:0])

    def start(self, line: int) -> int:
        """Position of the first byte of a line, counted from 0."""
        return int(self.ends[line - 1]) + 1 if line else 0

    def raw(self, line: int) -> bytes:
        """Bytes of a line, counted from 0, without its end."""
        return self.data[self.start(line) : int(self.ends[line])]

    def text(self, line: int) -> str:
        """Text of a line, counted from 0."""
        return self.raw(line).decode("utf-8", "replace")


def load(path: Path) -> Lines:
    """Read a table file.

    Raises
    ------
    RefusedFile
        if it is no plain file, cannot be read, is empty, or is no text.
    """
    where = printable(path, 300)
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise RefusedFile("is a folder", where=where, mend="give the files in it")
        if not stat.S_ISREG(mode):
            raise RefusedFile("is no plain file", where=where, mend="give a file on a disk")
        raw = path.read_bytes()
    except FileNotFoundError:
        raise RefusedFile("does not exist", where=where, mend="mend the path") from None
    except (OSError, ValueError) as error:
        told = getattr(error, "strerror", None) or str(error)
        raise RefusedFile(f"cannot be read ({told})", where=where, mend="mend its permissions or the disk") from None
    return _lines(path, raw, where)


def from_bytes(raw: bytes, name: str = "table") -> Lines:
    """The same from bytes at hand."""
    return _lines(Path(name), raw, name)


def _lines(path: Path, raw: bytes, where: str) -> Lines:
    if len(raw) < _LARGE:
        return Lines(path, *_text(raw, where), hashlib.sha256(raw).hexdigest())
    with ThreadPoolExecutor(1) as pool:  # the sum of a large file is taken outside Python's lock
        digest = pool.submit(lambda: hashlib.sha256(raw).hexdigest())
        return Lines(path, *_text(raw, where), digest.result())


def _text(raw: bytes, where: str) -> tuple[str, bytes, NDArray[np.int64]]:
    data, encoding = _decoded(raw, where) if raw else (raw, "")
    if not data:
        raise RefusedFile("is empty", where=where, mend="take it out of the list, or download it again")
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if not data.endswith(b"\n"):
        data += b"\n"
    if not data.isascii() and _LATER_MARK in data:
        data = data.replace(_LATER_MARK, b"\n")
    ends = np.flatnonzero(np.frombuffer(data, np.uint8) == 10).astype(np.int64)
    return encoding, data, ends


def _decoded(raw: bytes, where: str) -> tuple[bytes, str]:
    """UTF-8 bytes and the name of the encoding found."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", "replace").encode("utf-8", "replace"), "utf-16"
    if raw.startswith(b"\xef\xbb\xbf"):
        return _utf8_or_latin1(raw[3:], "utf-8 with byte order mark")
    if b"\x00" in raw[:_SAMPLE] and (wide := _utf16_without_mark(raw)):
        return raw.decode(wide, "replace").encode("utf-8", "replace"), wide
    _refuse_binary(raw[:_SAMPLE], where)
    return _utf8_or_latin1(raw, "utf-8")


def _utf8_or_latin1(raw: bytes, encoding: str) -> tuple[bytes, str]:
    if raw.isascii():
        return raw, encoding
    try:
        raw.decode("utf-8")
    except UnicodeDecodeError:
        return _by_line(raw)
    return raw, encoding


def _by_line(raw: bytes) -> tuple[bytes, str]:
    """Each line that is no UTF-8 is Latin-1: so one broken byte costs its own line, and no other depends on it."""
    raw = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    codes = np.frombuffer(raw, np.uint8)
    ends = np.append(np.flatnonzero(codes == 10), len(raw))
    pieces: list[bytes] = []
    at, any_utf8 = 0, False
    for line in np.unique(np.searchsorted(ends, np.flatnonzero(codes >= 128))).tolist():
        start, stop = int(ends[line - 1]) + 1 if line else 0, int(ends[line])
        text = raw[start:stop]
        try:
            text.decode("utf-8")
            any_utf8 = True
        except UnicodeDecodeError:
            pieces += [raw[at:start], text.decode("latin-1").encode("utf-8")]
            at = stop
    return b"".join((*pieces, raw[at:])), "utf-8 and latin-1" if any_utf8 else "latin-1"


def _utf16_without_mark(raw: bytes) -> str | None:
    """UTF-16 shows a zero in nearly every other byte of mostly western text; a run of NUL from a power cut does not."""
    if len(raw) < 2:
        return None
    sample = np.frombuffer(raw[: min(_SAMPLE, len(raw) // 2 * 2)], np.uint8)
    even, odd = float(np.mean(sample[0::2] == 0)), float(np.mean(sample[1::2] == 0))
    if odd > 0.7 and even < 0.05:
        return "utf-16-le"
    if even > 0.7 and odd < 0.05:
        return "utf-16-be"
    return None


def _refuse_binary(sample: bytes, where: str) -> None:
    """Text holds few control bytes; NUL bytes come in runs where a logger lost power, so they are not counted."""
    codes = np.frombuffer(sample, np.uint8)
    codes = codes[codes != 0]
    control = (codes < 32) & ~np.isin(codes, (9, 10, 12, 13, 26, 27))
    if len(codes) == 0 or float(np.mean(control)) > 0.02:
        raise RefusedFile("is no text", where=where, mend="download the table as delimited text (CSV)")
