"""What the numbers of one column show: words among them, markers, smallest step, spread."""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from qc.read.numbers import numbers

if TYPE_CHECKING:
    import pyarrow as pa

Floats = NDArray[np.float64]

MARKER_WORDS = frozenset(
    [
        "nan",
        "na",
        "n/a",
        "#n/a",
        "null",
        "none",
        "nil",
        "-",
        "--",
        "---",
        "----",
        "-----",
        "-.-",
        "--.-",
        ".",
        "..",
        "missing",
        "miss",
        "m",
        "inf",
        "-inf",
        "+inf",
        "infinity",
        "err",
        "error",
        "#error",
        "#value!",
        "#ref!",
        "#div/0!",
        "xx",
        "xxx",
        "x",
        "*",
        "**",
        "***",
        "////",
        "///",
        "/",
        "?",
        "??",
        "nodata",
        "no_data",
        "nd",
        "n.d.",
        "n/d",
        "s/d",
        "s/n",
        "bad",
        "out",
        "fail",
        "failed",
        "invalid",
        "nv",
        "dash",
        "noval",
        "void",
        "leer",
        "fehlt",
        "manquant",
        "faltante",
        "#num!",
        "na()",
        "<na>",
        "nat",
    ]
)
"""Words that stand where there is no value; common practice, no source."""

_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?", re.ASCII)
_ENDS = 12  # lowest and highest different numbers that may be markers (judgement)
_MANY = 60  # distinct words of one column that are told apart (judgement)


def codelike(value: float) -> bool:
    """Whether a number is one that loggers write for no value: -9999, -99.9, 7999, 6999, 32767, 1e20 ... (common
    practice, no source).
    """
    size = abs(value)
    if (
        size
        in (
            6999.0,
            7999.0,
            32767.0,
            32768.0,
            65535.0,
            6553.5,
            3276.7,
            3276.8,
            8888.0,
            888.8,
            77777.0,
            55555.0,
            2147483647.0,
            2147483648.0,
        )
        or size >= 1e9
    ):
        return True
    digits = f"{size:.10g}".replace(".", "")
    return len(digits) >= 2 and set(digits) == {"9"}


@dataclass
class Cells:
    """One column, rows with a stamp only: numbers (NaN where none), and how often each other text stands."""

    values: Floats
    words: dict[str, int] = field(default_factory=dict)
    empty: int = 0

    @cached_property
    def suspects(self) -> list[Suspect]:
        """Numbers that look like markers."""
        return suspects(self.values)

    @cached_property
    def clean(self) -> Floats:
        """The numbers without those that look like markers."""
        few = [s.value for s in self.suspects]
        return np.where(np.isin(self.values, few), np.nan, self.values) if few else self.values

    @cached_property
    def count(self) -> int:
        """How many numbers."""
        return int(np.isfinite(self.values).sum())

    @property
    def numeric(self) -> bool:
        """Whether this is a column of numbers: words that mean no value do not count against it."""
        odd = sum(n for w, n in self.words.items() if w.casefold() not in MARKER_WORDS)
        return self.count > 0 and self.count >= 4 * odd

    @property
    def marker_words(self) -> dict[str, int]:
        """The words that mean no value."""
        return {w: n for w, n in self.words.items() if w.casefold() in MARKER_WORDS}

    @property
    def strange_words(self) -> dict[str, int]:
        """The other words."""
        return {w: n for w, n in self.words.items() if w.casefold() not in MARKER_WORDS}


def cells(text: pa.Array, decimal: str) -> Cells:
    """Numbers and words of a column of trimmed text."""
    import pyarrow as pa
    import pyarrow.compute as pc

    values = numbers(text, decimal)
    rest = np.flatnonzero(~np.isfinite(values))
    out = Cells(values)
    if len(rest):
        for entry in pc.value_counts(text.take(pa.array(rest))).to_pylist():
            word = entry["values"] or ""
            if not word:
                out.empty = entry["counts"]
            elif len(out.words) < _MANY or word.casefold() in MARKER_WORDS:
                out.words[word] = entry["counts"]
            else:
                out.words["…"] = out.words.get("…", 0) + entry["counts"]
    return out


