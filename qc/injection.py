"""Errors planted in a logger's raw table, as text: what a bench or a rehearsal measures finds on.

A table is taken apart through its station file: layout, delimiter, decimal sign, markers. Only the cells asked for are
written anew, with the digits that the column has elsewhere; every other byte of the file stays.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from qc import units
from qc.errors import InputError
from qc.read import file as file_
from qc.read import numbers
from qc.read.cells import BLANKS
from qc.read.layout import Section
from qc.read.lines import from_bytes
from qc.record import Times
from qc.station import Channel, Station

Kind = Literal["value", "run", "step", "drift", "stuck", "clipped", "swap", "marker"]
ALL = "*"
"""Every channel of the table, for `swap`."""

# what no sensor reports beyond, in output units (common practice, no source)
_NATURAL: Mapping[str, tuple[float, float]] = {
    "relative_humidity": (0.0, 100.0), "wind_speed": (0.0, np.inf), "wind_gust": (0.0, np.inf),
    "precipitation": (0.0, np.inf), "sunshine": (0.0, np.inf), "battery_voltage": (0.0, np.inf),
}  # fmt: skip
_AVERAGED = ("mean", "vector-mean", None)


@dataclass(frozen=True)
class Plant:
    """One error to plant.

    Parameters
    ----------
    kind : str
        `value` and `run` add `size` to `rows` values; `step` adds it from a row on; `drift` lets it grow in line up to
        `size`; `stuck` repeats the cell before; `clipped` loses digits; `swap` exchanges the cells of two rows,
        `rows` apart, the stamps stay; `marker` writes `text`.
    channel : str
        its name; `ALL` for `swap` of whole rows.
    row : int
        row of the channel's table in the file, from 0, in file order.
    rows : int
        how many rows; for `swap` how far apart.
    size : float
        in the station file's unit, at the sensor.
    lasts_s : float, optional
        seconds that the sensor was off in each interval: a mean shows that share of `size`. Left out: all of it.
    digits : int
        for `clipped`: characters lost at the end of the cell, below 0 at its begin.
    text : str
        for `marker`: what the cell holds then.
    """

    kind: Kind
    channel: str
    row: int
    rows: int = 1
    size: float = 0.0
    lasts_s: float | None = None
    digits: int = 0
    text: str = ""


@dataclass(frozen=True)
class Planted:
    """What was planted in one channel: for each cell its line (from 1), row, stamp on the logger clock, and text.

    `size` is what the table shows now less what it showed, in the station file's unit; NaN where either is no number.
    """

    plant: Plant
    channel: str
    line: tuple[int, ...]
    row: tuple[int, ...]
    stamp: Times
    was: tuple[str, ...]
    now: tuple[str, ...]
    size: NDArray[np.float64]


@dataclass(frozen=True)
class Style:
    """How a column prints its numbers: by count of digits before the decimal sign the least and the most behind it.

    `significant`: digits in all, where that is what the column keeps; `bare`: `,2` for `0,2`.
    """

    decimal: str
    decimals: Mapping[int, tuple[int, int]]
    significant: int | None
    bare: bool

    @classmethod
    def of(cls, cells: Sequence[str], decimal: str) -> Style:
        """From cells that hold numbers; ValueError where there is none."""
        seen: dict[int, list[int]] = {}
        bare = False
        for cell in cells:
            whole, _, behind = cell.strip().lstrip("+-").partition(decimal)
            if "e" in cell.casefold():
                continue
            bare |= not whole
            seen.setdefault(len(whole.lstrip("0")), []).append(len(behind))
        if not seen:
            raise ValueError("no number to learn the digits from")
        decimals = {whole: (min(found), max(found)) for whole, found in seen.items()}
        sums = {whole + most for whole, (_, most) in decimals.items() if whole}
        several = sum(whole > 0 for whole in decimals) > 1 and len({most for _, most in decimals.values()}) > 1
        return cls(decimal, decimals, sums.pop() if several and len(sums) == 1 else None, bare)

    def text(self, value: Decimal) -> str:
        """A number as the column prints it."""
        rounded = value
        for _ in range(2):  # 999.96 has one digit more once it is rounded
            least, most = self._digits(len(str(int(abs(rounded)))) if abs(rounded) >= 1 else 0)
            rounded = value.quantize(Decimal(1).scaleb(-most), rounding=ROUND_HALF_EVEN)
        whole, _, behind = f"{abs(rounded):f}".partition(".")
        behind = behind[:least] + behind[least:].rstrip("0")
        whole = "" if self.bare and whole == "0" and rounded else whole
        sign = "-" if rounded < 0 else ""
        return f"{sign}{whole}{self.decimal if behind else ''}{behind}"

    def _digits(self, whole: int) -> tuple[int, int]:
        if whole in self.decimals:
            return self.decimals[whole]
        least = min(least for least, _ in self.decimals.values())
        if self.significant is not None:
            most = max(0, self.significant - whole)
            return min(least, most), most
        return least, max(most for _, most in self.decimals.values())


@dataclass(frozen=True)
class _Rows:
    """Rows of one table in file order."""

    line: NDArray[np.int64]
    stamp: Times
    values: Mapping[str, NDArray[np.float64]]
    cells: Mapping[str, Sequence[Any]]


class TableText:
    """A raw table file, taken apart.

    Parameters
    ----------
    raw : bytes
        the file, in UTF-8 or Latin-1.
    station : Station

    Raises
    ------
    RefusedFile
        if no layout of the station file fits.
    InputError
        if it is UTF-16.
    """

    def __init__(self, raw: bytes, station: Station) -> None:
        lines = from_bytes(raw)
        if lines.encoding.startswith("utf-16"):
            raise InputError("is UTF-16, where no error can be planted", where="table", mend="save it as UTF-8")
        self.raw, self.station = raw, station
        ends = [found.span() for found in re.finditer(rb"\r\n|\r|\n", raw)]
        starts = [0, *(stop for _, stop in ends)]
        self._spans = [(a, b) for a, (b, _) in zip(starts, [*ends, (len(raw), len(raw))], strict=True)]
        read = file_.read(lines, station, frozenset(c.name for c in station.channel))
        self._sections = [(a, b, s) for s in read.sections for a, b in s.stretches]
        self._rows = {t.id: _together([r for r in read.rows if r.table.id == t.id]) for t in station.table}
        self._styles: dict[str, Style] = {}

    def channel(self, name: str) -> Channel:
        """A channel by its name; KeyError where there is none."""
        found = next((c for c in self.station.channel if c.name == name), None)
        if found is None:
            raise KeyError(name)
        return found

    def values(self, channel: str) -> NDArray[np.float64]:
        """Values of a channel, one for each row of its table, in file order and the station file's unit; NaN: none."""
        rows = self._of(channel)
        return rows.values.get(channel, np.full(len(rows.line), np.nan))

    def stamps(self, channel: str) -> Times:
        """Stamps of these rows on the logger clock."""
        return self._of(channel).stamp

    def style(self, channel: str) -> Style:
        """How the column of a channel prints its numbers."""
        if channel not in self._styles:
            rows = self._of(channel)
            here = np.isfinite(self.values(channel))
            table = self.station.table_of(self.channel(channel))
            told = set(np.asarray(rows.cells.get(channel, []), object)[here].tolist()) if here.any() else set()
            self._styles[channel] = Style.of(sorted(told), table.layout[0].decimal)
        return self._styles[channel]

    def cell(self, channel: str, row: int) -> str:
        """The cell of a channel in one row, trimmed; empty where it has none."""
        found = self._of(channel).cells.get(channel)
        return "" if found is None or found[row] is None else str(found[row]).strip()

    def place(self, channel: str, row: int) -> tuple[int, int]:
        """First byte of the content of that cell in the file, and the one after its last.

        KeyError where the row's layout has no such column.
        """
        line = int(self._of(channel).line[row])
        section = next(s for a, b, s in self._sections if a <= line < b)
        column = section.channel(self.channel(channel))
        start, stop = self._spans[line]
        spans = list(_spans(self.raw[start:stop], section))
        if column is None or column >= len(spans):
            raise KeyError(channel)
        return start + spans[column][0], start + spans[column][1]

    def line(self, channel: str, row: int) -> int:
        """Physical line of a row, from 1."""
        return int(self._of(channel).line[row]) + 1

    def _of(self, channel: str) -> _Rows:
        return self._rows[self.station.table_of(self.channel(channel)).id]


