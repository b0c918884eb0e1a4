"""Stamps, numbers, and cells that a spreadsheet must not run."""

from __future__ import annotations

import math
import struct

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.write.text import guarded, guarded_cells, number, stamp, stamps


@pytest.mark.parametrize(
    ("moment", "text"),
    [
        ("2026-03-01T00:00:00", "2026-03-01T00:00:00Z"),
        ("2026-03-01T10:20:30", "2026-03-01T10:20:30Z"),
        ("2026-12-31T23:59:50", "2026-12-31T23:59:50Z"),
        ("2026-03-01T00:00:00.5", "2026-03-01T00:00:00.5Z"),
        ("2026-03-01T00:00:00.000001", "2026-03-01T00:00:00.000001Z"),
        ("2026-03-01T00:00:00.120", "2026-03-01T00:00:00.12Z"),
        ("1969-12-31T23:59:59.9", "1969-12-31T23:59:59.9Z"),
        ("1903-01-01T00:00:00", "1903-01-01T00:00:00Z"),
    ],
)
def test_stamp(moment: str, text: str) -> None:
    assert stamp(np.datetime64(moment, "us")) == text
    assert stamps(np.array([moment], "M8[us]")).to_pylist() == [text]


def test_stamps_of_nothing() -> None:
    assert stamps(np.zeros(0, "M8[us]")).to_pylist() == []
    assert stamps(np.zeros(0, "M8[us]")).type == pa.string()


MOMENTS = st.lists(st.integers(-2_000_000_000, 7_000_000_000), max_size=30)


@given(MOMENTS, st.sampled_from([1, 1_000_000]))
def test_many_stamps_are_each_stamp(seconds: list[int], scale: int) -> None:
    """Whole seconds take another way than fractions, and give the same text; each reads back."""
    times = (np.array(seconds, np.int64) * scale).view("M8[us]")
    text = stamps(times).to_pylist()
    assert text == [stamp(t) for t in times]
    assert [np.datetime64(t.removesuffix("Z"), "us") for t in text] == times.tolist()


@pytest.mark.parametrize(
    ("value", "text"),
    [(0.0, "0"), (20.3, "20.3"), (-5.0, "-5"), (0.1 + 0.2, "0.30000000000000004"), (1013.0, "1013"), (math.nan, "")],
)
def test_number(value: float, text: str) -> None:
    assert number(value) == text


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_a_number_reads_back_from_the_shortest_digits(value: float) -> None:
    text = number(value)
    assert struct.pack("d", float(text)) == struct.pack("d", value)
    digits = text.lower().partition("e")[0].replace("-", "").replace(".", "").strip("0")
    assert len(digits) <= 17
    shorter = f"{value:.{max(len(digits) - 2, 0)}e}"  # one significant digit less
    assert len(digits) < 2 or float(shorter) != value


GUARDED = ["=1+1", "+A1", "-A1", "@SUM(A1)", "\t=1", "\r=1", "=", "-", "--", "-12#4", "+1 2", "=-5"]
PLAIN = ["", "1", "-1", "-1.5", "+3", "-1,5", "-1e-3", "NAN", "12#4", "'x", " =1", "-.5", "- 9"[0:0]]


@pytest.mark.parametrize("cell", GUARDED)
def test_formulas_are_guarded(cell: str) -> None:
    assert guarded(cell) == "'" + cell


@pytest.mark.parametrize("cell", PLAIN)
def test_numbers_and_words_are_not(cell: str) -> None:
    assert guarded(cell) == cell


@given(st.lists(st.one_of(st.none(), st.text(max_size=6), st.sampled_from(GUARDED + PLAIN)), max_size=8))
def test_a_column_is_guarded_as_each_cell(cells: list[str | None]) -> None:
    told = guarded_cells(pa.array(cells, pa.string())).to_pylist()
    assert told == [None if c is None else guarded(c) for c in cells]
