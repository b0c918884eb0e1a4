"""Files to one record: merging, clock, units, counters, selection."""

from __future__ import annotations

import itertools
import random
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from qc.errors import FairvaneError, InputError, RefusedFile
from qc.read.numbers import ABSENT, MARKER, TEXT, UNREADABLE, VALUE
from qc.read.tables import EVENT_COUNTER_S, counter_reach_s, read_station_tables, read_tables
from qc.record import Record, TableRecord
from qc.station import Station
from tests.read import make

HEAD = "Time,T,RH\n"


def stamps(table: TableRecord) -> list[str]:
    """Times without their date and seconds where these are nought."""
    return [str(t)[5:16] for t in table.time]


def plain(record: Record) -> dict[str, Any]:
    """All that a record holds but the accounts, for comparison."""

    def one(table: TableRecord) -> dict[str, Any]:
        channels = {}
        for name, channel in table.channels.items():
            cells = [None] * table.rows if channel.cells is None else channel.cells.to_pylist()
            state = np.zeros(table.rows, np.uint8) if channel.state is None else channel.state
            channels[name] = (channel.values.tobytes(), cells, state.tolist())
        rest = (table.time.tolist(), table.off_grid_s.tolist(), table.conflicting.tolist(), table.unsettled.tolist())
        return {
            "channels": channels,
            "rest": rest,
            "conflicts": None if table.conflicts is None else one(table.conflicts),
        }

    return {name: one(table) for name, table in record.tables.items()}


def ten(record: Record) -> TableRecord:
    return record.tables["ten"]


# ---- repeated rows and conflicts


def test_rows_repeated_over_files_are_kept_once(tmp_path: Path) -> None:
    rows = [f"2021-01-01 00:{i}0,{i},5{i}\n" for i in range(6)]
    record, _ = make.read(make.station(), tmp_path, HEAD + "".join(rows[:4]), HEAD + "".join(rows[2:]))
    assert ten(record).rows == 6
    assert [(f.kept, f.repeated) for f in record.files] == [(4, 0), (2, 2)]
    assert not ten(record).conflicting.any()


def test_a_file_given_twice_counts_twice_and_its_rows_once(tmp_path: Path) -> None:
    (tmp_path / "a.csv").write_text(HEAD + "2021-01-01 00:00,1,2\n")
    record, _ = read_tables(make.station(), [tmp_path / "a.csv"] * 2)
    assert [(f.lines, f.kept, f.repeated) for f in record.files] == [(2, 1, 0), (2, 0, 1)]


@pytest.mark.parametrize(
    ("cells", "stands"),
    [
        (["1,50", "2,50"], "1,50"),
        (["2,50", "1,51", "1,52"], "1,51"),
        (["1,", "2,50"], "2,50"),  # more values first
        ([",NAN", ",50"], ",50"),
        (["-1,50", "1,50", "0,50"], "-1,50"),
    ],
)
def test_of_rows_in_conflict_one_stands_by_the_values_alone(tmp_path: Path, cells: list[str], stands: str) -> None:
    t, rh = (float(x) if x else np.nan for x in stands.split(","))
    for order in itertools.permutations(cells):
        text = HEAD + "".join(f"2021-01-01 00:00,{cell}\n" for cell in order)
        record, _ = make.read(make.station(), tmp_path, text)
        table = ten(record)
        assert table.rows == 1
        np.testing.assert_array_equal([table.channels["t"].values[0], table.channels["rh"].values[0]], [t, rh])
        assert table.conflicting.tolist() == [True]
        assert table.conflicts is not None
        assert table.conflicts.rows == len(cells) - 1
        assert record.files[0].kept == len(cells)


ROWS = [
    f"2021-01-01 00:{i}0,{v},{h}"
    for i in range(4)
    for v, h in [("1", "50"), ("1.0", "50"), ("2", ""), ("-0.0", "NAN"), ("0", "ERR")]
]
ROWS += [
    "2021-01-01 01:00,0.1234567890123456789,5",
    "2021-01-01 01:00,0.1234567890123456788,5",
    "2021-01-01 01:00,0.123456789012345678,5",
]


