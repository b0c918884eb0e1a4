"""Errors planted in a logger's raw table, as text: what a bench or a rehearsal measures finds on.

A table is taken apart through its station file: layout, delimiter, decimal sign, markers. Only the cells asked for are
written anew, with the digits that the column has elsewhere; every other byte of the file stays.

`inject` plants single errors by row; `Files` plants whole faults of the book: new values of channels over many rows,
stamps of a clock that is wrong, exchanged columns.
"""

from __future__ import annotations

import itertools
import re
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from qc import units
from qc.errors import InputError, RefusedFile
from qc.read import file as file_
from qc.read import numbers
from qc.read.cells import BLANKS
from qc.read.layout import Section
from qc.read.lines import from_bytes
from qc.read.tables import Part, read_tables
from qc.record import SECOND, Record, TableRecord, Times
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
        bare, zeros = False, False
        for cell in cells:
            whole, _, behind = cell.strip().lstrip("+-").partition(decimal)
            if "e" in cell.casefold():
                continue
            bare |= not whole
            if not behind and not whole.strip("0"):  # a plain 0 does not tell how a small number is printed
                zeros = True
                continue
            seen.setdefault(len(whole.lstrip("0")), []).append(len(behind))
        if not seen and not zeros:
            raise ValueError("no number to learn the digits from")
        if zeros:
            most = max((max(found) for found in seen.values()), default=0)
            seen[0] = [0, *seen.get(0, [most])]
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
            here_ = (k.layout for _, _, s in self._sections for k in s.kinds if k.table.id == table.id)
            self._styles[channel] = Style.of(sorted(told), next(here_, table.layout[0]).decimal)
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


# ---- faults: many cells at once


class Planting(Protocol):
    """What a fault does to one table, as `qc.faults.Injection` tells it.

    `values`: by channel in output units, a value for each row of the record, NaN for none; `ahead_s`: seconds by which
    the stamp of each row is ahead; `station`: the station file that is believed, where that is what is wrong.
    """

    @property
    def values(self) -> Mapping[str, NDArray[np.float64]]: ...

    @property
    def ahead_s(self) -> NDArray[np.float64] | None: ...

    @property
    def station(self) -> Station | None: ...


