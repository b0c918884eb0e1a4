"""Sheets of all files put together: those with the same names row are one layout, layouts of one interval are one
table.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.draft import stamps, values, words
from qc.draft.structure import Sheet

if TYPE_CHECKING:
    import pyarrow as pa

Times = NDArray[np.datetime64]
_STATIONS = 200  # most stations in one file that are told apart (judgement)


@dataclass
class Column:
    """One column of a layout, rows with a stamp only. `at` counts from 0; `name` is empty where it is known by position
    alone.
    """

    at: int
    name: str
    title: str
    unit_cell: str
    statistic_cell: str
    cells: values.Cells
    text: pa.Array

    @property
    def label(self) -> str:
        """What a person would call it."""
        return self.name or (f"column {self.at + 1}" + (f" ({self.title})" if self.title else ""))


@dataclass
class Layout:
    """Sheets of one names row: time, decimal sign and columns of all their rows together."""

    sheets: list[Sheet]
    columns_text: list[pa.Array]
    time: stamps.TimeColumns
    format: str = ""
    format_notes: list[str] = field(default_factory=list)
    format_doubt: tuple[str, ...] = ()
    decimal: str = "."
    decimal_note: str = ""
    local: Times = field(default_factory=lambda: np.zeros(0, "datetime64[us]"))
    zone_s: NDArray[np.float64] | None = None
    columns: list[Column] = field(default_factory=list)
    select: tuple[int, str] | None = None
    select_others: list[tuple[str, int]] = field(default_factory=list)
    rows_of: dict[str, int] = field(default_factory=dict)
    spread: set[float] = field(default_factory=set)
    unread: int = 0

    @property
    def names(self) -> tuple[str, ...]:
        """The names row; empty where columns are known by position."""
        return () if self.sheets[0].misfit else self.sheets[0].names

    def reference(self, at: int) -> str | int:
        """How the station file names a column: its name, or its position where the name is none, stands twice or is too
        long.
        """
        name = self.names[at] if at < len(self.names) else ""
        return name if name and self.names.count(name) == 1 and len(name) <= 400 else at + 1

    @property
    def utc_like(self) -> Times:
        """Stamps with their zone taken off, where they carry one."""
        if self.zone_s is None:
            return self.local
        out: Times = self.local - (np.nan_to_num(self.zone_s) * 1e6).astype("timedelta64[us]")
        return out


@dataclass
class Table:
    """Layouts of one table."""

    layouts: list[Layout]
    spacing: stamps.Spacing
    id: str = "main"
    counter: str | int | None = None
    counter_note: str = ""

    @property
    def interval_s(self) -> float | None:
        """Interval in seconds; None for events."""
        return self.spacing.interval_s


def layouts(sheets: Sequence[Sheet]) -> tuple[list[Layout], list[str]]:
    """Layouts of some sheets, and what was wrong with those that gave none."""
    import pyarrow as pa

    by_key: dict[tuple[object, ...], list[Sheet]] = {}
    for sheet in sheets:
        by_key.setdefault(_key(sheet), []).append(sheet)
    out: list[Layout] = []
    told: list[str] = []
    for alike in by_key.values():
        for group, found in _written_alike(alike):
            first = group[0]
            if found is None:
                told.append(f"{first.lines.path.name}: no column of time stamps found")
                continue
            orders = [_order(first, s) for s in group]
            texts = [
                pa.concat_arrays([_at(s, order[p]) for s, order in zip(group, orders, strict=True)])
                for p in range(first.width)
            ]
            out.append(Layout(group, texts, found))
    return out, told


@dataclass
class _Alike:
    """Sheets of one names row that write time and decimals in one way."""

    sheets: list[Sheet]
    time: stamps.TimeColumns | None
    decimal: str | None


def _written_alike(sheets: Sequence[Sheet]) -> list[tuple[list[Sheet], stamps.TimeColumns | None]]:
    """Sheets of one names row, put apart where one reading of time or decimal sign would not do for all."""
    found: list[_Alike] = []
    for sheet in sorted(sheets, key=lambda s: -len(s.line)):
        time = stamps.find(
            sheet.columns, [sheet.title(p) if sheet.misfit else _name(sheet, p) for p in range(sheet.width)]
        )
        others = [c for p, c in enumerate(sheet.columns) if time is None or p not in time.columns]
        sign, comma, point = values.decimal_sign(others, sheet.delimiter)
        decimal = sign if comma or point else None
        for one in found:
            if time is not None and one.time is not None and not set(time.formats) & set(one.time.formats):
                continue
            if None not in (decimal, one.decimal) and decimal != one.decimal:
                continue
            one.sheets.append(sheet)
            break
        else:
            found.append(_Alike([sheet], time, decimal))
    return [(one.sheets, one.time) for one in found]


def _name(sheet: Sheet, at: int) -> str:
    return sheet.names[at] if at < len(sheet.names) else ""


def _key(sheet: Sheet) -> tuple[object, ...]:
    if sheet.misfit or not sheet.names:
        return ("by position", sheet.width if not sheet.names else sheet.names, sheet.delimiter)
    if "" in sheet.names or len(set(sheet.names)) < len(sheet.names):
        return ("in order", sheet.names)
    return ("by name", tuple(sorted(sheet.names)))


def _order(first: Sheet, other: Sheet) -> list[int]:
    """For each column of `first`, where it stands in `other`; -1 where it does not."""
    if first.misfit or not first.names or _key(first)[0] != "by name":
        return [p if p < other.width else -1 for p in range(first.width)]
    where = {name: p for p, name in enumerate(other.names)}
    return [where.get(_name(first, p), p) if _name(first, p) else p for p in range(first.width)]


def _at(sheet: Sheet, at: int) -> pa.Array:
    import pyarrow as pa

    return sheet.columns[at] if 0 <= at < sheet.width else pa.array([""] * len(sheet.line), pa.string())


# ---- time, over all layouts


def settle_time(found: Sequence[Layout], month_first_country: bool) -> None:
    """The format of each layout, decided from all files together, and the rows that it reads."""
    by_formats: dict[tuple[str, ...], list[Layout]] = {}
    for one in found:
        one.time.formats = _all_rows(one)
        by_formats.setdefault(tuple(sorted(one.time.formats)), []).append(one)
    for together in by_formats.values():
        files = [[one.columns_text[p] for p in one.time.columns] for one in together]
        choice = stamps.choose(together[0].time.formats, files, month_first_country)
        for one in together:
            one.format = choice.format
            one.format_doubt = choice.others
            if choice.why:
                one.format_notes.append(choice.why)
    for one in found:
        one.local, one.zone_s = stamps.parse(one.columns_text, one.time.columns, one.format)


def _all_rows(one: Layout) -> list[str]:
    """The formats again, by stamps from all rows: the first and last of each day may show what a sample did not."""
    import pyarrow as pa

    from qc.read.stamps import infer_formats, join_cells

    joined = join_cells([one.columns_text[p] for p in one.time.columns])
    step = max(1, len(joined) // 8000)
    texts = joined.take(pa.array(np.arange(0, len(joined), step))).to_pylist()
    wider = infer_formats([t for t in texts if t.strip()]).formats
    return wider or one.time.formats


def settle_rows(one: Layout) -> None:
    """Decimal sign, rows of one station, and the numbers of each column; rows without a stamp go."""
    import pyarrow as pa

    read = ~np.isnat(one.local)
    one.unread = int((~read).sum())
    sheet = one.sheets[0]
    others = [p for p in range(len(one.columns_text)) if p not in one.time.columns]
    one.decimal, comma, point = values.decimal_sign([one.columns_text[p] for p in others], sheet.delimiter)
    if comma and point and min(comma, point) > 0.02 * max(comma, point):
        one.decimal_note = f"{comma} sampled cells have a decimal comma, {point} a decimal point"
    _select(one, read, others)
    if one.select is not None:
        import pyarrow.compute as pc

        read = read & pc.equal(one.columns_text[one.select[0]], one.select[1]).to_numpy(zero_copy_only=False)
    sizes = [len(s.line) for s in one.sheets]
    file = np.repeat(np.arange(len(sizes)), sizes)[read]
    for number, s in enumerate(one.sheets):
        one.rows_of[str(s.lines.path)] = one.rows_of.get(str(s.lines.path), 0) + int((file == number).sum())
        here = one.local[read][file == number]
        interval = stamps.spacing(here).interval_s
        if interval is not None and len(here) > 20:
            one.spread.add(interval)
    rows = None if read.all() else pa.array(np.flatnonzero(read))
    one.local = one.local[read]
    if one.zone_s is not None:
        one.zone_s = one.zone_s[read]
    for p in others:
        if one.select is not None and p == one.select[0]:
            continue
        text = one.columns_text[p] if rows is None else one.columns_text[p].take(rows)
        name = one.names[p] if p < len(one.names) else ""
        units_row = sheet.units[p] if p < len(sheet.units) else ""
        stat_row = sheet.statistics[p] if p < len(sheet.statistics) else ""
        one.columns.append(Column(p, name, sheet.title(p), units_row, stat_row, values.cells(text, one.decimal), text))


def _select(one: Layout, read: NDArray[np.bool_], others: Sequence[int]) -> None:
    """The column that tells stations apart, where each stamp stands once for each of them."""
    import pyarrow as pa
    import pyarrow.compute as pc

    local = one.local[read]
    if len(local) < 10:
        return
    _, at = np.unique(local, return_inverse=True)
    single = (at.max() + 1) / len(local)
    if single > 0.8:
        return
    rows = pa.array(np.flatnonzero(read))
    best: tuple[float, int, list[tuple[str, int]]] | None = None
    for p in others:
        text = one.columns_text[p].take(rows)
        if pc.count_distinct(text).as_py() > _STATIONS:
            continue
        coded = text.dictionary_encode()
        kinds = len(coded.dictionary)
        if kinds < 2 or words.is_time(one.sheets[0].title(p)) or ":" in str(coded.dictionary[0]):
            continue
        code = coded.indices.to_numpy(zero_copy_only=False)
        unique = len(np.unique(at.astype(np.int64) * kinds + code)) / len(local)
        named = words.plain(one.sheets[0].title(p))
        bonus = (
            0.05
            if any(w in named for w in ("stat", "site", "id", "name", "origin", "loc", "code", "wmo", "device", "node"))
            else 0.0
        )
        bonus -= 0.0005 * kinds
        if unique > max(0.9, single + 0.15) and (best is None or unique + bonus > best[0]):
            counted = Counter(
                dict(zip(coded.dictionary.to_pylist(), np.bincount(code, minlength=kinds).tolist(), strict=True))
            )
            best = (unique + bonus, p, sorted(counted.items(), key=lambda item: (-item[1], item[0])))
    if best is not None:
        stations = [s for s in best[2] if s[0]]
        if stations:
            one.select = (best[1], stations[0][0])
            one.select_others = stations


def distinct(found: Sequence[Layout]) -> tuple[list[Layout], list[str]]:
    """Layouts that the reader can tell apart, those of most rows first, and what is told of the others."""
    kept: dict[tuple[object, ...], Layout] = {}
    told: list[str] = []
    for one in sorted(found, key=lambda x: (-len(x.local), str(x.sheets[0].lines.path))):
        names = frozenset(n for p, n in enumerate(one.names) if one.reference(p) == n)
        key: tuple[object, ...] = ("names", names) if names else ("by position", one.time.columns, one.format)
        first = kept.setdefault(key, one)
        if first is one:
            continue
        which = ", ".join(sorted({s.lines.path.name for s in one.sheets})[:5])
        other = first.sheets[0].lines.path.name
        what = "has the names row of" if names else "has no names row, as"
        told.append(
            f"{which} {what} {other}, but not its columns, time format ('{one.format}') or decimal sign"
            f" ('{one.decimal}'): nothing tells them apart, so give it a station file of its own"
        )
    return list(kept.values()), told


# ---- tables


def tables(found: Sequence[Layout]) -> list[Table]:
    """Layouts put together into tables: same interval, and columns in common or periods apart."""
    out: list[Table] = []
    for one in sorted(found, key=lambda x: -len(x.local)):
        spacing = stamps.spacing(one.utc_like)
        home = next((t for t in out if _akin(t, one, spacing)), None)
        if home is None:
            out.append(Table([one], spacing))
        else:
            home.layouts.append(one)
            home.spacing = stamps.spacing(np.concatenate([x.utc_like for x in home.layouts]))
    if len(out) > 1:
        used: set[str] = set()
        for table in out:
            base = (
                "events" if table.interval_s is None else f"every_{stamps.duration(table.interval_s)}".replace(".", "_")
            )
            name, number = base, 2
            while name in used:
                name, number = f"{base}_{number}", number + 1
            used.add(name)
            table.id = name
    return out


def _akin(table: Table, one: Layout, spacing: stamps.Spacing) -> bool:
    if table.interval_s != spacing.interval_s:
        return False
    mine = {c.name for c in one.columns if c.name}
    theirs = {c.name for x in table.layouts for c in x.columns if c.name}
    if not mine or not theirs:
        return not mine and not theirs and len(one.columns) == len(table.layouts[0].columns)
    if len(mine & theirs) >= 0.5 * min(len(mine), len(theirs)):
        return True
    a, b = one.utc_like, np.concatenate([x.utc_like for x in table.layouts])
    if not len(a) or not len(b):
        return False
    shared = len(np.intersect1d(a, b)) / min(len(a), len(b))
    return shared < 0.05


def find_counter(table: Table) -> None:
    """The column that counts on by one a row, where there is one."""
    for one in table.layouts:
        for column in one.columns:
            if not column.cells.numeric or column.cells.count < 20:
                continue
            name = words.plain(column.name).split("|")[0].strip()
            named = any(w == name for w in _counter_words(name))
            share = stamps.counts_on(column.cells.values, one.utc_like)
            if share >= 0.9 if named else (share >= 0.995 and column.cells.count >= 200):
                reference = one.reference(column.at)
                if table.counter is None:
                    table.counter = reference
                    table.counter_note = "" if named else f"it counts on by one in {100 * share:.1f} % of the rows"
                if table.counter == reference:
                    column.cells.words = {}
                    column.statistic_cell = "line counter"


def _counter_words(name: str) -> list[str]:
    import re

    return [name for word in words.book()["counter"]["words"] if re.fullmatch(word, name)]