@pytest.mark.parametrize("seed", range(6))
def test_no_order_of_files_or_lines_matters(tmp_path: Path, seed: int) -> None:
    random_ = random.Random(seed)
    expected = plain(make.read(make.station(), tmp_path, HEAD + "\n".join(ROWS))[0])
    rows = ROWS * 2
    random_.shuffle(rows)
    parts = [rows[i::3] for i in range(3)]
    record, _ = make.read(make.station(), tmp_path, *(HEAD + "\n".join(part) + "\n" for part in parts))
    assert plain(record) == expected
    assert sum(f.kept for f in record.files) == 4 * 3 + 1  # NAN and ERR are both no value
    again, _ = read_tables(make.station(), [tmp_path / f"file-{i}.csv" for i in (2, 0, 1)])
    assert plain(again) == expected


def test_minus_zero_is_zero(tmp_path: Path) -> None:
    for text in ("-0.0,50\n2021-01-01 00:00,0,50", "0,50\n2021-01-01 00:00,-0.0,50", "-0.0,50"):
        record, _ = make.read(make.station(), tmp_path, f"{HEAD}2021-01-01 00:00,{text}\n")
        assert not np.signbit(ten(record).channels["t"].values).any()
        assert ten(record).conflicts is not None
        assert ten(record).conflicts.rows == 0


def test_which_cell_is_shown_of_rows_that_are_repeated(tmp_path: Path) -> None:
    for first, second in (("NAN", ""), ("", "NAN")):
        text = f"{HEAD}2021-01-01 00:00,{first},50\n2021-01-01 00:00,{second},50\n"
        record, _ = make.read(make.station(), tmp_path, text)
        cells = ten(record).channels["t"].cells
        assert cells is not None
        assert cells.to_pylist() == [""]


def test_the_state_decides_where_cells_are_the_same(tmp_path: Path) -> None:
    # one layout calls x a marker, the other cannot read it
    layouts = [make.layout(missing=["", "x"]), make.layout(["Stamp", "T"], time=["Stamp"])]
    station = make.station([make.table(*layouts)])
    texts = ["Time,T\n2021-01-01 00:00,x\n", "Stamp,T\n2021-01-01 00:00,x\n"]
    found = [plain(make.read(station, tmp_path, *order)[0]) for order in (texts, texts[::-1])]
    assert found[0] == found[1]


def test_text_of_other_channels_makes_rows_differ(tmp_path: Path) -> None:
    station = make.station(channels=[make.channel("t", "T"), make.channel("fan", "Fan", "other")])
    text = "Time,T,Fan\n2021-01-01 00:00,1,ON\n2021-01-01 00:00,1,OFF\n2021-01-01 00:00,1,ON\n"
    record, _ = make.read(station, tmp_path, text)
    fan = ten(record).channels["fan"]
    assert fan.cells is not None
    assert (fan.cells.to_pylist(), fan.where(TEXT).tolist()) == (["OFF"], [True])
    assert (record.files[0].kept, record.files[0].repeated) == (2, 1)


def test_cells_that_are_not_digit_for_digit_their_values_are_kept(tmp_path: Path) -> None:
    text = HEAD + "2021-01-01 00:00,1.50,1e309\n2021-01-01 00:10,ERR,NAN\n2021-01-01 00:20,0.12345678901234567890,\n"
    channels = ten(make.read(make.station(), tmp_path, text)[0]).channels
    t, rh = channels["t"], channels["rh"]
    assert t.cells is not None
    assert rh.cells is not None
    assert t.cells.to_pylist() == [None, "ERR", "0.12345678901234567890"]
    assert rh.cells.to_pylist() == ["1e309", "NAN", ""]
    assert t.state is not None
    assert rh.state is not None
    assert t.state.tolist() == [VALUE, UNREADABLE, VALUE]
    assert rh.state.tolist() == [UNREADABLE, MARKER, MARKER]
    assert t.values[2] == 0.1234567890123456789


def test_long_cells_in_a_column_of_numbers_are_kept(tmp_path: Path) -> None:
    text = "Time,T\n2021-01-01 00:00,1.5\n2021-01-01 00:10,9007199254740993\n2021-01-01 00:20,0.12198487966471128\n"
    t = ten(make.read(make.station(), tmp_path, text)[0]).channels["t"]
    assert t.cells is not None
    assert t.cells.to_pylist() == [None, "9007199254740993", None]
    assert t.state is None


# ---- layouts and tables


