"""The flagged table: its columns, what stood in the cells, gaps, and that other readers read it back."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc import run
from qc.verdicts import MISSING
from qc.write import flagged
from tests.write.runs import ROWS, STATION, checked

HEAD = "time," + ",".join(f"{n},{n}_verdict,{n}_checks,{n}_read" for n in ("t", "tf", "wd", "rain", "word"))


@pytest.fixture(scope="module")
def text(tmp_path_factory: pytest.TempPathFactory) -> str:
    where = tmp_path_factory.mktemp("flagged")
    run.write(checked(where / "in"), where / "out")
    return (where / "out" / "moor.ten.flagged.csv").read_bytes().decode("utf-8")


@pytest.fixture(scope="module")
def cells(text: str) -> dict[str, list[str]]:
    """Columns as Python's csv module reads them."""
    head, *rows = csv.reader(io.StringIO(text, newline=""))
    assert all(len(row) == len(head) for row in rows)
    return {name: [row[n] for row in rows] for n, name in enumerate(head)}


def test_columns_depend_on_the_station_file_alone(text: str, tmp_path: Path) -> None:
    assert text.split("\n", 1)[0] == HEAD
    run.write(checked(tmp_path / "in", "time,t\n2026-06-21T12:10,20.3\n"), tmp_path / "out")
    other = (tmp_path / "out" / "moor.ten.flagged.csv").read_text("utf-8")
    assert other.split("\n", 1)[0] == HEAD


def test_a_row_for_each_stamp_in_order(cells: dict[str, list[str]]) -> None:
    minutes = ["12:10", "12:20", "12:30", "12:40", "13:10", "13:20", "13:30"]
    assert cells["time"] == [f"2026-06-21T{m}:00Z" for m in minutes]


def test_values_in_the_unit_of_the_quantity(cells: dict[str, list[str]]) -> None:
    assert cells["t"] == ["20.3", "20.4", "", "", "99", "20.7", "20.4"]
    assert cells["tf"] == ["20", "20.5", "21", "21.5", "22", cells["tf"][5], "22.5"]
    assert float(cells["tf"][5]) == pytest.approx(40.0 / 1.8)
    assert cells["wd"][:2] == ["12.5", "1.5"]  # to true north, 359 + 2.5 is 1.5
    # amounts of 0.2 mm; the counter was reset to 2 at 12:40, and nothing is known of the half hour before 13:10
    assert cells["rain"] == ["", "0.6", "0", "0.4", "", "0.4", "0"]


def test_what_stood_in_the_cells(cells: dict[str, list[str]]) -> None:
    """Cells are carried where the value is not, digit for digit, the cell: unit, north, counter, marker, unreadable."""
    assert cells["t_read"] == ["", "", "NAN", "1x2", "", "", ""]
    assert cells["tf_read"] == ["68.0", "68.9", "69.8", "70.7", "71.6", "72.0", "72.5"]
    assert cells["wd_read"] == ["10.0", "359.0", "350.0", "NAN", "5.0", "4.0", "4.0"]
    assert cells["rain_read"] == ["100", "103", "103", "2", "3", "5", "5"]
    assert cells["word_read"] == ["ok", "door, open", 'said "no", twice', "'=1+1", "", "", ""]


def test_verdicts_and_checks(cells: dict[str, list[str]]) -> None:
    assert cells["t_verdict"][2:5] == ["7", "7", "3"]
    assert cells["t_checks"][2:4] == ["marker", "unreadable"]
    assert "range" in cells["t_checks"][4].split(";")
    assert cells["t_verdict"][5] == "1"
    assert cells["t_checks"][5] == "timing"
    assert cells["t_verdict"][0] == "0"
    assert cells["t_checks"][0] == ""