class Files:
    """A station's table files, read and taken apart once, so that faults are planted in them again and again.

    Parameters
    ----------
    station : Station
    paths : list of path

    Raises
    ------
    InputError
        as `qc.read.tables.read_tables`, and where a file is UTF-16.

    `record` is what the files say as they are; `refused` the files that could not be read.
    """

    def __init__(self, station: Station, paths: Sequence[Path | str]) -> None:
        noted: dict[Path, list[Part]] = {}

        def note(path: Path, sections: Sequence[Section], parts: Sequence[Part]) -> None:
            noted[path] = list(parts)

        self.station = station
        self.record: Record
        self.refused: list[RefusedFile]
        self.record, self.refused = read_tables(station, paths, note=note)
        self._texts = [TableText(path.read_bytes(), station) for path in noted]
        self._rows = [
            {p.rows.table.id: self._places(t, p) for p in parts}
            for t, parts in zip(self._texts, noted.values(), strict=True)
        ]

    def _places(self, text: TableText, part: Part) -> NDArray[np.int64]:
        """For each row of a table in one file its row in the record; -1 where it has none."""
        lines, time = text._rows[part.rows.table.id].line, self.record.tables[part.rows.table.id].time
        order = np.argsort(part.rows.line)
        at = np.minimum(np.searchsorted(part.rows.line[order], lines), len(order) - 1)
        known = part.rows.line[order][at] == lines
        utc = part.time[order][at]
        row = np.minimum(np.searchsorted(time, utc), len(time) - 1)
        return np.where(known & (time[row] == utc), row, -1)

    def planted(self, table: str, fault: Planting, *, bounded: bool = False) -> list[bytes]:
        """The files with a fault in them, in the order of their paths.

        Parameters
        ----------
        table : str
            id of the table that the fault is in.
        fault : Planting
        bounded : bool
            whether values that a sound sensor cannot report end at its bounds; not where the logger makes the fault.

        Cells whose value stays are not touched. Numbers get the digits and steps of their column, NaN the table's
        marker; two columns that exchange their values exchange their text.
        """
        return [self._one(number, table, fault, bounded) for number in range(len(self._texts))]

    def cut(self, first: np.datetime64, last: np.datetime64) -> list[bytes | None]:
        """The files less the rows outside two UTC stamps (both stay); None for one that has no row left."""
        out: list[bytes | None] = []
        for text, places in zip(self._texts, self._rows, strict=True):
            drop, kept = set(), 0
            for table, row in places.items():
                time = self.record.tables[table].time[np.maximum(row, 0)]
                stays = (row >= 0) & (time >= first) & (time <= last)
                kept += int(stays.sum())
                drop |= set(text._rows[table].line[~stays].tolist())
            ends = [start for start, _ in text._spans[1:]] + [len(text.raw)]
            lines = [
                text.raw[a:end] for n, ((a, _), end) in enumerate(zip(text._spans, ends, strict=True)) if n not in drop
            ]
            out.append(b"".join(lines) if kept else None)
        return out

    def spoilt(self, table: str, fault: Planting, *, bounded: bool = False) -> Record:
        """The same, read again with the station file that is believed."""
        with tempfile.TemporaryDirectory() as folder:
            paths = []
            for number, raw in enumerate(self.planted(table, fault, bounded=bounded)):
                paths.append(Path(folder) / f"{number:04}.csv")
                paths[-1].write_bytes(raw)
            record, refused = read_tables(fault.station or self.station, paths)
        if refused:
            raise refused[0]
        return record

    def _one(self, number: int, table: str, fault: Planting, bounded: bool) -> bytes:
        text, places = self._texts[number], self._rows[number].get(table)
        if places is None:
            return text.raw
        rows = text._rows[table]
        edits: dict[int, dict[int, bytes]] = {}
        section_of, sections = _sections(text, rows.line)
        for name, (at, cells) in self._cells(text, table, fault, places, bounded).items():
            columns = [s.channel(text.channel(name)) for s in sections]
            markers = [_marker(s, table, text.channel(name)) for s in sections]
            for row, cell in zip(at.tolist(), cells, strict=True):
                kind = int(section_of[row])
                column = columns[kind]
                if column is not None:
                    told = markers[kind] if cell is None else cell
                    edits.setdefault(int(rows.line[row]), {})[column] = told.encode()
        if fault.ahead_s is not None:
            ahead = np.where(places >= 0, fault.ahead_s[np.maximum(places, 0)], 0.0)
            moved = np.flatnonzero(ahead != 0.0)
            for kind, section in enumerate(sections):
                some = moved[section_of[moved] == kind]
                if len(some):
                    stamps = rows.stamp[some] + np.round(ahead[some] * SECOND).astype("timedelta64[us]")
                    for row, cells_ in zip(
                        some.tolist(), _stamped(text, table, section, rows, some, stamps), strict=True
                    ):
                        edits.setdefault(int(rows.line[row]), {}).update(cells_)
        section_at = dict(zip(rows.line.tolist(), section_of.tolist(), strict=True))
        out, at_byte = [], 0
        for line, cells_ in sorted(edits.items()):
            start, stop = text._spans[line]
            out += [text.raw[at_byte:start], _edited(text.raw[start:stop], sections[section_at[line]], cells_)]
            at_byte = stop
        return b"".join((*out, text.raw[at_byte:]))

    def _cells(
        self, text: TableText, table: str, fault: Planting, places: NDArray[np.int64], bounded: bool
    ) -> dict[str, tuple[NDArray[np.int64], Sequence[str | None]]]:
        """For each channel the rows of the file that change, and what their cells say then."""
        record = self.record.tables[table]
        out: dict[str, tuple[NDArray[np.int64], Sequence[str | None]]] = {}
        here, known = np.maximum(places, 0), places >= 0
        changed = {}
        for name, values in fault.values.items():
            old = record.channels[name].values
            changed[name] = ~((values == old) | (np.isnan(values) & np.isnan(old)))
        for name, values in fault.values.items():
            channel = text.channel(name)
            mate = _mate(name, fault.values, changed, record)
            if channel.statistic == "counter" and mate is None:
                at = np.flatnonzero(known & np.isfinite(text.values(name)))
                more = np.cumsum(np.nan_to_num(values) - np.nan_to_num(record.channels[name].values))
                at = at[more[here[at]] != 0.0]
                own = self._own(channel, more, record.time, shift=False)[here[at]] + text.values(name)[at]
                out[name] = (at, _texts(text, channel, own, record.time[here[at]]))
                continue
            at = np.flatnonzero(known & changed[name][here])
            if mate is not None and len(text._rows[table].cells.get(mate, ())):
                out[name] = (at, [text.cell(mate, int(row)) for row in at])
                continue
            own = self._own(channel, values, record.time)[here[at]]
            if bounded:
                own = _bounded(channel, own, text.values(name)[at], text.station.table_of(channel).interval_s)
            printed = next((c for c in fault.station.channel if c.name == name), channel) if fault.station else channel
            out[name] = (at, _texts(text, printed, own, record.time[here[at]]))
        return out

    def _own(
        self, channel: Channel, values: NDArray[np.float64], time: Times, *, shift: bool = True
    ) -> NDArray[np.float64]:
        """Values in the unit, and from the north, of the station file: what reading does, backwards."""
        interval_s = self.station.table_of(channel).interval_s
        if channel.quantity == "other":
            return values
        if channel.north == "magnetic" and channel.declination is not None:
            values = np.mod(values - channel.declination, 360.0)
        out = values.copy()
        for rows, unit in _by_deployment(channel, time, "unit", channel.unit):
            c = units.conversion(channel.quantity, unit, interval_s)
            out[rows] = values[rows] / c.factor - (c.shift if shift else 0.0)
        return np.round(out, 9)