def test_layouts_that_overlap(tmp_path: Path) -> None:
    layouts = [
        make.layout(),
        make.layout(["Zeit", "T"], "%d.%m.%Y %H:%M", time=["Zeit"], decimal=",", missing=["", "-999,9"]),
    ]
    station = make.station([make.table(*layouts)])
    first = HEAD + "2021-01-01 00:00,1.5,50\n2021-01-01 00:10,2.5,51\n"
    second = "Zeit;T\n01.01.2021 00:10;2,5\n01.01.2021 00:20;-999,9\n01.01.2021 00:30;3,5\n"
    for order in ([first, second], [second, first]):
        table = ten(make.read(station, tmp_path, *order)[0])
        assert stamps(table) == ["01-01T00:00", "01-01T00:10", "01-01T00:20", "01-01T00:30"]
        np.testing.assert_array_equal(table.channels["t"].values, [1.5, 2.5, np.nan, 3.5])
        # at 00:10 the row with more values stands; the other lacks the humidity
        np.testing.assert_array_equal(table.channels["rh"].values, [50, 51, np.nan, np.nan])
        assert table.channels["rh"].where(ABSENT).tolist() == [False, False, True, True]
        assert table.conflicting.tolist() == [False, True, False, False]


def test_several_tables(tmp_path: Path) -> None:
    hour = make.table(make.layout(["Stamp", "P"], time=["Stamp"]), id="hour", interval="1h")
    channels = [make.channel("t", "T", table="ten"), make.channel("p", "P", "air_pressure", table="hour")]
    station = make.station(
        [make.table(), hour, make.table(make.layout(["Day"], time=["Day"]), id="day", interval="1d")], channels
    )
    record, _ = make.read(station, tmp_path, HEAD + "2021-01-01 00:10,1,2\n", "Stamp,P\n2021-01-01 01:00,990\n")
    assert {name: list(t.channels) for name, t in record.tables.items()} == {"ten": ["t"], "hour": ["p"]}
    assert [f.table for f in record.files] == ["ten", "hour"]
    assert record.absent == ()


def test_tables_that_select_tells_apart_share_a_names_row_and_each_has_its_own_format(tmp_path: Path) -> None:
    tables = [
        make.table(make.layout(), select={"column": "kind", "equals": "10"}),
        make.table(
            make.layout(format="%d/%m/%Y %H:%M", missing=["-1"]),
            id="hour",
            interval="1h",
            select={"column": "kind", "equals": "60"},
        ),
    ]
    channels = [make.channel("t", "T", table="ten"), make.channel("t_hour", "T", table="hour", missing=[])]
    text = "kind,Time,T\n10,2021-01-01 00:10,-1\n60,01/01/2021 01:00,-1\n60,2021-01-01 00:10,1\n99,x,y\n"
    text += "10,2021-01-01 00:20,2\n"
    record, _ = make.read(make.station(tables, channels), tmp_path, text)
    np.testing.assert_array_equal(record.tables["ten"].channels["t"].values, [-1, 2])
    np.testing.assert_array_equal(record.tables["hour"].channels["t_hour"].values, [np.nan])
    (file,) = record.files
    assert (file.table, file.kept, file.rejected, file.elsewhere, file.header) == ("ten;hour", 3, 1, 1, 1)
    assert "does not read as %d/%m/%Y" in record.rejects[0].reason


def test_a_row_that_two_tables_select_counts_once(tmp_path: Path) -> None:
    tables = [make.table(id=i, select={"column": "kind", "equals": "A"}) for i in ("ten", "also")]
    channels = [make.channel("t", "T", table="ten"), make.channel("u", "T", table="also")]
    record, _ = make.read(make.station(tables, channels), tmp_path, "kind,Time,T\nA,2021-01-01 00:10,1\n")
    assert list(record.tables) == ["ten"]
    assert (record.files[0].lines, record.files[0].kept) == (2, 1)


def test_absent_channels_are_named(tmp_path: Path) -> None:
    record, _ = make.read(make.station(), tmp_path, "Time,T\n2021-01-01 00:10,1\n")
    assert record.absent == ("rh",)
    assert ten(record).channels["rh"].where(ABSENT).all()


def test_select_by_position_and_trimmed(tmp_path: Path) -> None:
    station = make.station(
        [make.table(make.layout([], time=[2]), select={"column": 1, "equals": " A "})], [make.channel("t", 3)]
    )
    record, _ = make.read(
        station, tmp_path, "A,2021-01-01 00:00,1\nB,2021-01-01 00:00,2\n A ,2021-01-01 00:10,3\na,2021-01-01 00:10,4\n"
    )
    np.testing.assert_array_equal(ten(record).channels["t"].values, [1, 3])
    assert record.files[0].elsewhere == 2


