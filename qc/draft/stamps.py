"""Which columns hold the time, how it is written, and how far apart the rows are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.draft import words
from qc.read.stamps import StampFormat, infer_formats, join_cells

if TYPE_CHECKING:
    import pyarrow as pa

Times = NDArray[np.datetime64]

_CHUNK = (
    250  # rows in a row, three times, and as many from all over: enough to tell a format and an interval (judgement)
)
_TRIED = 14  # columns from the left that may hold the time without a name that says so (judgement)
_NICE_S = (
    1,
    2,
    5,
    10,
    15,
    20,
    30,
    60,
    120,
    180,
    300,
    360,
    600,
    720,
    900,
    1200,
    1800,
    3600,
    7200,
    10800,
    14400,
    21600,
    28800,
    43200,
    86400,
)
_NAMED = (
    ("stamp",), ("date", "clock"), ("clock", "date"), ("date", "hour"), ("stamp", "clock"), ("date", "stamp"), ("date",
    "hour", "minute"),
    ("year", "doy", "clock"), ("year", "doy", "hour", "minute"), ("year", "doy", "hour"), ("year", "doy"), ("year",
    "day", "clock"),
    ("year", "month", "day", "clock"), ("year", "month", "day", "hour"), ("year", "month", "day", "hour", "minute"),
    ("year", "month", "day", "hour", "minute", "second"), ("year", "month", "day"), ("date",), ("clock",),
)  # fmt: skip


@dataclass
class TimeColumns:
    """Columns (from 0) of the stamp, the formats that read it (likeliest first), and how good the choice is."""

    columns: tuple[int, ...]
    formats: list[str]
    score: float = 0.0


def find(columns: Sequence[pa.Array], names: Sequence[str]) -> TimeColumns | None:
    """The columns of time among `columns` (trimmed text) with their `names`; None where there are none."""
    rows = len(columns[0]) if columns else 0
    if not rows:
        return None
    chunks = _chunks(rows)
    spread = np.unique(np.linspace(0, rows - 1, min(rows, 3 * _CHUNK)).astype(int))
    picked = np.unique(np.concatenate([np.arange(a, b) for a, b in chunks] + [spread]))
    texts = [_some(column, picked) for column in columns[: max(_TRIED, 0)]]
    parts = [words.time_part(name) for name in names]
    best: TimeColumns | None = None
    tried: set[tuple[int, ...]] = set()
    for group in _groups(len(texts), parts):
        if group in tried or any(p >= len(columns) for p in group):
            continue
        tried.add(group)
        cells = [texts[p] if p < len(texts) else _some(columns[p], picked) for p in group]
        joined = [" ".join(row) for row in zip(*cells, strict=True)]
        if not any(any(ch.isdigit() for ch in t) for t in joined[:50]):
            continue
        found = infer_formats([t for t in joined if t.strip()])
        if not found.formats:
            continue
        named = sum(p < len(parts) and parts[p] is not None for p in group) / len(group)
        score = max(_score(f, joined, picked, chunks) for f in found.formats) + 0.35 * named - 0.03 * len(group)
        first = group[0]
        if first < len(names) and words.zone_in(names[first]) == 0:
            score += 0.05
        if any("%z" in f for f in found.formats):
            score += 0.4  # a stamp that carries its zone leaves nothing to guess: more than a name that says time
        if any(ch in "-/.:" for ch in joined[0]) or len(group) > 1:
            score += 0.1  # a bare run of digits may be anything
        score -= 0.005 * min(group)
        if best is None or score > best.score:
            best = TimeColumns(group, found.formats, score)
    return best if best is not None and best.score > 0.45 else None


def _chunks(rows: int) -> list[tuple[int, int]]:
    size = min(rows, _CHUNK)
    starts = sorted({0, max(0, rows // 2 - size // 2), rows - size})
    return [(s, s + size) for s in starts]


def _some(column: pa.Array, rows: NDArray[np.int64]) -> list[str]:
    import pyarrow as pa

    out: list[str] = column.take(pa.array(rows)).to_pylist()
    return out


def _groups(count: int, parts: Sequence[str | None]) -> list[tuple[int, ...]]:
    """Columns to try together: by their names first, then neighbours."""
    out: list[tuple[int, ...]] = []
    where: dict[str, list[int]] = {}
    for p, part in enumerate(parts):
        if part is not None:
            where.setdefault(part, []).append(p)
    for wanted in _NAMED:
        if all(part in where for part in wanted):
            out.append(tuple(where[part][0] for part in wanted))
    for part in ("stamp", "date"):
        out += [(p,) for p in where.get(part, [])[1:4]]
    out += [(p,) for p in range(count)]
    for size in (2, 3, 4, 5, 6):
        out += [
            tuple(range(p, p + size))
            for p in range(max(0, min(count, 4 if size > 2 else 8) - size + (2 if size > 2 else 1)))
        ]
    return out


def _score(format: str, joined: Sequence[str], picked: NDArray[np.int64], chunks: Sequence[tuple[int, int]]) -> float:
    """How regular the stamps are: 1 where each row comes one interval after another."""
    local = StampFormat.compile(format).parse(list(joined)).local
    read = float(np.mean(~np.isnat(local)))
    if read < 0.5:
        return 0.0
    regular = []
    for a, b in chunks:
        here = local[np.searchsorted(picked, a) : np.searchsorted(picked, b)]
        here = here[~np.isnat(here)]
        if len(here) < 3:
            continue
        moments = np.unique(here)
        if len(moments) < 3:
            regular.append(0.0)
            continue
        step = np.diff(moments).astype(np.int64)
        common = float(np.median(step))
        even = float(np.mean(np.abs(step - common) <= 0.1 * common))
        filled = len(moments) / len(here)
        regular.append(0.3 + 0.4 * even + 0.3 * min(1.0, 2 * filled))
    has_clock = any(code in format for code in ("%H", "%I", "%s"))
    return read * (float(np.mean(regular)) if regular else 0.4) - (0.0 if has_clock else 0.12)


def parse(columns: Sequence[pa.Array], group: Sequence[int], format: str) -> tuple[Times, NDArray[np.float64] | None]:
    """Stamps of all rows as written, NaT where unreadable, and their zone in s where the format carries it."""
    stamps = StampFormat.compile(format).parse(join_cells([columns[p] for p in group]))
    return stamps.local, stamps.offset_s


# ---- day or month first


@dataclass(frozen=True)
class Choice:
    """A format chosen from several, why, and the others that the data cannot rule out."""

    format: str
    why: str
    others: tuple[str, ...]


def choose(formats: Sequence[str], files: Sequence[Sequence[pa.Array]], month_first_country: bool) -> Choice:
    """The format that reads most rows of all files and leaves fewest breaks between rows.

    `files`: for each file the columns of its stamp, in the order of the format.
    """
    if len(formats) == 1:
        return Choice(formats[0], "", ())
    unread: dict[str, int] = {}
    breaks: dict[str, int] = {}
    for format in formats:
        unread[format] = breaks[format] = 0
        for columns in files:
            local, _ = parse(columns, range(len(columns)), format)
            unread[format] += int(np.isnat(local).sum())
            good = local[~np.isnat(local)]
            step = np.abs(np.diff(good).astype(np.int64))
            if len(step):
                breaks[format] += int((step != np.median(step)).sum())
    fewest = min(unread.values())
    left = [f for f in formats if unread[f] == fewest]
    if len(left) == 1:
        others = [f for f in formats if f != left[0]]
        return Choice(left[0], f"'{others[0]}' cannot read {unread[others[0]] - fewest} of the stamps", ())
    least = min(breaks[f] for f in left)
    smooth = [f for f in left if breaks[f] <= least + 0.1 * least]
    if len(smooth) == 1:
        second = min((f for f in left if f != smooth[0]), key=lambda f: breaks[f])
        return Choice(
            smooth[0], f"read as '{second}' the rows break off {breaks[second]} times, so {breaks[smooth[0]]} times", ()
        )
    ordered = sorted(smooth, key=lambda f: (_month_first(f) != month_first_country, formats.index(f)))
    return Choice(ordered[0], "", tuple(ordered[1:]))


def _month_first(format: str) -> bool:
    return -1 < format.find("%m") < format.find("%d") and not format.startswith(("%Y", "%y"))


# ---- the interval


@dataclass(frozen=True)
class Spacing:
    """`interval_s` is None for events; `stray_s`: how far stamps lie off the grid; `even`: share of steps of one
    interval.
    """

    interval_s: float | None
    stray_s: float
    even: float
    rows: int
    off_grid: float = 0.0


def spacing(times: Times) -> Spacing:
    """The interval of some stamps, in any order."""
    moments = np.unique(times[~np.isnat(times)])
    if len(moments) < 2:
        return Spacing(None, 0.0, 0.0, len(moments))
    step = np.diff(moments).astype(np.int64)
    values, counts = np.unique(step, return_counts=True)
    common = int(values[counts.argmax()])
    even = float(counts.max() / len(step))
    interval = common / 1e6
    if even < 0.6 or interval not in _NICE_S:
        near = float(np.median(step)) / 1e6
        nice = min(_NICE_S, key=lambda n: abs(np.log(n / max(near, 1e-6))))
        close = float(np.mean(np.abs(step / 1e6 - nice) <= 0.15 * nice))
        if close >= 0.6 and close > even + (0.0 if interval not in _NICE_S else 0.05):
            interval, even = float(nice), close
    # most steps are whole intervals: gaps do not make a table of events
    whole = float(np.mean(np.abs(step / 1e6 / interval - np.round(step / 1e6 / interval)) < 0.15)) if interval else 0.0
    if even < 0.35 or (even < 0.6 and whole < 0.9):
        return Spacing(None, 0.0, even, len(moments))
    width = round(interval * 1e6)
    phase = moments.astype(np.int64) % width
    off = np.minimum(phase, width - phase) / 1e6
    share = float(np.mean(off > 0))
    stray = float(np.ceil(np.quantile(off, 0.999))) if share > 0.01 else 0.0
    return Spacing(interval, min(stray, np.floor(interval / 2)), even, len(moments), share)


def duration(seconds: float) -> str:
    """A duration as the station file writes it."""
    for size, name in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds % size == 0 and (size < 86400 or seconds // 86400 >= 1):
            return f"{seconds / size:.0f}{name}"
    return f"{seconds:g}s"


def counts_on(values: NDArray[np.float64], times: Times) -> float:
    """The share of steps, in time order, that a column counts on by one."""
    good = np.isfinite(values) & ~np.isnat(times)
    if good.sum() < 20:
        return 0.0
    if len(values) > 4000 and counts_on(values[:2000], times[:2000]) < 0.5:
        return 0.0
    order = np.argsort(times[good], kind="stable")
    moments, count = times[good][order], values[good][order]
    fresh = np.diff(moments) > np.timedelta64(0)
    if not fresh.any():
        return 0.0
    return float(np.mean(np.diff(count)[fresh] == 1.0))