def _mate(
    name: str,
    values: Mapping[str, NDArray[np.float64]],
    changed: Mapping[str, NDArray[np.bool_]],
    record: TableRecord,
) -> str | None:
    """The channel that a channel exchanges its values with, wherever either changes; None where there is none."""
    if not changed[name].any():
        return None
    for other in values:
        rows = changed[name] | changed[other]
        if other != name and all(
            np.array_equal(values[a][rows], record.channels[b].values[rows], equal_nan=True)
            for a, b in ((name, other), (other, name))
        ):
            return other
    return None


def _by_deployment(channel: Channel, time: Times, key: str, first: Any) -> Iterator[tuple[NDArray[np.bool_], Any]]:
    """Rows of each period of a channel, and what the station file says of it there."""
    from datetime import UTC

    told = [(d.from_.astimezone(UTC).replace(tzinfo=None), getattr(d, key)) for d in channel.deployment]
    edges = [(np.datetime64(start, "us"), value) for start, value in told if value is not None]
    period = np.searchsorted(np.array([start for start, _ in edges], "datetime64[us]"), time, side="right")
    for number, value in enumerate([first, *(value for _, value in edges)]):
        rows = period == number
        if rows.any():
            yield rows, value


def _bounded(
    channel: Channel, own: NDArray[np.float64], was: NDArray[np.float64], interval_s: float | None
) -> NDArray[np.float64]:
    """Values within what no sensor reports beyond, where it did so before; a logger writes what lies out of `range`."""
    if channel.quantity not in _NATURAL:
        return own
    c = units.conversion(channel.quantity, channel.unit, interval_s)
    low, high = (bound / c.factor - c.shift for bound in _NATURAL[channel.quantity])
    inside = ~((was < low) | (was > high))
    return np.where(inside, np.clip(own, low, high), own)