def test_event_tables_have_no_grid(tmp_path: Path) -> None:
    station = make.station([make.table(make.layout(format="%Y-%m-%d %H:%M:%S"), interval=None)])
    record, _ = make.read(station, tmp_path, HEAD + "2021-01-01 00:00:07,1,2\n2021-01-01 00:03:59,1,2\n")
    assert ten(record).off_grid_s.tolist() == [0.0, 0.0]
    assert ten(record).interval_us is None


@pytest.mark.parametrize(
    ("stray", "second", "off"),
    [
        (None, 0, 0.0),
        (None, 1, 1.0),
        (None, 59, 59.0),
        ("30s", 30, 0.0),
        ("30s", 31, 31.0),
        ("30s", 570, 0.0),
        ("30s", 569, 31.0),
    ],
)
def test_stray_stamps(tmp_path: Path, stray: str | None, second: int, off: float) -> None:
    more = {} if stray is None else {"stray": stray}
    station = make.station([make.table(make.layout(format="%Y-%m-%d %H:%M:%S"), **more)])
    record, _ = make.read(station, tmp_path, f"{HEAD}2021-01-01 00:{second // 60:02}:{second % 60:02},1,2\n")
    assert ten(record).off_grid_s.tolist() == [off]


def test_the_grid_is_that_of_the_logger_clock(tmp_path: Path) -> None:
    station = make.station([make.table(interval="1h")], clock=[{"utc_offset": "+05:30", "minutes_ahead": 7.0}])
    record, _ = make.read(station, tmp_path, HEAD + "2021-01-01 06:00,1,2\n2021-01-01 07:30,1,2\n")
    assert ten(record).off_grid_s.tolist() == [0.0, 1800.0]
    assert stamps(ten(record)) == ["01-01T00:23", "01-01T01:53"]


# ---- units, north


@pytest.mark.parametrize(
    ("unit", "cell", "value"),
    [("degC", "20.5", 20.5), ("degF", "50", 10.0), ("K", "273.15", 0.0), ("degF", "-40", -40.0)],
)
def test_units(tmp_path: Path, unit: str, cell: str, value: float) -> None:
    station = make.station(channels=[make.channel("t", "T", unit=unit)])
    channel = ten(
        make.read(station, tmp_path, f"{HEAD}2021-01-01 00:00,{cell},\n2021-01-01 00:10,{cell},\n")[0]
    ).channels["t"]
    assert channel.values.tolist() == [value, value]
    if unit == "degC":
        assert channel.cells is None
    else:  # no longer digit for digit the cell
        assert channel.cells is not None
        assert channel.cells.to_pylist() == [cell, cell]


def test_deployments_may_change_the_unit(tmp_path: Path) -> None:
    moment = tomllib.loads("x = 2021-01-01T00:20:00Z")["x"]
    station = make.station(
        channels=[make.channel("t", "T", unit="degF", deployment=[{"from": moment, "unit": "degC"}])]
    )
    text = HEAD + "".join(f"2021-01-01 00:{i}0,50,\n" for i in range(4))
    channel = ten(make.read(station, tmp_path, text)[0]).channels["t"]
    assert channel.values.tolist() == [10.0, 10.0, 50.0, 50.0]  # the first row of the new one is at its very from
    assert channel.cells is not None
    assert channel.cells.to_pylist() == ["50"] * 4


@pytest.mark.parametrize(
    ("declination", "cell", "value"),
    [(2.5, "10", 12.5), (2.5, "359", 1.5), (-3.0, "1", 358.0), (2.0, "358", 0.0), (0.0, "360", 0.0)],
)
def test_magnetic_north(tmp_path: Path, declination: float, cell: str, value: float) -> None:
    wind = make.channel("wd", "T", "wind_direction", north="magnetic", declination=declination)
    channel = ten(make.read(make.station(channels=[wind]), tmp_path, f"{HEAD}2021-01-01 00:00,{cell},\n")[0]).channels[
        "wd"
    ]
    assert channel.values.tolist() == [value]
    assert channel.cells is not None
    assert channel.cells.to_pylist() == [cell]


# ---- counters

RAIN = [make.channel("rain", "T", "precipitation", statistic="counter")]