def decimal_sign(columns: Sequence[pa.Array], delimiter: str) -> tuple[str, int, int]:
    """The decimal sign of some columns, and how many cells have `,` and `.` as one."""
    comma = point = 0
    for column in columns:
        rows = np.unique(np.linspace(0, len(column) - 1, min(len(column), 2000)).astype(int))
        import pyarrow as pa

        for cell in column.take(pa.array(rows)).to_pylist():
            if re.fullmatch(r"[+-]?[0-9]*,[0-9]+", cell):
                comma += 1
            elif re.fullmatch(r"[+-]?[0-9]*\.[0-9]+([eE][+-]?[0-9]+)?", cell):
                point += 1
    return ("," if comma > point and (delimiter != "," or comma > 0) else "."), comma, point


# ---- the smallest step

_EDGES = (0.0, 1.0, 8.0, 10.0, 80.0, 100.0, 800.0, 1000.0, 8000.0, 10000.0, 80000.0, 1e9)
"""Loggers that keep four digits change their step at a power of ten, or (13 bits of mantissa) at eight times one;
measured on forest and campus.
"""
_STEPS = sorted((m * 10.0**e for e in range(-6, 3) for m in (1.0, 2.0, 5.0)), reverse=True)
_TIPS = (0.254, 0.2, 0.1, 0.5, 0.25, 1.0, 0.01, 0.02, 0.05, 0.3, 0.4, 0.127, 0.001, 0.002, 0.005)
Resolution = float | list[list[float]] | None


def resolution(values: Floats, *, sums: bool = False) -> tuple[Resolution, str]:
    """The smallest step that nearly all numbers are multiples of, by range where it depends on the value; and why there
    is none.

    `sums`: amounts such as rain, mostly 0, whose step is the smallest amount.
    """
    sizes, counts = np.unique(np.abs(values[np.isfinite(values)]), return_counts=True)
    counts = counts[sizes > 0]
    sizes = sizes[sizes > 0]
    if sums and 0 < len(sizes) < 3 and counts.sum() >= 20 and np.round(sizes[-1] / sizes[0]) * sizes[0] == sizes[-1]:
        return float(f"{sizes[0]:.6g}"), ""
    if len(sizes) < 3:
        return None, f"only {len(sizes)} different values above 0"
    weight = np.minimum(counts, 100).astype(float)  # a sensor that hung must not decide
    if sums and (tip := _tip(sizes, weight)) is not None:
        return tip, ""
    found: list[list[float]] = []
    for low, high in itertools.pairwise(_EDGES):
        here = (sizes >= low) & (sizes < high)
        if here.sum() < 8 or weight[here].sum() < 30:
            continue
        step = _step(sizes[here], weight[here])
        if step is None or float(sizes[here].max()) / step > 1e6:
            return None, "values carry the digits of a computation, not of a sensor"
        if found and found[-1][1] >= step:
            found[-1] = [high, found[-1][1] if found[-1][1] == step else min(found[-1][1], step)]
        else:
            found.append([high, step])
    if not found:
        step = _step(sizes, weight)
        return (step, "") if step is not None and len(sizes) >= 3 else (None, "too few different values")
    if len(found) == 1:
        return found[0][1], ""
    top = float(sizes.max())
    found[-1][0] = next(
        m * 10.0**e for e in range(-3, 7) for m in (1.0, 2.0, 5.0) if m * 10.0**e > top and m * 10.0**e > found[-2][0]
    )
    return found, ""


def _step(sizes: Floats, weight: Floats) -> float | None:
    for step in _STEPS:
        off = np.abs(sizes / step - np.round(sizes / step)) * step
        if float(weight[off <= 1e-9 + 1e-9 * sizes].sum()) >= 0.99 * float(weight.sum()):
            return float(f"{step:.6g}")
    return None