def _texts(text: TableText, channel: Channel, own: NDArray[np.float64], time: Times) -> list[str | None]:
    """Values in the station file's unit as the column prints them, on the steps of `channel`; None for NaN.

    Steps finer than the column's, as of a logger that was set to a larger unit, are printed with the digits they need.
    """
    own = own.copy()
    for rows, resolution in _by_deployment(channel, time, "resolution", channel.resolution):
        steps = np.zeros(rows.sum())
        if isinstance(resolution, float):
            steps[:] = resolution
        elif resolution is not None:
            bounds = np.array([bound for bound, _ in resolution])
            finest = np.array([step for _, step in resolution])
            steps = finest[np.minimum(np.searchsorted(bounds, own[rows]), len(finest) - 1)]
        some = own[rows]
        own[rows] = np.where(steps > 0, np.round(np.round(some / np.where(steps > 0, steps, 1.0)) * steps, 9), some)
    known, place = np.unique(own, return_inverse=True)
    style = text.style(channel.name) if np.isfinite(known).any() else None
    if style is not None and isinstance(channel.resolution, float) and channel != text.channel(channel.name):
        need = max(0, round(-np.log10(channel.resolution)))
        style = replace(
            style, decimals={w: (a, max(b, need)) for w, (a, b) in style.decimals.items()}, significant=None
        )
    told = [
        style.text(Decimal(repr(v))) if style is not None and np.isfinite(v) else None for v in (known + 0.0).tolist()
    ]
    return [told[i] for i in place.tolist()]


def _marker(section: Section, table: str, channel: Channel) -> str:
    """What a row of this section has where there is no number."""
    layout = next((k.layout for k in section.kinds if k.table.id == table), None)
    return next((m for m in (*channel.missing, *(layout.missing if layout else ())) if m), "")


def _sections(text: TableText, lines: NDArray[np.int64]) -> tuple[NDArray[np.int64], list[Section]]:
    """For each line the number of its section, and the sections."""
    sections: list[Section] = []
    number = np.zeros(len(lines), np.int64)
    for first, stop, section in text._sections:
        if not any(section is s for s in sections):
            sections.append(section)
        which = next(i for i, s in enumerate(sections) if s is section)
        number[(lines >= first) & (lines < stop)] = which
    return number, sections


def _edited(raw: bytes, section: Section, cells: Mapping[int, bytes]) -> bytes:
    """A line with some of its cells written anew; blanks and quotation marks around them stay."""
    if section.delimiter != BLANKS and b'"' not in raw:
        delimiter = section.delimiter.encode()
        parts = raw.split(delimiter)
        for column, cell in cells.items():
            if column < len(parts):
                was = parts[column].strip()
                parts[column] = parts[column].replace(was, cell, 1) if was else cell
        return delimiter.join(parts)
    spans, out, at = list(_spans(raw, section)), [], 0
    for column, cell in sorted(cells.items()):
        if column < len(spans):
            start, stop = spans[column]
            out += [raw[at:start], cell]
            at = stop
    return b"".join((*out, raw[at:]))


# ---- stamps

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_LONG_MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_LOOKED_AT = 40  # stamps that the table's own way of writing is learnt from (judgement)


def _stamped(
    text: TableText, table: str, section: Section, rows: _Rows, some: NDArray[np.int64], stamps: Times
) -> Iterator[dict[int, bytes]]:
    """For some rows of one section the cells of their stamps, on another time, written as the table writes them."""
    layout = next(k.layout for k in section.kinds if k.table.id == table)
    columns = [c for c in (section.position(column) for column in layout.time.columns) if c is not None]

    def cells(row: int) -> list[str]:
        start, stop = text._spans[int(rows.line[row])]
        spans = list(_spans(text.raw[start:stop], section))
        return [text.raw[start + spans[c][0] : start + spans[c][1]].decode("latin-1") for c in columns]

    sample = np.unique(np.linspace(0, len(rows.line) - 1, _LOOKED_AT).astype(int))
    sample = sample[np.isin(rows.line[sample], _lines(section))]
    told = [" ".join(" ".join(cells(int(row))).split()) for row in sample]
    way = _way(layout.time.format, rows.stamp[sample], told)
    pieces = [len(cell.split()) for cell in cells(int(some[0]))]
    for stamp in _written(layout.time.format, stamps, *way):
        words, out = stamp.split(), {}
        for column, count in zip(columns, pieces, strict=True):
            out[column], words = " ".join(words[:count]).encode("latin-1"), words[count:]
        yield out