def increments(tmp_path: Path, cells: dict[str, str], **more: Any) -> tuple[list[float], list[int]]:
    station = make.station([make.table(**more)], RAIN)
    text = "Time,T\n" + "".join(f"2021-01-01 {time},{cell}\n" for time, cell in cells.items())
    channel = ten(make.read(station, tmp_path, text)[0]).channels["rain"]
    state = np.zeros(len(channel.values), np.uint8) if channel.state is None else channel.state
    assert channel.cells is not None
    assert channel.cells.to_pylist() == list(cells.values())
    return channel.values.tolist(), state.tolist()


NAN = float("nan")


@pytest.mark.parametrize(
    ("cells", "amounts", "states"),
    [
        ({"00:00": "12.2", "00:10": "12.4", "00:20": "12.4"}, [NAN, 0.2, 0.0], [ABSENT, VALUE, VALUE]),
        ({"00:00": "99.8", "00:10": "0.4", "00:20": "0.6"}, [NAN, 0.4, 0.2], [ABSENT, VALUE, VALUE]),  # a reset
        ({"00:00": "1", "00:20": "3", "00:30": "4"}, [NAN, NAN, 1.0], [ABSENT, ABSENT, VALUE]),  # a gap
        ({"00:00": "1", "00:10": "NAN", "00:20": "3"}, [NAN, NAN, NAN], [ABSENT, MARKER, ABSENT]),
        ({"00:00": "1", "00:10": "x", "00:20": "3"}, [NAN, NAN, NAN], [ABSENT, UNREADABLE, ABSENT]),
        ({"00:00": "1", "00:15": "3"}, [NAN, NAN], [ABSENT, ABSENT]),
    ],
)
def test_counters(tmp_path: Path, cells: dict[str, str], amounts: list[float], states: list[int]) -> None:
    found, state = increments(tmp_path, cells)
    np.testing.assert_array_equal(found, amounts)
    assert state == states


@pytest.mark.parametrize(("minute", "known"), [("09", True), ("11", True), ("08", False), ("12", False)])
def test_counters_of_loggers_that_stray(tmp_path: Path, minute: str, known: bool) -> None:
    found, _ = increments(tmp_path, {"00:00": "1", f"00:{minute}": "3"}, stray="30s")
    np.testing.assert_array_equal(found, [NAN, 2.0 if known else NAN])


def test_counters_of_events_look_back_a_day_and_no_more(tmp_path: Path) -> None:
    event = make.table(make.layout(format="%Y-%m-%d %H:%M"), interval=None)
    station = make.station([event], RAIN)
    text = "Time,T\n2021-01-01 00:00,1\n2021-01-01 00:03,1.2\n2021-01-02 00:03,1.4\n2021-01-03 00:04,1.6\n"
    np.testing.assert_array_equal(
        ten(make.read(station, tmp_path, text)[0]).channels["rain"].values, [NAN, 0.2, 0.2, NAN]
    )
    assert counter_reach_s(station.table[0]) == EVENT_COUNTER_S == 86400.0
    assert counter_reach_s(make.station([make.table(stray="30s")]).table[0]) == 660.0


def test_counters_of_rows_in_conflict_start_from_the_row_that_stands(tmp_path: Path) -> None:
    rows = ["00:00,10", "00:10,11", "00:10,13", "00:20,14", "00:20,15"]
    text = "Time,T\n" + "".join(f"2021-01-01 {row}\n" for row in rows)
    table = ten(make.read(make.station(channels=RAIN), tmp_path, text)[0])
    np.testing.assert_array_equal(table.channels["rain"].values, [NAN, 1.0, 3.0])
    assert table.conflicts is not None
    np.testing.assert_array_equal(table.conflicts.channels["rain"].values, [3.0, 4.0])


# ---- the clock


def test_clock_history(tmp_path: Path) -> None:
    moment = tomllib.loads("x = 2021-01-01T02:00:00Z")["x"]
    station = make.station(
        [make.table(interval="1h")], clock=[{"utc_offset": "+01:00"}, {"from": moment, "utc_offset": "+00:00"}]
    )
    text = HEAD + "2021-01-01 02:00,1,\n2021-01-01 02:59,2,\n2021-01-01 02:00,3,\n2021-01-01 03:00,4,\n"
    table = ten(make.read(station, tmp_path, text)[0])
    assert stamps(table) == ["01-01T01:00", "01-01T01:59", "01-01T02:00", "01-01T03:00"]
    assert table.channels["t"].values.tolist() == [1, 2, 3, 4]