def _tip(sizes: Floats, weight: Floats) -> float | None:
    printed = _step(sizes, weight)
    if printed is None:
        return None
    for tip in sorted({*_TIPS, *(float(s) for s in sizes[:3])}, reverse=True):
        # four digits: 9.652 is printed 9.65
        slack = np.minimum(np.maximum(0.51 * printed, 6e-4 * sizes), 0.1 * tip) if printed < 0.1 * tip else 1e-9
        off = np.abs(sizes / tip - np.round(sizes / tip)) * tip
        if float(weight[(off <= slack + 1e-9) & (sizes > 0.9 * tip)].sum()) >= 0.97 * float(weight.sum()):
            return float(f"{tip:.6g}")
    return printed


# ---- markers


@dataclass(frozen=True)
class Suspect:
    """A number that may be a marker: how it is spelled, how often it stands, and how far from the rest."""

    value: float
    count: int
    low: float
    high: float


def suspects(values: Floats) -> list[Suspect]:
    """Numbers that look like markers and stand alone, outside all that the rest of the column holds."""
    good = values[np.isfinite(values)]
    distinct, counts = np.unique(good, return_counts=True)
    if len(distinct) < 2:
        return []
    ends = np.unique(
        np.concatenate((np.arange(min(_ENDS, len(distinct))), np.arange(max(0, len(distinct) - _ENDS), len(distinct))))
    )
    coded = {int(i): codelike(float(distinct[i])) for i in ends}
    outer = {0, 1, 2, len(distinct) - 1, len(distinct) - 2, len(distinct) - 3}
    likely = [i for i in coded if coded[i] or (i in outer and counts[i] >= 3 and abs(distinct[i]) >= 50)]
    if not likely:
        return []
    rest = np.ones(len(distinct), bool)
    rest[[i for i in coded if coded[i]]] = False
    out = []
    for i in likely:
        here = rest.copy()
        here[i] = False
        others, number = distinct[here], np.cumsum(counts[here])
        if not len(others):
            continue
        x = float(distinct[i])
        low, high = float(others[0]), float(others[-1])
        if low <= x <= high:  # a value or two beyond must not hide a marker
            low, high = (float(others[np.searchsorted(number, q * number[-1])]) for q in (0.001, 0.999))
        gap = low - x if x < low else x - high
        if gap > (0.3 if coded[i] else 1.5) * max(high - low, 1e-9):
            out.append(Suspect(x, int(counts[i]), low, high))
    return out


def spelled(value: float, text: pa.Array, values: Floats) -> str:
    """How a number stands in the table, most often."""
    import pyarrow as pa

    rows = np.flatnonzero(values == value)[:200]
    found = [str(x) for x in text.take(pa.array(rows)).to_pylist()]
    return max(sorted(set(found)), key=found.count) if found else f"{value:g}"


# ---- spread


def quantiles(values: Floats, at: Sequence[float]) -> list[float]:
    """Quantiles that are values of the column (no interpolation), five digits at most."""
    good = values[np.isfinite(values)]
    if not len(good):
        return []
    return [float(f"{x:.5g}") for x in np.quantile(good, at, method="inverted_cdf")]


def changes(times: NDArray[np.datetime64], values: Floats, over_s: float, stray_s: float = 0.0) -> Floats:
    """Absolute changes over a span of time, between rows that far apart; `times` in order."""
    good = np.isfinite(values)
    t, v = times[good].astype("datetime64[us]").astype(np.int64), values[good]
    span = round(over_s * 1e6)
    slack = round(2 * stray_s * 1e6)
    later = np.searchsorted(t, t + span - slack)
    inside = later < len(t)
    here = np.flatnonzero(inside)
    there = later[inside]
    near = np.abs(t[there] - t[here] - span) <= slack
    return np.asarray(np.abs(v[there[near]] - v[here[near]]))