def _lines(section: Section) -> NDArray[np.int64]:
    return np.concatenate([np.arange(a, b) for a, b in section.stretches])


def _way(format: str, stamps: Times, told: Sequence[str]) -> tuple[frozenset[str], int, str, str]:
    """How a table writes its stamps: codes without a leading zero, digits of a fraction, zone, case of AM and PM.

    InputError where none of the ways known here gives what stands there.
    """
    codes = [c for c in re.findall(r"%(.)", format) if c in "dmHI"]
    zones = ("Z", "+00:00", "+0000", "+00", " UTC") if "%z" in format else ("",)
    for bare in range(len(codes) + 1):
        for few in itertools.combinations(codes, bare):
            for digits, zone, half in itertools.product((6, 3, 1, 2) if "%f" in format else (6,), zones, ("AM", "am")):
                got = list(_written(format, stamps, frozenset(few), digits, zone, half))
                if sum(a == b for a, b in zip(got, told, strict=True)) >= 0.9 * len(told):
                    return frozenset(few), digits, zone, half
    raise InputError(
        f"has stamps like {told[0][:40]!r}, which cannot be written anew",
        where="table",
        mend="leave out faults of clock",
    )


def _written(format: str, stamps: Times, bare: frozenset[str], digits: int, zone: str, half: str) -> Iterator[str]:
    """Stamps in a time format, blanks single."""
    us = stamps.astype("datetime64[us]").astype(np.int64)
    day, rest = np.divmod(us, 86_400 * SECOND)
    month = stamps.astype("datetime64[M]").astype(np.int64)
    year = 1970 + month // 12
    dom = day - stamps.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64) + 1
    doy = day - stamps.astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64) + 1
    hour, minute, second = rest // (3600 * SECOND), rest // (60 * SECOND) % 60, rest // SECOND % 60
    numbers_ = {
        "Y": (year, 4), "y": (year % 100, 2), "m": (month % 12 + 1, 2), "d": (dom, 2), "j": (doy, 3), "H": (hour, 2),
        "I": ((hour + 11) % 12 + 1, 2), "M": (minute, 2), "S": (second, 2),
    }  # fmt: skip
    parts: list[list[str]] = []
    for piece in re.findall(r"%.|[ \t\u00a0]+|[^%]", format.strip(), flags=re.DOTALL):
        code = piece[1:] if piece[0] == "%" else ""
        if code in numbers_:
            x, width = numbers_[code]
            parts.append([str(v) if code in bare else f"{v:0{width}d}" for v in x.tolist()])
        elif code == "f":
            parts.append([f"{v:06d}"[:digits] for v in (rest % SECOND).tolist()])
        elif code == "s":
            parts.append([str(v) for v in (us // SECOND).tolist()])
        elif code in ("b", "B"):
            names = _MONTHS if code == "b" else _LONG_MONTHS
            parts.append([names[v] for v in (month % 12).tolist()])
        elif code in ("a", "A"):
            parts.append([_DAYS[v] for v in ((day + 3) % 7).tolist()])
        elif code == "p":
            parts.append([half if v < 12 else half.replace("A", "P").replace("a", "p") for v in hour.tolist()])
        elif code == "z":
            parts.append([zone] * len(us))
        else:
            parts.append([" " if not piece.strip() else "%" if code == "%" else piece] * len(us))
    return map("".join, zip(*parts, strict=True))