@pytest.mark.parametrize(
    ("minutes", "expected"), [(0.0, "01-01T12:00"), (5.0, "01-01T11:55"), (-90.0, "01-01T13:30"), (0.5, "01-01T11:59")]
)
def test_minutes_ahead(tmp_path: Path, minutes: float, expected: str) -> None:
    for format, stamp, clock in (
        ("%Y-%m-%d %H:%M", "2021-01-01 13:00", {"utc_offset": "+01:00"}),
        ("%Y-%m-%dT%H:%M%z", "2021-01-01T14:00+02:00", {"utc_offset": "+01:00"}),  # the stamp tells its own zone
        ("%s", "1609502400", {"time_zone": "America/New_York"}),
    ):
        station = make.station([make.table(make.layout(format=format))], clock=[{**clock, "minutes_ahead": minutes}])
        record, _ = make.read(station, tmp_path, f"{HEAD}{stamp},1,2\n")
        assert stamps(ten(record)) == [expected]


def test_a_known_error_of_the_clock_that_was_mended(tmp_path: Path) -> None:
    moment = tomllib.loads("x = 2021-01-01T12:00:00Z")["x"]
    clock = [{"utc_offset": "+00:00", "minutes_ahead": 60.0}, {"from": moment, "utc_offset": "+00:00"}]
    station = make.station([make.table(make.layout(format="%Y-%m-%dT%H:%M%z"), interval="1h")], clock=clock)
    text = HEAD + "".join(
        f"2021-01-01T{hour}:{minute}Z,{i},\n"
        for i, (hour, minute) in enumerate([("12", "00"), ("12", "30"), ("12", "00"), ("12", "30"), ("13", "00")])
    )
    table = ten(make.read(station, tmp_path, text)[0])
    assert stamps(table) == ["01-01T11:00", "01-01T11:30", "01-01T12:00", "01-01T12:30", "01-01T13:00"]
    assert table.channels["t"].values.tolist() == [0, 1, 2, 3, 4]


LONDON = [{"time_zone": "Europe/London"}]
# summer time ended on 2021-10-31 at 01:00 UTC, when the clock went from 02:00 to 01:00
AUTUMN = ["00:50", "01:00", "01:30", "01:50", "01:00", "01:30", "01:50", "02:00"]
UTC = [
    "10-30T23:50",
    "10-31T00:00",
    "10-31T00:30",
    "10-31T00:50",
    "10-31T01:00",
    "10-31T01:30",
    "10-31T01:50",
    "10-31T02:00",
]


def autumn(order: list[int], counter: bool = False) -> str:
    return "Time,T,No\n" + "".join(f"2021-10-31 {AUTUMN[i]},{i},{i + 100 if counter else ''}\n" for i in order)


@pytest.mark.parametrize("order", [list(range(8)), list(range(8))[::-1]])
def test_the_autumn_hour_by_order(tmp_path: Path, order: list[int]) -> None:
    table = ten(make.read(make.station(clock=LONDON), tmp_path, autumn(order))[0])
    assert stamps(table) == UTC
    assert table.channels["t"].values.tolist() == list(range(8))
    assert not table.unsettled.any()


@pytest.mark.parametrize("order", [[0, 4, 1, 7, 5, 2, 6, 3], [7, 1, 4, 2, 6, 5, 3, 0]])
def test_the_autumn_hour_by_line_counter(tmp_path: Path, order: list[int]) -> None:
    station = make.station([make.table(line_counter="No")], clock=LONDON)
    table = ten(make.read(station, tmp_path, autumn(order, counter=True))[0])
    assert stamps(table) == UTC
    assert table.channels["t"].values.tolist() == list(range(8))
    assert not table.unsettled.any()


def test_the_autumn_hour_that_nothing_settles(tmp_path: Path) -> None:
    found = []
    for order in ([4, 1], [1, 4]):
        texts = [autumn([i]) for i in order]  # one row a file: neither counter nor order
        table = ten(make.read(make.station(clock=LONDON), tmp_path, *texts)[0])
        assert stamps(table) == ["10-31T00:00", "10-31T01:00"]
        assert table.unsettled.tolist() == [True, True]
        found.append(table.channels["t"].values.tolist())
    assert found == [[1.0, 4.0], [1.0, 4.0]]  # by the values alone