def _together(parts: Sequence[file_.Rows]) -> _Rows:
    line = np.concatenate([p.line for p in parts]) if parts else np.zeros(0, np.int64)
    stamp = np.concatenate([p.local for p in parts]) if parts else np.zeros(0, "datetime64[us]")
    order = np.argsort(line, kind="stable")
    values: dict[str, NDArray[np.float64]] = {}
    cells: dict[str, Sequence[Any]] = {}
    for name in dict.fromkeys(name for p in parts for name in p.columns):
        numbers_: list[NDArray[np.float64]] = []
        text: list[Any] = []
        marked: list[NDArray[np.bool_]] = []
        for p in parts:
            column = p.columns.get(name)
            numbers_.append(np.full(len(p.line), np.nan) if column is None else column.values)
            none = [None] * len(p.line)
            text += none if column is None or column.cells is None else column.cells.to_pylist()
            state = None if column is None else column.state
            marked.append(np.zeros(len(p.line), bool) if state is None else state != numbers.VALUE)
        values[name] = np.concatenate(numbers_)[order]
        values[name] = np.where(np.concatenate(marked)[order], np.nan, values[name])
        cells[name] = [text[i] for i in order.tolist()]
    return _Rows(line[order], stamp[order], values, cells)


def _spans(raw: bytes, section: Section) -> Iterator[tuple[int, int]]:
    """First and last byte of the content of each cell of a line, without blanks and quotation marks around."""
    delimiter = section.delimiter.encode()
    at, size = 0, len(raw)
    if section.delimiter == BLANKS:
        yield from (found.span() for found in re.finditer(rb"[^ \t]+", raw))
        return
    while True:
        begin = at
        while begin < size and raw[begin : begin + 1] in (b" ", b"\t") and delimiter != raw[begin : begin + 1]:
            begin += 1
        if raw[begin : begin + 1] == b'"' and (found := re.compile(rb'"((?:[^"]|"")*)"').match(raw, begin)):
            stop = raw.find(delimiter, found.end())
            yield found.span(1)
        else:
            stop = raw.find(delimiter, at)
            end = size if stop < 0 else stop
            content = raw[begin:end].rstrip()
            yield begin, begin + len(content)
        if stop < 0:
            return
        at = stop + 1


