"""Cells to numbers, and what stands where there is none."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pyarrow as pa

VALUE, MARKER, UNREADABLE, TEXT, ABSENT = 0, 1, 2, 3, 4
"""State of a cell: a number; a missing-value marker; no number; text carried along; no such column in this layout."""

EXACT_DIGITS = 15  # any number of so many digits survives the way through a double: DBL_DIG of C, from memory
_NUMBER = {
    ".": r"^[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?$",
    ",": r"^[+-]?([0-9]+,?[0-9]*|,[0-9]+)([eE][+-]?[0-9]+)?$",
}


@dataclass(frozen=True)
class Markers:
    """Missing-value markers of one channel: words compared without regard to case, numbers by value."""

    words: frozenset[str]
    numbers: NDArray[np.float64]

    @classmethod
    def of(cls, markers: Sequence[str], decimal: str) -> Markers:
        """From the markers as the station file gives them; a number may have either decimal sign."""
        trimmed = [m.strip() for m in markers]
        other = "," if decimal == "." else "."
        values = [v for m in trimmed for d in (decimal, other) if (v := number(m, d)) is not None]
        return cls(frozenset(m.casefold() for m in trimmed), np.array(sorted(set(values)), np.float64))


def number(cell: str, decimal: str = ".") -> float | None:
    """The number that a cell holds, or None."""
    import re

    cell = cell.strip()
    if not re.match(_NUMBER[decimal], cell, re.ASCII):
        return None
    value = float(cell.replace(",", "."))
    return value if np.isfinite(value) else None


def numbers(cells: pa.Array, decimal: str) -> NDArray[np.float64]:
    """Numbers of text cells; NaN where a cell is none."""
    import pyarrow as pa
    import pyarrow.compute as pc

    trimmed = pc.utf8_trim_whitespace(cells)
    clean = pc.if_else(pc.match_substring_regex(trimmed, _NUMBER[decimal]), trimmed, pa.scalar(None, pa.string()))
    if decimal == ",":
        clean = pc.replace_substring(clean, ",", ".")
    clean = pc.utf8_ltrim(clean, "+")
    values = pc.fill_null(pc.cast(clean, pa.float64()), float("nan")).to_numpy(zero_copy_only=False)
    return np.where(np.isfinite(values), values, np.nan)


def isin(values: NDArray[np.float64], few: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Whether each value equals one of a few."""
    found = np.zeros(len(values), bool)
    for one in few:
        found |= values == one
    return found


def states(
    cells: pa.Array, values: NDArray[np.float64], rows: NDArray[np.int64], markers: Markers, carries_text: bool
) -> NDArray[np.uint8]:
    """State of each of `rows`, the ones where the value is none or equals a marker.

    `cells` and `values` are whole columns. With `carries_text` (quantity `other`) a word is not unreadable.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    encoded = pc.dictionary_encode(pc.utf8_trim_whitespace(cells.take(pa.array(rows))))
    known = np.array([word.casefold() in markers.words for word in encoded.dictionary.to_pylist()] or [False])
    found = np.full(len(rows), TEXT if carries_text else UNREADABLE, np.uint8)
    found[isin(values[rows], markers.numbers) | known[encoded.indices.to_numpy(zero_copy_only=False)]] = MARKER
    return found


def inexact(cells: pa.Array, values: NDArray[np.float64], decimal: str) -> NDArray[np.int64]:
    """Rows whose cell has more digits than a double carries, so that the value is not, digit for digit, the cell."""
    import pyarrow as pa
    import pyarrow.compute as pc

    long = np.flatnonzero(pc.greater(pc.binary_length(cells), EXACT_DIGITS).to_numpy(zero_copy_only=False))
    long = long[np.isfinite(values[long])]
    shortest = pc.cast(pa.array(values[long]), pa.string())  # most long cells are just that: a double written in full
    long = long[pc.not_equal(cells.take(pa.array(long)), shortest).to_numpy(zero_copy_only=False)]
    return np.array([i for i in long if not _same(cells[int(i)].as_py(), values[i], decimal)], np.int64)


def _same(cell: str, value: Any, decimal: str) -> bool:
    try:
        return Decimal(cell.strip().replace(decimal, ".")) == Decimal(repr(float(value)))
    except InvalidOperation:  # an exponent beyond all bounds
        return False