def test_an_unsettled_row_that_another_file_settles(tmp_path: Path) -> None:
    texts = [autumn(list(range(8))), autumn([5])]
    for order in (texts, texts[::-1]):
        record, _ = make.read(make.station(clock=LONDON), tmp_path, *order)
        table = ten(record)
        assert stamps(table) == UTC
        assert not table.unsettled.any()
        assert sorted((f.kept, f.repeated) for f in record.files) == [(0, 1), (8, 0)]


def test_an_unsettled_row_takes_the_place_that_is_free(tmp_path: Path) -> None:
    layouts = [make.layout(), make.layout(["Stamp", "T"], "%Y-%m-%d %H:%M %z", time=["Stamp"])]
    station = make.station([make.table(*layouts)], clock=LONDON)
    for zone, values in (("+01:00", [1, 7]), ("+00:00", [7, 1])):
        table = ten(
            make.read(
                station, tmp_path, autumn([7]), f"Stamp,T\n2021-10-31 01:00 {zone},1\n", "Time,T\n2021-10-31 01:00,7\n"
            )[0]
        )
        assert stamps(table) == ["10-31T00:00", "10-31T01:00", "10-31T02:00"]
        assert table.channels["t"].values.tolist() == [*values, 7]
        assert table.unsettled.tolist() == [value == 7 for value in values] + [False]
        assert table.conflicts is not None
        assert table.conflicts.rows == 0


def test_more_rows_than_an_hour_has_room_for_are_in_conflict(tmp_path: Path) -> None:
    texts = [f"Time,T\n2021-10-31 01:30,{value}\n" for value in (3, 1, 2)]
    for order in itertools.permutations(texts):
        table = ten(make.read(make.station(clock=LONDON), tmp_path, *order)[0])
        assert stamps(table) == ["10-31T00:30", "10-31T01:30"]
        assert table.channels["t"].values.tolist() == [1, 2]
        assert table.conflicts is not None
        assert table.conflicts.channels["t"].values.tolist() == [3]


def test_spring_rows_that_the_clock_never_showed_are_rejected(tmp_path: Path) -> None:
    # summer time began on 2021-03-28 at 01:00 UTC, when the clock went from 01:00 to 02:00
    text = HEAD + "".join(f"2021-03-28 {t},1,{i}\n" for i, t in enumerate(["00:50", "01:00", "01:50", "02:00"]))
    record, _ = make.read(make.station(clock=LONDON), tmp_path, text)
    assert stamps(ten(record)) == ["03-28T00:50", "03-28T01:00"]
    assert [(r.line, r.text) for r in record.rejects] == [(3, "2021-03-28 01:00,1,1"), (4, "2021-03-28 01:50,1,2")]
    assert all("never showed this time" in r.reason for r in record.rejects)
    (file,) = record.files
    assert (file.lines, file.header, file.kept, file.rejected) == (5, 1, 2, 2)


def test_a_file_of_such_rows_alone_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="line 2: the logger clock never showed this time"):
        make.read(make.station(clock=LONDON), tmp_path, HEAD + "2021-03-28 01:30,1,2\n")


def test_layouts_with_and_without_a_zone_in_one_file(tmp_path: Path) -> None:
    layouts = [make.layout(), make.layout(["Stamp", "T"], "%Y-%m-%d %H:%M %z", time=["Stamp"])]
    station = make.station([make.table(*layouts)], clock=[{"utc_offset": "+02:00"}])
    text = "Time,T\n2021-01-01 02:00,1\nStamp,T\n2021-01-01 05:10 +05:00,2\nTime,T\n2021-01-01 02:20,3\n"
    record, _ = make.read(station, tmp_path, text)
    assert stamps(ten(record)) == ["01-01T00:00", "01-01T00:10", "01-01T00:20"]
    assert ten(record).channels["t"].values.tolist() == [1, 2, 3]
    assert record.files[0].backward == 0


def test_rows_that_go_back_are_counted(tmp_path: Path) -> None:
    rows = [f"2021-01-01 00:{i}0,{i},\n" for i in range(6)]
    for order, backward in (
        ([0, 1, 2, 3, 4, 5], 0),
        ([5, 4, 3, 2, 1, 0], 5),
        ([3, 4, 5, 0, 1, 2], 1),
        ([0, 0, 1, 2, 3, 4], 0),
    ):
        record, _ = make.read(make.station(), tmp_path, HEAD + "".join(rows[i] for i in order))
        assert record.files[0].backward == backward


# ---- refused files


