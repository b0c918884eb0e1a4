"""Errors planted in raw tables: the digits that the table has, and not a byte elsewhere."""

from __future__ import annotations

from decimal import Decimal
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.errors import InputError
from qc.injection import ALL, Plant, Style, TableText, inject, places
from qc.read.tables import read_tables
from qc.station import Station, load, parse
from tests.external.test_open_stations import FILES
from tests.shared import shared

STATION = """
[station]
id = "comma"
latitude = 54.6
longitude = -2.9
elevation = 310.0
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "t"
interval = "10min"
stamps = "end"
[[table.layout]]
names = ["Tid", "T"]
decimal = ","
missing = ["", "-99"]
time = { columns = ["Tid"], format = "%d.%m.%Y %H:%M" }
[[channel]]
name = "t"
quantity = "air_temperature"
column = "T"
unit = "degC"
statistic = "mean"
resolution = 0.1
range = [-40.0, 60.0]
[[channel]]
name = "rh"
quantity = "relative_humidity"
column = "RH"
unit = "%"
statistic = "sample"
[[channel]]
name = "p"
quantity = "air_pressure"
column = "P"
unit = "hPa"
resolution = [[1000.0, 0.1], [2000.0, 1.0]]
[[channel]]
name = "wd"
quantity = "wind_direction"
column = "WD"
unit = "degree"
[[channel]]
name = "ws"
quantity = "wind_speed"
column = "WS"
unit = "km/h"
[[channel]]
name = "rain"
quantity = "precipitation"
column = "R"
unit = "mm"
resolution = 0.254
"""
# Latin-1 degree sign, quotation marks, blanks, both line ends, a marker, no line end at the end
TABLE = (
    b'"Tid";"T";"RH";"P";"WD";"WS";"R";"\xb0"\r\n'
    b'01.05.2026 00:10;10,4;88,25;999,6;350;3,6;0;"a ; b"\r\n'
    b"01.05.2026 00:20; 10,6 ;88,5;999,8;355;7,2;,254;x\n"
    b'01.05.2026 00:30;"10,5";88;1001,0;2;1,1;,508;x\n'
    b"01.05.2026 00:40;-99;88,75;1002,0;4;,5;0;x\r\n"
    b"01.05.2026 00:50;10,0;97,5;1001,0;9;2,2;0;x\n"
    b"01.05.2026 01:00;9,9;98,25;1000,0;10;2,5;0;x"
)


def station() -> Station:
    return parse(STATION.encode())


def table() -> TableText:
    return TableText(TABLE, station())


def differing(a: bytes, b: bytes) -> list[int]:
    """Lines, from 1, that differ."""
    one, two = a.split(b"\n"), b.split(b"\n")
    assert len(one) == len(two)
    return [n for n, (x, y) in enumerate(zip(one, two, strict=True), 1) if x != y]


