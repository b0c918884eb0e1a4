"""A second reader, slow and plain: one line after the other, in Python alone. Tests hold the real one against it.

It shares no code with `qc.read`, and is told by each test what the real one finds out by itself (encoding, delimiter),
so that an error would have to be made twice.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta

When = Callable[[str], datetime | None]


def when(*formats: str, offset_h: float = 0.0) -> When:
    """A reader of stamps by `datetime.strptime`, with 24:00 as the first moment of the next day; gives UTC."""

    def read(text: str) -> datetime | None:
        late = re.search(r"\b24:?00(:00)?\b", text)
        plain = text.replace(late[0], late[0].replace("24", "00", 1), 1) if late else text
        for one in formats:
            try:
                found = datetime.strptime(plain, one)
            except ValueError:
                continue
            if found.tzinfo is not None:
                found = found.replace(tzinfo=None) - (found.utcoffset() or timedelta(0))
            return found + timedelta(days=1 if late else 0) - timedelta(hours=offset_h)
        return None

    return read


@dataclass(frozen=True)
class Form:
    """One layout as a person would tell it: `channels` maps a channel to its column, a name or a position from 1."""

    names: Sequence[str]
    time: Sequence[str | int]
    when: When
    channels: Mapping[str, str | int]
    decimal: str = "."
    markers: Sequence[str] = ("", "NAN")
    delimiter: str = ","
    select: tuple[str | int, str] | None = None
    table: str = "ten"


@dataclass
class Account:
    """What became of each line, and the rows kept: (table, time) to all distinct rows of values there."""

    lines: int = 0
    header: int = 0
    blank: int = 0
    kept: int = 0
    repeated: int = 0
    elsewhere: int = 0
    rejects: dict[int, tuple[str, str]] = field(default_factory=dict)
    rows: dict[tuple[str, datetime], list[dict[str, float | str | None]]] = field(default_factory=dict)


def physical_lines(text: str) -> list[str]:
    """Lines ended by LF, CR LF or CR; what stands after the last end is a line where it is not empty."""
    lines: list[str] = []
    line = ""
    at = 0
    while at < len(text):
        if text[at] in "\r\n":
            at += 2 if text[at : at + 2] == "\r\n" else 1
            lines.append(line)
            line = ""
        else:
            line += text[at]
            at += 1
    return [*lines, line] if line else lines


def cells_of(line: str, delimiter: str) -> list[str] | None:
    """Cells by a walk over the characters; None where a quotation mark is open at the end."""
    if delimiter == " ":
        line = " ".join(line.replace("\t", " ").split(" ")).strip()
        line = re.sub(" +", " ", line)
    cells, cell, state = [], "", "before"
    at = 0
    while at < len(line):
        letter = line[at]
        if state == "inside":
            if letter == '"' and line[at + 1 : at + 2] == '"':
                cell += '"'
                at += 1
            elif letter == '"':
                state = "within"
            else:
                cell += letter
        elif letter == delimiter:
            cells.append(cell.strip())
            cell, state = "", "before"
        elif letter == '"' and state == "before":
            state = "inside"
        else:
            cell += letter
            if letter != " ":
                state = "within"
        at += 1
    return None if state == "inside" else [*cells, cell.strip()]


def number_of(cell: str, decimal: str) -> float | None:
    """The number of a cell by hand: sign, digits, one decimal sign, exponent."""
    digits = "0123456789"
    body = cell[1:] if cell[:1] in ("+", "-") else cell
    mantissa, _, exponent = body.replace("E", "e").partition("e")
    whole, _, part = mantissa.partition(decimal)
    if not (whole + part) or any(letter not in digits for letter in whole + part):
        return None
    if "e" in body.replace("E", "e"):
        bare = exponent[1:] if exponent[:1] in ("+", "-") else exponent
        if not bare or any(letter not in digits for letter in bare):
            return None
    value = float(cell.replace(decimal, "."))
    return None if value in (float("inf"), float("-inf")) else value


def read(text: str, forms: Sequence[Form]) -> Account:
    """Account of one file, decoded."""
    out = Account()
    form: Form | None = None
    names: list[str] = []
    headers: set[str] = set()
    unfit = None
    after = 0
    if not forms[0].names:  # columns by position: the header ends where the first stamp can be read
        form = forms[0]
    lines = physical_lines(text)
    begun = bool(forms[0].names)
    width = max((len(cells_of(line, form.delimiter) or []) for line in lines), default=0) if form else 0
    above: list[tuple[int, str]] = []
    for number, line in enumerate(lines, 1):
        out.lines += 1
        bare = line
        for letter in ' \t\x0b\x0c,;|"':
            bare = bare.replace(letter, "")
        if not bare and line.count('"') % 2 == 0:
            out.blank += 1
            continue
        fits = (
            []
            if "\0" in line
            else [f for f in forms if f.names and set(f.names) <= set(cells_of(line, f.delimiter) or [])]
        )
        if fits:
            form = max(fits, key=lambda f: len(f.names))
            names = cells_of(line, form.delimiter) or []
            unfit, after = None, 0 if line in headers else 4
            headers.add(line)
            out.header += 1
            for earlier, what in above:
                parts = cells_of(what, form.delimiter) or []
                places = [names.index(c) if isinstance(c, str) else c - 1 for c in form.time]
                if max(places) < len(parts) and form.when(" ".join(parts[p] for p in places)) is not None:
                    out.header -= 1
                    out.rejects[earlier] = ("before the names row", what)
            above = []
            continue
        if form is None:  # above the first names row; which lines are rows is known only there
            above.append((number, line))
            headers.add(line)
            out.header += 1
            continue
        if line.strip() in {h.strip() for h in headers}:
            out.header += 1
            continue
        cells = cells_of(line, form.delimiter)
        if unfit is None and form.names and cells and set(map(str, form.time)) <= set(cells) and "\0" not in line:
            unfit = number
            out.rejects[number] = ("fits no layout", line)
            continue
        if unfit is not None:
            out.rejects[number] = (f"line {unfit}", line)
            continue

        def at(column: str | int, here: list[str] = names) -> int:
            return column - 1 if isinstance(column, int) else here.index(column)

        stamp = None
        if cells and all(at(c) < len(cells) for c in form.time):
            stamp = form.when(" ".join(cells[at(c)] for c in form.time))
        if not begun:
            if stamp is None:
                headers.add(line)
                out.header += 1
                continue
            begun = True
        if after and stamp is None and cells and "\0" not in line:
            held = [cells[at(c)] for c in form.channels.values() if _has(c, names) and at(c) < len(cells)]
            held = [cell for cell in held if cell and cell.lower() not in [m.lower() for m in form.markers]]
            if held and 2 * sum(number_of(cell, form.decimal) is not None for cell in held) <= len(held):
                headers.add(line)
                out.header += 1
                after -= 1
                continue
        after = 0
        reason = _why(line, cells, names, form, width)
        if reason is None and form.select and cells and cells[at(form.select[0])] != form.select[1]:
            out.blank += 1
            out.elsewhere += 1
            continue
        if reason is None and stamp is None:
            reason = "does not read as"
        if reason is not None:
            out.rejects[number] = (reason, line)
            continue
        assert cells is not None
        assert stamp is not None
        row: dict[str, float | str | None] = {}
        for channel, column in form.channels.items():
            if _has(column, names):
                cell = cells[at(column)] if at(column) < len(cells) else ""
                value = number_of(cell, form.decimal)
                marked = [number_of(m, form.decimal) for m in form.markers if number_of(m, form.decimal) is not None]
                if cell.lower() in [m.lower() for m in form.markers] or value in marked:
                    value = None
                row[channel] = None if value is None else value + 0.0
            else:
                row[channel] = None
        there = out.rows.setdefault((form.table, stamp), [])
        if row in there:
            out.repeated += 1
        else:
            there.append(row)
            out.kept += 1
    return out


def _has(column: str | int, names: list[str]) -> bool:
    return isinstance(column, int) or column in names


def _why(line: str, cells: list[str] | None, names: list[str], form: Form, width: int) -> str | None:
    """Why a line is no row, apart from its stamp."""
    if "\0" in line:
        return "NUL"
    if cells is None:
        return "quotation mark"
    if any(len(cell.encode()) > 65536 for cell in cells):
        return "64 kB"
    most = len(names) or width
    least = len(names)
    while least and not names[least - 1]:
        least -= 1
    if not names:
        least = max([c for c in (*form.time, *form.channels.values()) if isinstance(c, int)])
    filled = len(cells)
    while filled > most and not cells[filled - 1]:
        filled -= 1
    if filled < least:
        return "cut off"
    if filled > most:
        return f"{filled} cells"
    return None