def test_a_number_with_more_digits_than_a_double_keeps_its_cell(tmp_path: Path) -> None:
    rows = "time,t\n2026-06-21T12:10,20.00000000000000001\n2026-06-21T12:20,20.1\n"
    frame = checked(tmp_path, rows).flagged["ten"]
    assert frame["t"].tolist() == [20.0, 20.1]
    assert frame["t_read"].iloc[0] == "20.00000000000000001"
    assert frame["t_read"].isna().tolist() == [False, True]


def test_conflicts_stand_beside(tmp_path: Path) -> None:
    run.write(checked(tmp_path / "in"), tmp_path / "out")
    text = (tmp_path / "out" / "moor.ten.conflicts.csv").read_text("utf-8")
    head, row = csv.reader(io.StringIO(text, newline=""))
    found = dict(zip(head, row, strict=True))
    assert found["time"] == "2026-06-21T13:20:00Z"
    assert found["t"] == "20"  # the row with more values stands
    assert not [name for name in head if name.endswith(("_verdict", "_checks"))]


def test_never_nan(text: str) -> None:
    assert ",nan" not in text
    assert ",NaN" not in text
    assert ",None" not in text
    assert ",null" not in text
    assert ",inf" not in text


def test_pandas_reads_it_back(text: str, tmp_path: Path) -> None:
    frame = pd.read_csv(io.StringIO(text), parse_dates=["time"], dtype={"word_read": str, "t_read": str})
    result = checked(tmp_path)
    record = result.checked.tables["ten"].record
    for name, channel in record.channels.items():
        np.testing.assert_array_equal(frame[name].to_numpy(float), channel.values)
        assert frame[f"{name}_verdict"].tolist() == result.checked.tables["ten"].codes[name].tolist()
    assert frame["time"].dt.tz_localize(None).to_numpy("M8[us]").tolist() == record.time.tolist()
    assert frame["word_read"].tolist()[1:3] == ["door, open", 'said "no", twice']


def test_gaps_are_filled_when_asked(tmp_path: Path) -> None:
    result = checked(tmp_path / "in")
    document = run.write(result, tmp_path / "out", fill_gaps=True)
    text = (tmp_path / "out" / "moor.ten.flagged.csv").read_bytes().decode("utf-8")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    assert [r["time"][11:16] for r in rows][3:7] == ["12:40", "12:50", "13:00", "13:10"]
    for row in rows[4:6]:
        assert {row[f"{n}_verdict"] for n in ("t", "tf", "wd", "rain", "word")} == {str(MISSING)}
        assert {row[f"{n}_checks"] for n in ("t", "tf", "wd", "rain", "word")} == {"gap"}
        assert not any(row[n] or row[f"{n}_read"] for n in ("t", "tf", "wd", "rain", "word"))
    assert len(rows) == 9 == document["tables"]["ten"]["expected_rows"]


def test_gaps_are_not_filled_unasked(cells: dict[str, list[str]]) -> None:
    assert len(cells["time"]) == 7


TEXTS = st.lists(
    st.one_of(st.none(), st.text(st.characters(codec="utf-8", exclude_characters="\x00"), max_size=8)),
    min_size=1,
    max_size=12,
)


@given(TEXTS)
def test_any_cell_comes_back_through_csv(cells: list[str | None]) -> None:
    """But for line ends, which must not break a row, and the two signs that stand in for commas and quotes."""
    column = pa.array(cells, pa.string())
    table = pa.table({"time": stampless(len(cells)), "x": pa.nulls(len(cells), pa.float64()), "x_read": column})
    text = b"".join(flagged.csv_pieces(table)).decode("utf-8")
    _, *rows = csv.reader(io.StringIO(text, newline=""))
    dots = str.maketrans(dict.fromkeys("\r\n\x1e\x1f", "·"))
    assert [row[2] for row in rows] == [(c or "").translate(dots) for c in cells]


def stampless(rows: int) -> pa.Array:
    return pa.array([f"2026-01-01T00:00:{n:02}Z" for n in range(rows)])