CASES = [
    # what, plant, lines, cells before, cells after
    ("tenths", Plant("value", "t", 0, size=3.0), (2,), ("10,4",), ("13,4",)),
    ("blanks around stay", Plant("value", "t", 1, size=-0.6), (3,), ("10,6",), ("10,0",)),
    ("within quotation marks", Plant("value", "t", 2, size=0.04), (4,), ("10,5",), ("10,5",)),
    ("below zero", Plant("value", "t", 0, size=-12.0), (2,), ("10,4",), ("-1,6",)),
    ("the sensor's range, upper end", Plant("value", "t", 0, size=60.0), (2,), ("10,4",), ("60,0",)),
    ("the sensor's range, lower end", Plant("value", "t", 0, size=-60.0), (2,), ("10,4",), ("-40,0",)),
    ("a mean shows its share", Plant("value", "t", 0, size=12.0, lasts_s=60.0), (2,), ("10,4",), ("11,6",)),
    ("a sample shows all of it", Plant("value", "rh", 0, size=-12.0, lasts_s=60.0), (2,), ("88,25",), ("76,25",)),
    ("100 % and no more", Plant("value", "rh", 0, size=20.0), (2,), ("88,25",), ("100",)),
    ("no humidity below 0", Plant("value", "rh", 0, size=-90.0), (2,), ("88,25",), ("0",)),
    ("finer below 1000 hPa", Plant("value", "p", 0, size=0.3), (2,), ("999,6",), ("999,9",)),
    ("whole hPa above", Plant("value", "p", 0, size=1.7), (2,), ("999,6",), ("1001,0",)),
    ("north is crossed", Plant("value", "wd", 0, size=30.0), (2,), ("350",), ("20",)),
    ("and the other way", Plant("value", "wd", 2, size=-30.0), (4,), ("2",), ("332",)),
    ("no wind below 0", Plant("value", "ws", 0, size=-10.0), (2,), ("3,6",), ("0,0",)),
    ("a bare comma", Plant("value", "ws", 2, size=-0.4), (4,), ("1,1",), (",7",)),
    ("whole tips", Plant("value", "rain", 0, size=0.5), (2,), ("0",), (",508",)),
    ("a run leaves markers alone", Plant("run", "t", 2, 3, size=1.0), (4, 6), ("10,5", "10,0"), ("11,5", "11,0")),
    ("a step", Plant("step", "rh", 3, 3, size=-5.0), (5, 6, 7), ("88,75", "97,5", "98,25"), ("83,75", "92,5", "93,25")),
    ("a drift", Plant("drift", "rh", 3, 2, size=-5.0), (5, 6), ("88,75", "97,5"), ("86,25", "92,5")),
    ("stuck at the cell before", Plant("stuck", "p", 3, 2), (5, 6), ("1002,0", "1001,0"), ("1001,0", "1001,0")),
    ("stuck after a marker", Plant("stuck", "t", 4, 2), (6, 7), ("10,0", "9,9"), ("10,5", "10,5")),
    ("last digits lost", Plant("clipped", "p", 2, digits=3), (4,), ("1001,0",), ("100",)),
    ("first digits lost", Plant("clipped", "p", 2, digits=-3), (4,), ("1001,0",), ("1,0",)),
    ("rows swapped", Plant("swap", "wd", 0, 4), (2, 6), ("350", "9"), ("9", "350")),
    ("a marker nobody declared", Plant("marker", "t", 0, text="-9999"), (2,), ("10,4",), ("-9999",)),
]  # fmt: skip