def inject(table: TableText, plants: Sequence[Plant]) -> tuple[bytes, tuple[Planted, ...]]:
    """The file with errors in it, and what they are.

    Cells without a number are left as they are, and do not stand in the truth.

    Raises
    ------
    ValueError
        if a plant lies outside the rows, or two of them want the same cell.
    """
    edits: dict[tuple[int, int], bytes] = {}
    truth: list[Planted] = []
    for plant in plants:
        for channel, cells in _wanted(table, plant).items():
            kept = [(row, now) for row, now in cells if np.isfinite(table.values(channel)[row])]
            rows = [row for row, _ in kept]
            for row, now in kept:
                place = table.place(channel, row)
                if place in edits:
                    raise ValueError(f"two errors want line {table.line(channel, row)}, channel {channel}")
                edits[place] = now.encode()
            was = tuple(table.cell(channel, row) for row in rows)
            decimal = table.style(channel).decimal if kept else "."
            size = [_difference(b, a, decimal) for a, (_, b) in zip(was, kept, strict=True)]
            truth.append(
                Planted(
                    plant, channel, tuple(table.line(channel, r) for r in rows), tuple(rows),
                    table.stamps(channel)[np.array(rows, np.int64)], was, tuple(now for _, now in kept), np.array(size),
                )
            )  # fmt: skip
    out, at = [], 0
    for (start, stop), text in sorted(edits.items()):
        out += [table.raw[at:start], text]
        at = stop
    return b"".join((*out, table.raw[at:])), tuple(truth)


def places(rows: int, count: int, seed: int, *, margin: int = 0) -> list[int]:
    """`count` rows spread over a table, one in the middle half of each of as many equal stretches: no two are near.

    The same seed gives the same rows. `margin`: rows at both ends that are left out.
    """
    edges = np.linspace(margin, rows - margin, count + 1)
    share = np.random.default_rng(seed).uniform(0.25, 0.75, count)
    return [int(row) for row in (edges[:-1] + share * np.diff(edges)).tolist()]


