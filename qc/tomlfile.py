"""Small TOML files that people write: read with care, every trouble told in one line with its line number."""

from __future__ import annotations

import re
import stat
import tomllib
from pathlib import Path
from typing import Any

from qc.errors import StationFileError, printable

LARGEST = 4_000_000  # bytes; a station file is a few kB (judgement)
DEEPEST = 12  # tables in tables; a station file has four (judgement)


def read(path: Path, *, error: type[StationFileError], what: str, mend: str) -> bytes:
    """Bytes of a plain file that is not too large. Raises `error`; `what` names the kind of file, `mend` a cure."""
    where = printable(path, 200)
    try:
        found = path.stat()
        if not stat.S_ISREG(found.st_mode):
            kind = "is a folder" if stat.S_ISDIR(found.st_mode) else "is no plain file"
            raise error(kind, where=where, mend=mend)
        if found.st_size > LARGEST:
            raise error(
                f"is too large for a {what} ({found.st_size // 1_000_000} MB)",
                where=where,
                mend=f"is it a table? {mend[:1].upper()}{mend[1:]}",
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise error("does not exist", where=where, mend=f"mend the path, or {mend}") from None
    except PermissionError as trouble:
        raise error(f"cannot be read ({trouble.strerror})", where=where, mend="mend its permissions") from None
    except OSError as trouble:
        raise error(f"cannot be read ({trouble.strerror})", where=where, mend="mend the path") from None
    except ValueError:
        raise error("is no path of a file", where=where, mend="mend the path") from None


def parse(raw: bytes, *, where: str, error: type[StationFileError], what: str) -> dict[str, Any]:
    """The tables of a TOML file. Raises `error`, with the line where the text stops being TOML."""
    raw = raw.removeprefix(b"\xef\xbb\xbf")
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as trouble:
        line = raw[: trouble.start].count(b"\n") + 1
        mend = f"is it a {what}? Then save it as UTF-8" if b"\x00" in raw[:4096] else "save it as UTF-8"
        raise error("is not UTF-8", where=f"{where}: line {line}", mend=mend) from None
    try:
        data = tomllib.loads(text)
    except RecursionError:
        raise error("is nested too deeply", where=where, mend=f"is it a {what}?") from None
    except ValueError as trouble:  # the parser's own, and Python's for a number of thousands of digits
        told, line_of = _line(str(trouble), text)
        mend = "mend that line" if _toml(text) else f"is it a table? Give the {what} in its place"
        raise error(f"is no TOML: {told}", where=f"{where}: line {line_of}", mend=mend) from None
    if _depth(data) > DEEPEST:
        raise error("is nested too deeply", where=where, mend=f"is it a {what}?")
    return data


def _line(told: str, text: str) -> tuple[str, int]:
    """The parser's words without the place, in lower case, and the line."""
    found = re.search(r" \(at (?:line (\d+), column \d+|end of document)\)$", told)
    if not found:
        digits = re.search(r"[0-9_]{4000,}", text)
        return "a number is too long", 1 + text.count("\n", 0, digits.start() if digits else 0)
    words = told[: found.start()]
    words = _PLAINER.get(words, words[:1].lower() + words[1:])
    return words, int(found[1]) if found[1] else len(text.splitlines())


_PLAINER = {
    "Cannot overwrite a value": "the key stands there a second time",
    "Illegal character '\\n'": "a quotation mark lacks its partner",
    "Unterminated string": "a quotation mark lacks its partner",
}


def _toml(text: str) -> bool:
    """Whether the first line that says anything looks like TOML."""
    first = next(
        (line.strip() for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "["
    )
    return first.startswith("[") or "=" in first


def _depth(data: object) -> int:
    """How deep tables and lists are nested, without recursion."""
    depth, level = 0, [data]
    while level and depth <= DEEPEST:
        depth += 1
        level = [inner for outer in level for inner in _inner(outer)]
    return depth


def _inner(outer: object) -> list[object]:
    inner = outer.values() if isinstance(outer, dict) else outer if isinstance(outer, list) else ()
    return [x for x in inner if isinstance(x, dict | list)]