def test_a_null_hides_nothing() -> None:
    """Arrow may keep bytes under a null; a decimal comma there once stopped the writer."""
    import pyarrow.compute as pc

    cells = pc.if_else(pa.array([True, False]), pa.array(["12#4", "8,49"]), pa.scalar(None, pa.string()))
    table = pa.table({"time": stampless(2), "x_read": cells})
    assert b"".join(flagged.csv_pieces(table)).decode().splitlines()[1:] == [
        "2026-01-01T00:00:00Z,12#4",
        "2026-01-01T00:00:01Z,",
    ]


def test_pieces_of_rows_join_to_the_same_bytes(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The writer cuts a table in pieces of many rows; where it cuts changes nothing."""
    table = flagged.flagged(checked(tmp_path, ROWS).checked.tables["ten"])
    whole = b"".join(flagged.csv_pieces(table))
    for size in (1, 2, 3, 5):
        monkeypatch.setattr(flagged, "_ROWS", size)
        assert b"".join(flagged.csv_pieces(table)) == whole


@pytest.mark.parametrize(
    ("first", "last", "expected"),
    [
        ("12:45", "13:20", "12:50 13:00 13:10 13:20"),
        ("12:40", "13:00", "12:40 12:50 13:00"),
        ("13:10", "14:00", "13:10 13:20 13:30 13:40 13:50 14:00"),
        ("11:55", "12:20", "12:00 12:10 12:20"),
    ],
)
def test_gaps_are_filled_from_and_to_the_period(tmp_path: Path, first: str, last: str, expected: str) -> None:
    """As `expected_rows` counts: a gap may begin before the period or end after it."""
    period = {"first": f"2026-06-21T{first}", "last": f"2026-06-21T{last}"}
    result = checked(tmp_path, **period)
    table = flagged.flagged(result.checked.tables["ten"], fill_gaps=True)
    assert " ".join(t[11:16] for t in table.column("time").to_pylist()) == expected
    assert table.num_rows == result.summary()["tables"]["ten"]["expected_rows"]


def test_filled_stamps_lie_on_the_grid(tmp_path: Path) -> None:
    """A row off the grid before a gap does not shift the stamps that are filled in."""
    rows = "time,t\n2026-06-21T12:10,20.0\n2026-06-21T12:13,20.0\n2026-06-21T12:40,20.0\n"
    table = flagged.flagged(checked(tmp_path, rows).checked.tables["ten"], fill_gaps=True)
    assert [t[11:16] for t in table.column("time").to_pylist()] == ["12:10", "12:13", "12:20", "12:30", "12:40"]


def test_filled_stamps_lie_on_the_grid_of_the_logger_clock(tmp_path: Path) -> None:
    """A clock 3 minutes ahead: its 12:10 is 12:07 UTC."""
    text = STATION.replace('utc_offset = "+00:00"', 'utc_offset = "+00:00"\nminutes_ahead = 3.0')
    rows = "time,t\n2026-06-21T12:10,20.0\n2026-06-21T12:40,20.0\n"
    table = flagged.flagged(checked(tmp_path, rows, text).checked.tables["ten"], fill_gaps=True)
    assert [t[11:16] for t in table.column("time").to_pylist()] == ["12:07", "12:17", "12:27", "12:37"]


def test_a_slice_is_written_though_commas_lie_beyond_it() -> None:
    """pyarrow looks at all that a column holds, also under a null and beyond a slice, and refuses a comma there."""
    text, ends = b"1,51,6", np.array([0, 3, 6], np.int32)
    cells = pa.StringArray.from_buffers(2, pa.py_buffer(ends), pa.py_buffer(text), pa.py_buffer(b"\x02"))
    assert cells.to_pylist() == [None, "1,6"]
    table = pa.table({"time": pa.array(["a", "b"]), "t_read": cells})
    assert b"".join(flagged.csv_pieces(table.slice(0, 1))) == b"time,t_read\na,\n"
    assert b"".join(flagged.csv_pieces(table)) == b'time,t_read\na,\nb,"1,6"\n'
