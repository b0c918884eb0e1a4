"""Cells to numbers and states."""

from __future__ import annotations

import math
from decimal import Decimal

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.read.numbers import MARKER, TEXT, UNREADABLE, Markers, inexact, number, numbers, states

POINT = [
    ("5", 5.0),
    ("+5", 5.0),
    ("-5", -5.0),
    ("5.", 5.0),
    (".9", 0.9),
    ("-.9", -0.9),
    (" 5 ", 5.0),
    ("\t5\u00a0", 5.0),
    ("1e5", 1e5),
    ("1E+05", 1e5),
    ("1.5e-3", 0.0015),
    ("007", 7.0),
    ("1e-999", 0.0),
    ("1e308", 1e308),
    ("1e309", None),  # beyond any double
    ("-1e999", None),
    ("0x10", None),
    ("1_0", None),
    ("1,5", None),
    ("1.013,2", None),
    ("1,013.2", None),
    ("1'013", None),
    ("1 013", None),
    ("1.2.3", None),
    ("--5", None),
    ("+-5", None),
    ("5-", None),
    ("e5", None),
    ("5e", None),
    (".", None),
    ("-", None),
    ("+", None),
    ("", None),
    (" ", None),
    ("nan", None),
    ("NaN", None),
    ("inf", None),
    ("-Infinity", None),
    ("5 %", None),
    ("٣", None),  # Arabic three
    ("５", None),  # full-width five
    ("−5", None),  # the minus sign of typesetters
    ("5\n", 5.0),
    ("5\n6", None),
    ("True", None),
]
COMMA = [
    ("5", 5.0),
    ("5,", 5.0),
    (",9", 0.9),
    ("-,9", -0.9),
    ("1,5e3", 1500.0),
    ("1.5", None),
    ("1.013,2", None),
    ("1,013,2", None),
    (",", None),
    ("+1,25", 1.25),
]
CASES = [(c, v, ".") for c, v in POINT] + [(c, v, ",") for c, v in COMMA]


@pytest.mark.parametrize(("cell", "value", "decimal"), CASES)
def test_one_cell(cell: str, value: float | None, decimal: str) -> None:
    assert number(cell, decimal) == value


def test_columns_read_as_cells_do() -> None:
    for decimal in ".,":
        cells = [c for c, _, d in CASES if d == decimal]
        expected = [math.nan if v is None else v for _, v, d in CASES if d == decimal]
        np.testing.assert_array_equal(numbers(pa.array(cells, pa.string()), decimal), expected)
    assert np.isnan(numbers(pa.array([None], pa.string()), ".")).all()
    assert len(numbers(pa.array([], pa.string()), ".")) == 0


@given(st.lists(st.text(alphabet="0123456789.,+-eE _xnaif ", max_size=12)), st.sampled_from(".,"))
def test_columns_read_as_cells_do_whatever_they_hold(cells: list[str], decimal: str) -> None:
    expected = [math.nan if (v := number(c, decimal)) is None else v for c in cells]
    np.testing.assert_array_equal(numbers(pa.array(cells, pa.string()), decimal), expected)


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(".,"))
def test_every_double_reads_back(value: float, decimal: str) -> None:
    assert number(repr(value).replace(".", decimal), decimal) == value


@pytest.mark.parametrize(
    ("markers", "decimal", "hits", "misses"),
    [
        (["NAN"], ".", ["NAN", "nan", "NaN", " nan "], ["", "NA", "0"]),
        (["NA", "-"], ".", ["NA", "na", "-"], ["", "--", "NAN"]),
        ([""], ".", ["", " ", "\u00a0"], ["-", "0"]),
        (["-9999"], ".", ["-9999", "-9999.0", "-9999.", "-9.999e3", " -9999 "], ["9999", "-9999.1", "-999"]),
        (["-999.9"], ".", ["-999.9", "-999.90"], ["-999"]),
        (["7999", "-99"], ".", ["7999", "-99.00"], ["799", "-9"]),
        (["-999,9"], ",", ["-999,9", "-999,90"], ["-999"]),
        (["-999.9"], ",", ["-999,9", "-999.9"], ["-999", "-9999"]),  # a station file may write either sign
        (["- - -"], ".", ["- - -"], ["-", "---"]),
        (["Überlauf"], ".", ["überlauf", "ÜBERLAUF"], ["lauf"]),
    ],
)
def test_markers_are_words_without_case_and_numbers_by_value(
    markers: list[str], decimal: str, hits: list[str], misses: list[str]
) -> None:
    cells = pa.array([*hits, *misses], pa.string())
    values = numbers(cells, decimal)
    of = Markers.of(markers, decimal)
    found = states(cells, values, np.arange(len(cells)), of, carries_text=False)
    assert (found[: len(hits)] == MARKER).all()
    no_number = np.isnan(values[len(hits) :])
    assert (found[len(hits) :][no_number] == UNREADABLE).all()
    assert not (found[len(hits) :] == MARKER).any()


def test_words_are_text_where_text_is_carried() -> None:
    cells = pa.array(["FAN:ON", "", "x"])
    found = states(cells, np.full(3, np.nan), np.arange(3), Markers.of([""], "."), carries_text=True)
    assert found.tolist() == [TEXT, MARKER, TEXT]


@pytest.mark.parametrize(
    ("cell", "decimal", "exact"),
    [
        ("0.1", ".", True),
        ("0.12198487966471128", ".", True),  # 17 digits, a double written in full
        ("123456789012345", ".", True),  # 15 digits: always exact
        ("9007199254740992", ".", True),  # 2^53
        ("9007199254740993", ".", False),  # 2^53 + 1 has 16 digits and is no double
        ("0.1234567890123456789", ".", False),
        ("0,1234567890123456789", ",", False),
        ("0,1000000000000000000000", ",", True),
        ("+0000000000000000000005.0", ".", True),
        ("5.00000000000000000000000000001", ".", False),
        ("1e-99999999999999999999", ".", False),  # 0 to a double, and beyond what decimals hold
        ("                    5                    ", ".", True),
    ],
)
def test_digits_that_a_double_does_not_hold_are_told(cell: str, decimal: str, exact: bool) -> None:
    cells = pa.array(["1", cell, "2"])
    found = inexact(cells, numbers(cells, decimal), decimal)
    assert found.tolist() == ([] if exact else [1])


@given(st.text("0123456789", min_size=1, max_size=25), st.text("0123456789", max_size=25))
def test_what_is_called_exact_is_exact(whole: str, part: str) -> None:
    cell = f"{whole}.{part}"
    value = float(cell)
    told = inexact(pa.array([cell]), np.array([value]), ".").tolist() == [0]
    assert told == (Decimal(repr(value)) != Decimal(cell))