def test_files_that_cannot_be_read_are_refused_by_name_and_the_others_are_read(tmp_path: Path) -> None:
    good = HEAD + "2021-01-01 00:00,1,2\n"
    record, refused = make.read(make.station(), tmp_path, good, "a,b\n1,2\n", b"", HEAD, good)
    assert [Path(f.path).name for f in record.files] == ["file-0.csv", "file-4.csv"]
    assert [Path(e.where.split(": line")[0]).name for e in refused if e.where] == [
        "file-1.csv",
        "file-2.csv",
        "file-3.csv",
    ]
    assert "header lines only" in refused[2].what
    with pytest.raises(RefusedFile, match=r"file-1\.csv"):
        read_station_tables(make.station(), sorted(tmp_path.glob("*.csv")))


@pytest.mark.parametrize(
    ("texts", "what"),
    [
        ([], "no table file was given"),
        ([HEAD], "holds header lines only"),
        ([HEAD + "x,1,2\n"], "none of its 1 lines could be read.*line 2: time 'x' does not read"),
        (["", HEAD], "is empty .*file-1"),
        (["a,b\n"], "no line of the first 1 is a names row"),
    ],
)
def test_where_no_file_can_be_read(tmp_path: Path, texts: list[str], what: str) -> None:
    with pytest.raises(FairvaneError, match=what):
        make.read(make.station(), tmp_path, *texts)


def test_rows_of_other_stations_only(tmp_path: Path) -> None:
    station = make.station([make.table(select={"column": "site", "equals": "A"})])
    with pytest.raises(InputError, match="rows of other stations only"):
        make.read(station, tmp_path, "site,Time,T\nB,2021-01-01 00:00,1\n")


def test_odd_paths_are_refused_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    (tmp_path / "good").write_text(HEAD + "2021-01-01 00:00,1,2\n")
    paths = [tmp_path / "good", tmp_path, tmp_path / "none", tmp_path / "loop", tmp_path / ("x" * 300), Path("a\0b")]
    record, refused = read_tables(make.station(), paths)
    assert len(record.files) == 1
    assert len(refused) == 5
    assert all("\n" not in error.line() for error in refused)


def test_progress_is_told_in_bytes(tmp_path: Path) -> None:
    texts = [HEAD + "2021-01-01 00:00,1,2\n", "x\n"]
    for i, text in enumerate(texts):
        (tmp_path / f"{i}").write_text(text)
    told: list[tuple[int, int]] = []
    read_tables(
        make.station(), [tmp_path / "0", tmp_path / "1"], progress=lambda done, total: told.append((done, total))
    )
    sizes = [len(text) for text in texts]
    assert told == [(sizes[0], sum(sizes)), (sum(sizes), sum(sizes))]


# ---- blocks: a file larger than what is read at once


def test_a_file_in_many_blocks_reads_as_in_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [f"2021-01-{1 + i // 144:02} {i // 6 % 24:02}:{i % 6}0,{i},{i % 90}\n" for i in range(2000)]
    rows[700] = "2021-01-05 20:40,ERR,5\n"
    rows[900] = '"broken\n'
    rows[1100:1100] = [HEAD, "Stamp,RH,T\n", *(r.replace(",", ",9") for r in rows[5:9]), HEAD]
    station = make.station([make.table(make.layout(), make.layout(["Stamp"], time=["Stamp"]))])
    whole = make.read(station, tmp_path, HEAD + "".join(rows))[0]
    monkeypatch.setattr("qc.read.file.BLOCK", 1000)
    cut = make.read(station, tmp_path, HEAD + "".join(rows))[0]
    assert plain(cut) == plain(whole)
    assert cut.files == whole.files
    assert cut.rejects == whole.rejects


def test_the_lines_of_a_file_are_let_go_once_it_is_read(tmp_path: Path) -> None:
    import gc

    from qc.read.lines import Lines

    for i in range(3):
        (tmp_path / str(i)).write_text(f"{HEAD}2021-01-01 00:{i}0,1,2\n")
    held: list[int] = []

    def progress(done: int, total: int) -> None:
        gc.collect()
        held.append(sum(1 for one in gc.get_objects() if isinstance(one, Lines) and one.data))

    read_tables(make.station(), [tmp_path / str(i) for i in range(3)], progress=progress)
    assert held == [0, 0, 0]


def test_the_station_is_the_one_given(tmp_path: Path) -> None:
    station: Station = make.station()
    assert make.read(station, tmp_path, HEAD + "2021-01-01 00:00,1,2\n")[0].station is station
