"""Names rows: which layout, which delimiter, where, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest

from qc.errors import RefusedFile
from qc.read.layout import Section, Unfit, sections
from qc.read.lines import from_bytes
from qc.station import Station
from tests.read import make


def found(text: str, station: Station | None = None) -> tuple[list[Section], list[Unfit]]:
    return sections(from_bytes(text.encode()), station or make.station())


ROW = "2021-01-01 00:00,1,2\n"


@pytest.mark.parametrize(
    ("names_row", "delimiter", "names"),
    [
        ("Time,T,RH", ",", ("Time", "T", "RH")),
        ("Time;T;RH", ";", ("Time", "T", "RH")),
        ("Time\tT\tRH", "\t", ("Time", "T", "RH")),
        ("Time|T|RH", "|", ("Time", "T", "RH")),
        ("  Time   T \t RH ", " ", ("Time", "T", "RH")),
        ("T,RH,Time,,", ",", ("T", "RH", "Time", "", "")),
        ('"Time","T","RH"', ",", ("Time", "T", "RH")),
        (' Time , "T" ,RH', ",", ("Time", "T", "RH")),
        ("Time;T;RH, relative", ";", ("Time", "T", "RH, relative")),
        ("Time,T,a;b;c;d", ",", ("Time", "T", "a;b;c;d")),
        ("Time,T,wind speed mean of ten", ",", ("Time", "T", "wind speed mean of ten")),
        ("Time T x,y", " ", ("Time", "T", "x,y")),
    ],
)
def test_delimiter_and_names(names_row: str, delimiter: str, names: tuple[str, ...]) -> None:
    (section,), unfit = found(f"facts\n{names_row}\n{ROW}")
    assert not unfit
    assert (section.delimiter, section.names) == (delimiter, names)
    assert (section.names_lines, section.stretches) == ([1], [(2, 3)])


def test_one_column_is_not_cut_at_its_blanks() -> None:
    station = make.station([make.table(make.layout(["Time"]), interval=None)])
    (section,), _ = found("Time\n2021-01-01 00:00\n", station)
    assert (section.delimiter, section.names, section.least) == (",", ("Time",), 1)


@pytest.mark.parametrize(
    ("names_row", "least"), [("Time,T,RH", 3), ("Time,T,RH,,,", 3), ("Time,T,,RH,", 4), ("Time,T", 2)]
)
def test_a_row_needs_all_names_but_the_empty_ones_at_the_end(names_row: str, least: int) -> None:
    assert found(f"{names_row}\n{ROW}")[0][0].least == least


TWO = [make.layout(["Time", "T"]), make.layout(["Time", "T", "RH"], decimal=",")]


def test_the_layout_with_most_names_wins() -> None:
    station = make.station([make.table(*TWO)])
    assert found(f"Time,T,RH\n{ROW}", station)[0][0].kinds[0].layout.decimal == ","
    assert found(f"Time,T,x\n{ROW}", station)[0][0].kinds[0].layout.decimal == "."


def test_sections_of_one_wording_are_one() -> None:
    station = make.station([make.table(make.layout(), make.layout(["Stamp", "T"], time=["Stamp"]))])
    both, unfit = found(f"Time,T\n{ROW}Stamp,T\n{ROW}{ROW}Time,T\n{ROW}\nStamp,T\n", station)
    assert not unfit
    assert [(s.names, s.names_lines, s.stretches) for s in both] == [
        (("Time", "T"), [0, 5], [(1, 2), (6, 8)]),
        (("Stamp", "T"), [2, 8], [(3, 5), (9, 9)]),
    ]


def test_a_cell_that_holds_a_name_within_it_is_no_names_row() -> None:
    (section,), unfit = found("Time,T\n2021-01-01 00:00,Time 5 T\nTimeT,1\nTime,5\n")
    assert section.stretches == [(1, 4)]
    assert not unfit


@pytest.mark.parametrize(
    ("later", "unfit"),
    [
        ("Time,RH,Temp", True),  # the columns have moved: reading on would put them under wrong names
        ("Time;T;RH;x", False),  # another delimiter, and it fits
        ("Time,x", True),
        ("Time,3,4,5", False),  # numbers: no names row
        ("x,Time ,y", True),
        ("time,RH,Temp", False),  # names are compared with regard to case
        ("Time", False),
    ],
)
def test_a_names_row_that_fits_no_layout_ends_the_rows(later: str, unfit: bool) -> None:
    sections_, found_ = found(f"Time,T,RH\n{ROW}{later}\n{ROW}Time,T,RH\n{ROW}")
    assert [(u.line, u.stop) for u in found_] == ([(2, 4)] if unfit else [])
    if unfit:
        assert "names row (line 3) fits no layout" in found_[0].reason
        assert "it lacks 'T'" in found_[0].reason
        assert sections_[0].stretches == [(1, 2), (5, 6)]


def refusal(text: str, station: Station | None = None) -> str:
    with pytest.raises(RefusedFile) as told:
        found(text, station)
    return told.value.line()


ALIKE = [make.table(), make.table(id="hour")]
CHANNEL = [make.channel("t", "T", table="ten")]


@pytest.mark.parametrize(
    ("text", "station", "parts"),
    [
        (
            "Time,Temp\n" + ROW,
            {},
            ["line 1", "fits no layout", "nearest is layout 1 of table ten", "lacks 'T'", "fairvane draft"],
        ),
        ("a,b\n" + ROW, {}, ["no line of the first 2 is a names row", "'Time'"]),
        ("Time,T,T\n" + ROW, {}, ["line 1", "'T' in the columns 2, 3", "position"]),
        ("Time,T,Time\n" + ROW, {}, ["'Time' in the columns 1, 3"]),
        ("Time,T\n" + ROW, {"tables": [make.table(make.layout(time=["Day", "Time"]))]}, ["has no time column 'Day'"]),
        (
            "Time,T\n" + ROW,
            {"tables": [make.table(select={"column": "site", "equals": "A"})]},
            ["no select column 'site'"],
        ),
        ("Time,T\n" + ROW, {"tables": ALIKE, "channels": CHANNEL}, ["fits the tables hour, ten alike"]),
        (
            "Time,T\n" + ROW,
            {"tables": [make.table(make.layout(), make.layout(format="%d/%m/%Y %H:%M"))]},
            ["fits the layouts 1 and 2 of table ten alike"],
        ),
        ("\n" * 250 + "Time,T\n" + ROW, {}, ["no line of the first 200"]),
        (
            "no stamps\nat all\n",
            {"tables": [make.table(make.layout([], time=[1]))], "channels": [make.channel("t", 2)]},
            ["no line of it holds a time stamp"],
        ),
    ],
)
def test_what_is_refused(text: str, station: dict[str, Any], parts: list[str]) -> None:
    told = refusal(text, make.station(**station))
    for part in parts:
        assert part in told
    assert told.startswith("table:")
    assert "\n" not in told


def test_the_last_line_that_may_be_the_first_names_row() -> None:
    assert found("\n" * 199 + "Time,T\n" + ROW)[0][0].names_lines == [199]


def test_one_file_may_serve_several_tables_that_select_tells_apart() -> None:
    tables = [make.table(id=i, select={"column": "kind", "equals": i}) for i in ("ten", "hour")]
    (section,), _ = found("Time,T,kind\n" + ROW, make.station(tables, CHANNEL))
    assert [kind.table.id for kind in section.kinds] == ["ten", "hour"]


@pytest.mark.parametrize(
    ("columns", "names", "position"),
    [
        ("T", ["Time", "T", "RH"], 1),
        (["Temp", "T"], ["Time", "RH", "T"], 2),
        (["T", "Temp"], ["Time", "Temp", "T"], 2),  # both are there: the order given decides
        (["Temp", "T"], ["Time", "Temp", "T"], 1),
        (3, ["Time", "T", "RH"], 2),
        (4, ["Time", "T", "RH"], None),
        ([2, "RH"], ["Time", "T", "RH"], 2),  # a name goes before a position
        ([2, "x"], ["Time", "T", "RH"], 1),
        ("x", ["Time", "T", "RH"], None),
        (" T ", ["Time", "T"], 1),
    ],
)
def test_where_a_channel_stands(columns: Any, names: list[str], position: int | None) -> None:
    station = make.station(channels=[make.channel("t", columns)])
    section = Section((), ",", tuple(names), len(names))
    assert section.channel(station.channel[0]) == position


def by_position(time: list[int], channels: list[int], format: str = "%Y-%m-%d %H:%M", **more: Any) -> Station:
    layout = make.layout([], format, time=time)
    return make.station([make.table(layout, **more)], [make.channel(f"c{i}", i) for i in channels])


@pytest.mark.parametrize(
    ("text", "time", "channels", "delimiter", "size", "least", "first"),
    [
        (ROW * 3, [1], [2, 3], ",", 3, 3, 0),
        ("facts, a, b\n\n" + ROW * 3, [1], [3], ",", 3, 3, 2),
        ("2021-01-01 00:00;1,5;2,5\n" * 3, [1], [2], ";", 3, 2, 0),
        ("2021-01-01 00:00\t1\t2\n" * 3, [1], [2], "\t", 3, 2, 0),
        ("2021-01-01\t00:00\t1\t2\n" * 3, [1, 2], [3], "\t", 4, 3, 0),  # blanks would do as well
        ("2021-01-01 00:00  1  2\n" * 3, [1, 2], [3], " ", 4, 3, 0),
        (ROW * 3 + "2021-01-01 00:00,1\n", [1], [5], ",", 5, 5, 0),  # the station file asks for more than there is
        (ROW + "2021-01-01 00:00,1,2,3\n" * 2, [1], [2], ",", 4, 2, 0),
    ],
)
def test_by_position(
    text: str, time: list[int], channels: list[int], delimiter: str, size: int, least: int, first: int
) -> None:
    (section,), _ = found(text, by_position(time, channels))
    assert section.by_position
    assert (section.delimiter, len(section.names), section.least) == (delimiter, size, least)
    assert section.stretches == [(first, len(text.splitlines()))]


def test_a_names_row_goes_before_positions() -> None:
    station = make.station([make.table(make.layout([], time=[1]), make.layout())], [make.channel("t", [2, "T"])])
    assert not found(f"Time,T\n{ROW}", station)[0][0].by_position
    assert found(ROW, station)[0][0].by_position


@pytest.mark.parametrize(
    ("text", "delimiter"),
    [
        ("Day\tHour\tT\n2021-01-01  00:00  1\n", " "),  # the names row has tabs alone, its rows have blanks
        ("Day\tHour\tT\n2021-01-01\t00:00\t\n", "\t"),
        ("Day\tHour\tT\n2021-01-01\t00:00\t1\n", "\t"),
        ("Day\tHour\tT\nx\n", "\t"),
    ],
)
def test_rows_decide_between_delimiters_that_fit(text: str, delimiter: str) -> None:
    station = make.station([make.table(make.layout(["Day", "Hour", "T"], time=["Day", "Hour"]))])
    assert found(text, station)[0][0].delimiter == delimiter


def test_a_name_that_is_part_of_another_hides_no_names_row() -> None:
    layouts = [make.layout(), make.layout(["Time(utc)", "T"], time=["Time(utc)"])]
    both, unfit = found(f"Time,T\n{ROW}Time(utc),T\n{ROW}", make.station([make.table(*layouts)]))
    assert not unfit
    assert [s.names_lines for s in both] == [[0], [2]]


@pytest.mark.parametrize("same", [True, False])
def test_too_many_names_rows_are_told(same: bool) -> None:
    text = "".join(f"Time,T,{'' if same else i}x\n" for i in range(1002))
    if same:
        assert len(found(text)[0][0].names_lines) == 1002
    else:
        assert "holds 1001 names rows of 1001 kinds" in refusal(text)
