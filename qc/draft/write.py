"""A station file as text: every value from a table quoted, every comment made fit for one line."""

from __future__ import annotations

import re
from typing import Any

from qc.errors import printable

_WIDE = 360


def text(value: str) -> str:
    """A TOML basic string."""
    out = []
    for ch in value:
        code = ord(ch)
        if ch in '"\\':
            out.append("\\" + ch)
        elif (
            code < 32
            or 127 <= code < 160
            or code in (0x2028, 0x2029, 0xFEFF)
            or 0x200B <= code <= 0x200F
            or 0x202A <= code <= 0x202E
            or 0x2066 <= code <= 0x2069
        ):
            out.append(f"\\u{code:04X}")
        elif 0xD800 <= code <= 0xDFFF:
            out.append("\\uFFFD")
        else:
            out.append(ch)
    return '"' + "".join(out) + '"'


def number(value: float) -> str:
    """A number with the shortest digits that read back."""
    shown = repr(float(value))
    return shown if re.search(r"[.e]", shown) else shown + ".0"


def value(what: Any) -> str:
    """Any value of a station file in TOML."""
    if isinstance(what, bool):
        return "true" if what else "false"
    if isinstance(what, str):
        return text(what)
    if isinstance(what, int):
        return str(what)
    if isinstance(what, float):
        return number(what)
    if isinstance(what, dict):
        return "{ " + ", ".join(f"{key(k)} = {value(x)}" for k, x in what.items()) + " }"
    return "[" + ", ".join(value(x) for x in what) + "]"


def key(name: str) -> str:
    """A TOML key."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else text(name)


def comment(line: str) -> str:
    """A comment line."""
    return "# " + printable(re.sub(r"\s+", " ", line).strip(), _WIDE)


def doubt(line: str) -> str:
    """A comment on a guess."""
    return comment(f"not sure: {line}")