def _wanted(table: TableText, plant: Plant) -> dict[str, list[tuple[int, str]]]:
    """For each channel the rows and what their cells shall hold."""
    names = [plant.channel]
    if plant.channel == ALL:
        if plant.kind != "swap" or len(table.station.table) > 1:
            raise ValueError("only rows of a station with one table are swapped whole")
        names = [c.name for c in table.station.channel if len(table.values(c.name))]
        names = [name for name in names if np.isfinite(table.values(name)).any()]
    total = len(table.values(names[0]))
    last = plant.row + plant.rows - (plant.kind != "swap")
    if plant.row < (plant.kind == "stuck") or plant.rows < 1 or last >= total:
        raise ValueError(f"rows {plant.row} to {last} of {total} cannot be planted")
    rows = range(plant.row, plant.row + plant.rows)
    if plant.kind == "swap":
        a, b = plant.row, last
        both = {n: bool(np.isfinite(table.values(n)[[a, b]]).all()) for n in names}
        return {n: [(a, table.cell(n, b)), (b, table.cell(n, a))] for n in names if both[n]}
    name = plant.channel
    if plant.kind == "marker":
        return {name: [(row, plant.text) for row in rows]}
    if plant.kind == "stuck":
        before = np.flatnonzero(np.isfinite(table.values(name)[: plant.row]))
        if not len(before):
            raise ValueError(f"channel {name} has no value before row {plant.row}")
        return {name: [(row, table.cell(name, int(before[-1]))) for row in rows]}
    if plant.kind == "clipped":
        return {name: [(row, _clipped(table.cell(name, row), plant.digits)) for row in rows]}
    return {name: [(row, _shifted(table, plant, row)) for row in rows if np.isfinite(table.values(name)[row])]}


def _clipped(cell: str, digits: int) -> str:
    sign = cell[:1] if cell[:1] in "+-" else ""
    body = cell[len(sign) :]
    return sign + (body[: max(0, len(body) - digits)] if digits > 0 else body[-digits:])


def _shifted(table: TableText, plant: Plant, row: int) -> str:
    channel, style = table.channel(plant.channel), table.style(plant.channel)
    interval_s = table.station.table_of(channel).interval_s
    share = 1.0
    if plant.kind in ("value", "run") and plant.lasts_s is not None and interval_s and channel.statistic in _AVERAGED:
        share = min(1.0, plant.lasts_s / interval_s)
    if plant.kind == "drift":
        share = (row - plant.row + 1) / plant.rows
    was = Decimal(table.cell(plant.channel, row).replace(style.decimal, "."))
    value = was + Decimal(repr(float(plant.size))) * Decimal(repr(share))
    return style.text(_settled(value, channel, interval_s))


def _settled(value: Decimal, channel: Channel, interval_s: float | None) -> Decimal:
    """Within what the sensor can report, on its steps."""
    unit = units.conversion(channel.quantity, channel.unit, interval_s) if channel.quantity != "other" else None
    if unit is not None and channel.quantity == "wind_direction":
        value %= Decimal(repr(360.0 / unit.factor))
        value += Decimal(repr(360.0 / unit.factor)) if value < 0 else 0
    low, high = channel.range or (-np.inf, np.inf)
    if unit is not None and channel.quantity in _NATURAL:
        a, b = ((bound / unit.factor - unit.shift) for bound in _NATURAL[channel.quantity])
        low, high = max(low, a), min(high, b)
    value = max(value, Decimal(repr(float(low)))) if np.isfinite(low) else value
    value = min(value, Decimal(repr(float(high)))) if np.isfinite(high) else value
    if step := _step(channel, float(value)):
        value = (value / step).to_integral_value(ROUND_HALF_EVEN) * step
    return value


def _step(channel: Channel, value: float) -> Decimal | None:
    """Declared resolution at a value."""
    if channel.resolution is None or isinstance(channel.resolution, float):
        return None if channel.resolution is None else Decimal(repr(channel.resolution))
    finest = next((step for bound, step in channel.resolution if value <= bound), channel.resolution[-1][1])
    return Decimal(repr(finest))


def _difference(now: str, was: str, decimal: str) -> float:
    a, b = numbers.number(now, decimal), numbers.number(was, decimal)
    return float("nan") if a is None or b is None else float(Decimal(repr(a)) - Decimal(repr(b)))