@pytest.mark.parametrize(("plant", "lines", "was", "now"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_cells(plant: Plant, lines: tuple[int, ...], was: tuple[str, ...], now: tuple[str, ...]) -> None:
    """The cell keeps the table's form; the rest of the file its bytes; the truth says what was done."""
    raw, (truth,) = inject(table(), [plant])
    assert (truth.line, truth.was, truth.now) == (lines, was, now)
    assert set(differing(TABLE, raw)) <= set(lines)
    for line, a, b in zip(lines, was, now, strict=True):
        before, after = TABLE.split(b"\n")[line - 1], raw.split(b"\n")[line - 1]
        ends = [at for at in range(len(before)) if before[at:].startswith(a.encode())]
        assert after in {before[:at] + b.encode() + before[at + len(a) :] for at in ends}


@pytest.mark.parametrize(("plant",), [(c[1],) for c in CASES], ids=[c[0] for c in CASES])
def test_reading_gives_the_planted_values(plant: Plant, tmp_path) -> None:  # type: ignore[no-untyped-def]
    """What the truth calls the size is the difference that reading sees; nothing else changes."""
    raw, (truth,) = inject(table(), [plant])
    a, b = TableText(TABLE, station()), TableText(raw, station())
    for channel in (c.name for c in station().channel):
        change = b.values(channel) - a.values(channel)
        planted = np.zeros(len(change))
        if channel == truth.channel:
            planted[list(truth.row)] = truth.size
        same = np.isfinite(a.values(channel)) & ~np.isnan(planted)
        np.testing.assert_allclose(change[same], planted[same], atol=1e-9)
    (tmp_path / "a.csv").write_bytes(raw)
    record, refused = read_tables(station(), [tmp_path / "a.csv"])
    assert not refused
    assert record.tables["t"].rows == 6


def test_swap_of_whole_rows_keeps_stamps() -> None:
    raw, truth = inject(table(), [Plant("swap", ALL, 1, 4)])
    a, b = TableText(TABLE, station()), TableText(raw, station())
    assert {p.channel for p in truth} == {"t", "rh", "p", "wd", "ws", "rain"}
    for channel in ("t", "rh", "p", "wd", "ws", "rain"):
        assert (b.stamps(channel) == a.stamps(channel)).all()
        assert b.values(channel)[[1, 5]].tolist() == a.values(channel)[[5, 1]].tolist()


def test_nothing_planted_is_the_file() -> None:
    assert inject(table(), [])[0] == TABLE


def test_truth_holds_stamps_of_the_logger_clock() -> None:
    _, (truth,) = inject(table(), [Plant("value", "t", 1, size=1.0)])
    assert truth.stamp.tolist() == np.array(["2026-05-01T00:20"], "datetime64[us]").tolist()


@pytest.mark.parametrize(
    "plants",
    [
        [Plant("value", "t", 6)], [Plant("run", "t", 4, 3)], [Plant("stuck", "t", 0, 2)], [Plant("swap", "t", 3, 3)],
        [Plant("value", "t", 1, size=1.0), Plant("run", "t", 0, 2, size=1.0)], [Plant("value", ALL, 1)],
    ],
    ids=["beyond the end", "run beyond the end", "stuck at nothing", "swap beyond the end", "one cell twice", "all"],
)  # fmt: skip
def test_refused(plants: list[Plant]) -> None:
    with pytest.raises(ValueError, match=r"cannot be planted|two errors want|swapped whole"):
        inject(table(), plants)


def test_utf16_is_refused() -> None:
    with pytest.raises(InputError, match="UTF-16"):
        TableText(TABLE.decode("latin-1").encode("utf-16"), station())


STYLES = [
    # cells of a column, number, as the column would print it
    ((["3.451", "70.37", "101.2"]), "9.8765", "9.876"),
    ((["3.451", "70.37", "101.2"]), "1234.5", "1234"),
    ((["10.40", "9.05"]), "10.4", "10.40"),
    ((["10.4", "9.05"]), "10.4", "10.4"),
    ((["1020.0", "999.5"]), "1020", "1020.0"),
    ((["12", "345"]), "7.5", "8"),
    ((["9.95", "3.20"]), "9.999", "10.00"),
    ((["0.5", "-3.5"]), "-0.04", "0.0"),
]


@pytest.mark.parametrize(("cells", "number", "text"), STYLES)
def test_style(cells: list[str], number: str, text: str) -> None:
    assert Style.of(cells, ".").text(Decimal(number)) == text


def test_style_needs_a_number() -> None:
    with pytest.raises(ValueError, match="no number"):
        Style.of([], ".")


@given(st.integers(1, 5000), st.integers(1, 60), st.integers(0, 2**31))
def test_places_are_apart_and_the_same_again(each: int, count: int, seed: int) -> None:
    """Half an equal stretch lies between two of them, less the rounding."""
    rows = each * count
    found = places(rows, count, seed)
    assert found == places(rows, count, seed)
    assert len(found) == count
    assert all(0 <= row < rows for row in found)
    assert all(b - a >= each // 2 - 1 for a, b in pairwise(found))


@pytest.mark.parametrize("name", FILES)
def test_style_prints_every_cell_of_real_tables(name: str) -> None:
    """What a real column holds comes out letter by letter."""
    made = load(shared(f"expected/{name}.toml"))
    text = TableText(sorted(shared().glob(FILES[name]))[-1].read_bytes(), made)
    tried = 0
    for channel in made.channel:
        rows = np.flatnonzero(np.isfinite(text.values(channel.name)))[::97].tolist()
        for row in (r for r in rows if text.cell(channel.name, r) != "-0.0"):  # it is read as 0
            cell, style = text.cell(channel.name, row), text.style(channel.name)
            assert style.text(Decimal(cell.replace(style.decimal, "."))) == cell
            start, stop = text.place(channel.name, row)
            assert text.raw[start:stop] == cell.encode()
            tried += 1
    assert tried > 400
