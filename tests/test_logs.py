"""Logs of contract 8: lines read and refused, times on either clock, decisions that stand, corrections beside raw."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc import run
from qc.chain import CheckedTable
from qc.errors import FairvaneError, LogError
from qc.logs import COLUMNS, Correction, Entry, Visit, parse
from qc.station import Station, load
from qc.station import parse as parse_station
from tests.cli.runs import here

STATION = """
[station]
id = "weir"
latitude = 54.6
longitude = -2.9
elevation = 20.0
{logs}
[[clock]]
{clock}
[[table]]
id = "ten"
interval = "10min"
stamps = "end"
[[table.layout]]
names = ["time", "t"]
decimal = "."
missing = ["", "NAN"]
time = {{ columns = ["time"], format = "%Y-%m-%d %H:%M" }}
[[channel]]
name = "t"
quantity = "air_temperature"
column = "t"
unit = "degC"
resolution = 0.1
[[channel]]
name = "wd"
quantity = "wind_direction"
column = "wd"
unit = "degree"
[[channel]]
name = "rain"
quantity = "precipitation"
column = "rain"
unit = "mm"
statistic = "total"
resolution = 0.2
[[channel]]
name = "word"
quantity = "other"
column = "word"
unit = "1"
"""
UTC = 'utc_offset = "+00:00"'
NAMES = {"visits": "visits.csv", "decisions": "decisions.csv", "corrections": "corrections.csv"}


def station(clock: str = UTC) -> Station:
    return parse_station(STATION.format(logs="", clock=clock).encode())


def log(kind: str, *lines: str) -> bytes:
    return "\n".join([",".join(COLUMNS[kind]), *lines]).encode()


def entries(kind: str, *lines: str, clock: str = UTC) -> tuple[Entry, ...]:
    return parse(kind, log(kind, *lines), station(clock), where="log.csv")


def refused(kind: str, *lines: str | bytes, clock: str = UTC) -> str:
    """The one line that refuses a log."""
    raw = b"\n".join([log(kind), *(line if isinstance(line, bytes) else line.encode() for line in lines)])
    with pytest.raises(LogError) as caught:
        parse(kind, raw, station(clock), where="log.csv")
    line = caught.value.line()
    assert line.isprintable()
    assert line.startswith("log.csv: ")
    assert caught.value.exit_code == 2
    return line


# --- what a file may look like

VISIT = "2026-05-01T10:00Z,2026-05-01T11:00Z,t,moved,"


@pytest.mark.parametrize(
    "raw",
    [
        log("visits", VISIT),
        b"\xef\xbb\xbf" + log("visits", VISIT),
        log("visits", "", VISIT, "", ",,,,", ""),
        log("visits", VISIT).replace(b"\n", b"\r\n") + b"\r\n",
        log("visits", VISIT).replace(b"\n", b"\r"),
        b"\n\n" + log("visits", VISIT),
        log("visits", VISIT + ",,"),  # a spreadsheet's empty cells
        b'"From", to ,CHANNELS,effect,note\n' + VISIT.encode(),
        b"note,effect,channels,to,from\n,MOVED, t ,2026-05-01T11:00Z,2026-05-01T10:00Z\n",
    ],
)
def test_one_line_however_it_was_saved(raw: bytes) -> None:
    (one,) = parse("visits", raw, station(), where="log.csv")
    assert isinstance(one, Visit)
    assert (one.channels, one.effect, one.note) == (("t",), "moved", "")
    assert (str(one.start), str(one.end)) == ("2026-05-01T10:00:00.000000", "2026-05-01T11:00:00.000000")


@pytest.mark.parametrize("kind", COLUMNS)
def test_a_header_alone_is_an_empty_log(kind: str) -> None:
    assert parse(kind, log(kind), station(), where="log.csv") == ()
    assert parse(kind, log(kind) + b"\n\n", station(), where="log.csv") == ()


@pytest.mark.parametrize(
    ("kind", "raw", "told"),
    [
        ("visits", b"", "is empty; begin it with the line from,to,channels,effect,note"),
        ("visits", b"\n\n", "is empty"),
        ("visits", b"from;to;channels;effect;note\n", "line 1: does not name the columns of a log of visits"),
        ("visits", b"\nfrom,to,channels,effect\n", "line 2: does not name the columns"),
        ("decisions", b"from,to,channels,effect,note\n", "begin with from,to,channel,verdict,reason,by,decided"),
        ("visits", log("visits", VISIT) + b"\n\xff\xfe", "line 3: is not UTF-8; save it as UTF-8"),
        ("visits", "from,to".encode("utf-16"), "is not UTF-8"),
    ],
)
def test_a_file_that_is_no_log(kind: str, raw: bytes, told: str) -> None:
    with pytest.raises(LogError) as caught:
        parse(kind, raw, station(), where="log.csv")
    assert told in caught.value.line()


# --- lines that are refused by their number: (kind, line, what the message says)

V, D, C = "visits", "decisions", "corrections"
SPAN = "2026-05-01T10:00Z,2026-05-01T11:00Z"
REFUSED: list[tuple[str, str, str]] = [
    (V, f"{SPAN},t,moved", "line 2: has 4 cells where 5 belong"),
    (V, f"{SPAN},t,moved,one, two", "has 6 cells where 5 belong; put a text with commas in quotation marks"),
    (V, f'{SPAN},t,moved,"one', "line 2: a quotation mark lacks its partner"),
    (V, f"{SPAN},t,disturb,", "'disturb' is no effect (nearest known: disturbed)"),
    (V, f"{SPAN},t,,", "'' is no effect; choose from disturbed, replaced, cleaned, moved, clock, note"),
    (V, f"{SPAN},tt,moved,", "'tt' is no channel (nearest known: t)"),
    (V, f"{SPAN},t;xyz,moved,", "'xyz' is no channel; choose from all, t, wd, rain, word"),
    (V, f"{SPAN},;,moved,", "names no channel"),
    (V, ",2026-05-01T11:00Z,t,moved,", "from: '' is no time"),
    (V, "2026-05-01T10:00Z,later,t,moved,", "to: 'later' is no time; write it like 2026-03-01"),
    (V, "1026-05-01,2026-05-01,t,moved,", "from: the year 1026 is outside"),
    (V, "2026-05-01T11:00:00.000001Z,2026-05-01T11:00Z,t,moved,", "from lies after to"),
    (V, f"{SPAN},\x1b[31mred,moved,", "'·[31mred' is no channel"),
    (D, f"{SPAN},t,4,,,2026-06-01", "'4' is no verdict; choose from good, inconsistent, doubtful, wrong"),
    (D, f"{SPAN},t,-1,,,2026-06-01", "'-1' is no verdict"),
    (D, f"{SPAN},t,bad,,,2026-06-01", "'bad' is no verdict"),
    (D, f"{SPAN},t,0,,,", "decided: '' is no time"),
    (C, f"{SPAN},t,scal,2,,,2026-06-01", "'scal' is no operation (nearest known: scale)"),
    (C, f"{SPAN},t,scale,1,,,2026-06-01", "line 2: a scale of 1 changes nothing; take the line out"),
    (C, f"{SPAN},t,scale,1.0e0,,,2026-06-01", "a scale of 1 changes nothing"),
    (C, f"{SPAN},t,scale,0,,,2026-06-01", "a scale of 0 wipes the values out"),
    (C, f"{SPAN},t,offset,-0.0,,,2026-06-01", "an offset of 0 changes nothing"),
    (C, f"{SPAN},wd,rotate,-720,,,2026-06-01", "a whole turn changes nothing"),
    (C, f"{SPAN},t,offset,,,,2026-06-01", "'' is no number; offset needs one"),
    (C, f"{SPAN},t,offset,nan,,,2026-06-01", "'nan' is no number"),
    (C, f"{SPAN},t,offset,1e999,,,2026-06-01", "'1e999' is no number"),
    (C, f"{SPAN},t,offset,1_0,,,2026-06-01", "'1_0' is no number"),
    (C, f"{SPAN},t,estimate,,,,2026-06-01", "'' is no number; estimate needs one"),
    (C, f"{SPAN},t,rotate,10,,,2026-06-01", "rotate is for wind_direction only, and 't' is air_temperature"),
    (C, f"{SPAN},t,mirror,,,,2026-06-01", "mirror is for wind_direction only"),
    (C, f"{SPAN},wd,offset,10,,,2026-06-01", "offset would leave the circle; use rotate"),
    (C, f"{SPAN},wd,negate,,,,2026-06-01", "negate would leave the circle; use mirror"),
    (C, f"{SPAN},t,negate,1,,,2026-06-01", "negate takes no parameter; leave it empty"),
    (C, f"{SPAN},all,scale,2,,,2026-06-01", "a correction changes one channel"),
    (C, f"{SPAN},t;rain,scale,2,,,2026-06-01", "a correction changes one channel"),
    (C, f"{SPAN},t,scale,2,,,soon", "decided: 'soon' is no time"),
]


@pytest.mark.parametrize(("kind", "line", "told"), REFUSED)
def test_a_line_is_refused_by_its_number(kind: str, line: str, told: str) -> None:
    assert told in refused(kind, line)
    assert "line 2: " in refused(kind, line)
    assert "line 4: " in refused(kind, "", "", line)


def test_three_lines_are_told_and_the_rest_counted() -> None:
    line = refused(V, *[f"{SPAN},t,{word}," for word in ("moved", "a", "b", "note", "c", "d", "e")])
    assert [f"line {n}: " in line for n in (2, 3, 4, 5, 6, 7)] == [False, True, True, False, True, False]
    assert line.endswith("; and 2 more")


CONTRADICTING: list[tuple[str, list[str], str]] = [
    ("scale twice", ["10:00,11:00,t,scale,2", "10:30,12:00,t,scale,3"], "line 3: contradicts line 2"),
    ("the same line twice", ["10:00,11:00,t,scale,2", "10:00,11:00,t,scale,2"], "line 3: contradicts line 2"),
    ("on one stamp", ["11:00,12:00,t,scale,2", "10:00,11:00,t,scale,3"], "line 3: contradicts line 2"),
    ("apart by a microsecond", ["10:00,10:59:59.999999,t,scale,2", "11:00,12:00,t,scale,3"], ""),
    ("another channel", ["10:00,11:00,t,scale,2", "10:00,11:00,rain,scale,2"], ""),
    ("another operation", ["10:00,11:00,t,scale,2", "10:00,11:00,t,offset,1", "10:00,11:00,t,negate,"], ""),
    ("beside an estimate", ["10:00,11:00,t,scale,2", "11:00,11:00,t,estimate,4"], "line 3: contradicts line 2"),
    ("beside an estimate above", ["10:00,11:00,t,estimate,4", "09:00,13:00,t,negate,"], "line 3: contradicts line 2"),
    (
        "within a long one and past a short one",
        ["08:00,14:00,t,offset,1", "09:00,09:10,t,scale,2", "10:00,10:10,t,offset,2"],
        "line 4: contradicts line 2",
    ),
]


@pytest.mark.parametrize(("name", "lines", "told"), CONTRADICTING)
def test_lines_that_contradict(name: str, lines: list[str], told: str) -> None:
    whole = []
    for line in lines:
        start, end, rest = line.split(",", 2)
        whole.append(f"2026-05-01T{start}Z,2026-05-01T{end}Z,{rest},{name},,2026-06-01")
    if told:
        line = refused(C, *whole)
        assert told in line
        assert line.count("contradicts") == 1
    else:
        assert len(entries(C, *whole)) == len(lines)


def test_the_line_that_reaches_farthest_is_remembered() -> None:
    line = refused(C, *[f"2026-05-01T{a}Z,2026-05-01T{b}Z,t,offset,1,,,2026-06-01" for a, b in FARTHEST])
    assert "line 3: contradicts line 2" in line
    assert "line 4: contradicts line 2" in line


FARTHEST = (("08:00", "14:00"), ("09:00", "09:10"), ("10:00", "10:10"))


# --- times


@pytest.mark.parametrize(
    ("clock", "first", "last", "start", "end"),
    [
        (UTC, "2026-05-01T10:00", "2026-05-01T11:00", "2026-05-01T10:00", "2026-05-01T11:00"),
        (UTC, "2026-05-01T10:00+02:00", "2026-05-01T11:00Z", "2026-05-01T08:00", "2026-05-01T11:00"),
        (UTC, "2026-05-01", "2026-05-01", "2026-05-01T00:00", "2026-05-01T23:59:59.999999"),
        (UTC, "2026-05-01 10:00:30", "2026-05-01t11:00z", "2026-05-01T10:00:30", "2026-05-01T11:00"),
        ('utc_offset = "+05:30"', "2026-05-01T10:00", "2026-05-01T11:00Z", "2026-05-01T04:30", "2026-05-01T11:00"),
        # 10:00 on the logger is 09:00 UTC in summer, 10:00 in winter
        ('time_zone = "Europe/London"', "2026-03-29T00:59", "2026-03-29T02:00", "2026-03-29T00:59", "2026-03-29T01:00"),
        # the autumn hour that comes twice: its first time in `from`, its second in `to`
        ('time_zone = "Europe/London"', "2026-10-25T01:30", "2026-10-25T01:30", "2026-10-25T00:30", "2026-10-25T01:30"),
        (f"{UTC}\nminutes_ahead = 5.0", "2026-05-01T10:00", "2026-05-01T11:00", "2026-05-01T09:55", "2026-05-01T10:55"),
    ],
)
def test_times_on_the_logger_clock(clock: str, first: str, last: str, start: str, end: str) -> None:
    (one,) = entries(V, f"{first},{last},t,moved,", clock=clock)
    assert (one.start, one.end) == (np.datetime64(start, "us"), np.datetime64(end, "us"))


def test_a_time_that_the_logger_clock_never_showed() -> None:
    line = refused(V, "2026-03-29T01:30,2026-03-29T03:00,t,moved,", clock='time_zone = "Europe/London"')
    assert "line 2: from: the logger clock never showed 2026-03-29T01:30; give it with a zone" in line


# --- whole runs: tables and logs in a folder


def rows(start: str, values: Sequence[str]) -> str:
    """A table: channel t as given, wd 350, no rain, a word."""
    time = np.datetime64(start, "m") + np.arange(len(values)) * np.timedelta64(10, "m")
    lines = [f"{str(t).replace('T', ' ')},{v},350,0,1" for t, v in zip(time, values, strict=True)]
    return "\n".join(["time,t,wd,rain,word", *lines, ""])


def place(folder: Path, table: str, **logs: Sequence[str]) -> Station:
    """A folder with a station file, its logs and a table; the station."""
    named = "\n".join(f'{kind} = "{NAMES[kind]}"' for kind in logs)
    (folder / "s.toml").write_text(STATION.format(logs=named, clock=UTC))
    (folder / "t.csv").write_text(table)
    for kind, lines in logs.items():
        (folder / NAMES[kind]).write_bytes(log(kind, *lines))
    return load(folder / "s.toml")


def checked(folder: Path, values: Sequence[str] | str, **logs: Sequence[str]) -> run.Result:
    table = values if isinstance(values, str) else rows("2026-05-01T00:00", values)
    return run.check(place(folder, table, **logs), [folder / "t.csv"])


def written(folder: Path, result: run.Result) -> dict[str, list[str]]:
    """The columns of the flagged table as they stand in the file."""
    run.write(result, folder / "out")
    lines = list(csv.reader(io.StringIO((folder / "out" / "weir.ten.flagged.csv").read_text())))
    return {name: [line[n] for line in lines[1:]] for n, name in enumerate(lines[0])}


WARM = ["10.1", "10.3", "10.2", "10.4", "10.3", "10.5", "10.4", "10.6"]


def test_a_decision_stands_whatever_checks_left(tmp_path: Path) -> None:
    """99 degC is impossible, but decided good; 10.4 is fine, but decided wrong; NAN stays missing."""
    values = [*WARM[:3], "99.0", "10.4", "NAN", *WARM]
    decisions = [
        "2026-05-01T00:30Z,2026-05-01T00:30Z,t,0,a flame,K. Reed,2026-06-01",
        '2026-05-01T00:40Z,2026-05-01T00:50Z,t,wrong,"=1+1, ""wet""",K. Reed,2026-06-01',
        "2026-05-01T00:00Z,2026-05-01T00:00Z,word,1,,,2026-06-01",
    ]
    result = checked(tmp_path, values, decisions=decisions)
    columns = written(tmp_path, result)
    assert columns["t_verdict"][2:7] == ["0", "0", "3", "7", "0"]
    assert columns["t_checks"][3:6] == ["range;step;decision", "decision", "marker"]
    assert (columns["word_verdict"][:2], columns["word_checks"][:2]) == (["1", "4"], ["decision", ""])
    found = [e for e in result.episodes["ten"] if e.check == "decision"]
    assert [(e.channel, e.verdict, e.values) for e in found] == [("word", 1, 1), ("t", 0, 1), ("t", 3, 1)]
    assert "decided good by K. Reed, line 2 of the decision log: a flame" in found[1].message
    assert 'line 3 of the decision log: =1+1, "wet"' in found[2].message


def test_what_was_decided_good_is_not_condemned_for_later_stages(tmp_path: Path) -> None:
    """Stage 2 sees 60.5 degC where range (stage 1) would have hidden it: the step from it is found."""
    values = [*WARM[:3], "60.5", *WARM]
    plain = checked(tmp_path, values)
    assert "step" not in plain.checked.tables["ten"].verdicts["t"].failures
    decided = checked(tmp_path, values, decisions=["2026-05-01T00:30Z,2026-05-01T00:30Z,t,0,,,2026-06-01"])
    assert "step" in decided.checked.tables["ten"].verdicts["t"].failures


def test_two_lines_of_one_text_are_two_episodes(tmp_path: Path) -> None:
    visits = [f"2026-05-01T00:{m}0Z,2026-05-01T00:{m}0Z,t,moved,twice" for m in (1, 2)]
    found = [e for e in checked(tmp_path, WARM, visits=visits).episodes["ten"] if e.check == "visit"]
    assert [(e.values, e.verdict) for e in found] == [(1, 2), (1, 2)]
    assert "people were at the sensor (moved, line 2 of the visit log: twice)" in found[0].message


def test_a_visit_and_a_check_of_the_record_make_wrong(tmp_path: Path) -> None:
    values = [*WARM[:3], "-85.0", *WARM]  # hardly ever seen: doubtful
    visits = ["2026-05-01T00:30Z,2026-05-01T00:30Z,t,disturbed,"]
    assert written(tmp_path, checked(tmp_path, values, visits=visits))["t_verdict"][3] == "3"


LINE = "2026-05-01T00:{}Z,2026-05-01T00:{}Z,{},{},{},why,K. Reed,2026-06-01"


def test_corrections_stand_beside_the_raw_values(tmp_path: Path) -> None:
    lines = [
        LINE.format("10", "20", "t", "offset", "-0.4"),
        LINE.format("30", "40", "t", "scale", "2"),
        LINE.format("40", "40", "t", "offset", "1"),
        LINE.format("50", "50", "t", "estimate", "10.55"),
        LINE.format("00", "10", "wd", "rotate", "20"),
        LINE.format("20", "20", "wd", "mirror", ""),
    ]
    values = ["10.1", "10.3", "NAN", "5.2", "4.7", "NAN", "10.6", "10.5"]
    result = checked(tmp_path, values, corrections=lines)
    columns = written(tmp_path, result)
    plain = written(tmp_path / "plain", _plain(tmp_path, values))
    assert list(columns)[:9] == [
        "time", "t", "t_verdict", "t_checks", "t_read",
        "t_corrected", "t_corrected_verdict", "t_corrected_checks", "wd",
    ]  # fmt: skip
    assert not [name for name in columns if "rain_corrected" in name]
    assert {name: columns[name] for name in plain} == plain, "raw is never altered"
    assert columns["t_corrected"] == ["", "9.9", "", "10.4", "10.4", "10.55", "", ""]
    assert columns["t_corrected_verdict"] == ["7", "5", "7", "5", "5", "6", "7", "7"]
    assert set(columns["t_corrected_checks"]) == {""}
    assert columns["wd_corrected"][:4] == ["10", "10", "10", ""]
    entry = result.summary()["tables"]["ten"]["channels"]["t"]
    assert entry["verdicts"] == {
        "good": 6, "inconsistent": 0, "doubtful": 0, "wrong": 0, "not_checked": 0,
        "changed": 3, "estimated": 1, "missing": 2,
    }  # fmt: skip
    assert (entry["usable"], entry["completeness"]) == (7 / 8, 6 / 8)  # six good ones, one of the missing is estimated
    assert entry["failed_again"] == {"doubtful": 0, "wrong": 0}


def _plain(folder: Path, values: Sequence[str]) -> run.Result:
    (folder / "plain").mkdir()
    return checked(folder / "plain", values)


def test_a_corrected_value_that_fails_again(tmp_path: Path) -> None:
    """10.4 * 6 = 62.4 degC is impossible. -84.9 degC is hardly ever seen. A raw one that failed is mended."""
    values = [*WARM[:3], "10.4", "10.4", "-89.9", "99.0", *WARM]
    lines = [
        LINE.format("30", "30", "t", "scale", "6"),
        LINE.format("50", "50", "t", "offset", "5"),
        "2026-05-01T01:00Z,2026-05-01T01:00Z,t,offset,-88.5,,,2026-06-01",
    ]
    columns = written(tmp_path, checked(tmp_path, values, corrections=lines))
    assert (columns["t_corrected"][3], columns["t_corrected_verdict"][3]) == ("62.4", "3")
    assert "range" in columns["t_corrected_checks"][3]
    assert (columns["t_corrected"][5], columns["t_corrected_verdict"][5]) == ("-84.9", "2")
    assert (columns["t_verdict"][6], columns["t_corrected_verdict"][6]) == ("3", "5")
    assert columns["t_corrected_checks"][6] == ""


def test_corrected_values_are_checked_with_what_lies_before_them(tmp_path: Path) -> None:
    """Half of the table set 25 K too high by a correction: the step up to it is found, at the first value that rose."""
    lines = ["2026-05-01T00:40Z,2026-05-02T00:00Z,t,offset,25,,,2026-06-01"]
    columns = written(tmp_path, checked(tmp_path, [*WARM, *WARM], corrections=lines))
    assert set(columns["t_verdict"]) == {"0"}
    assert columns["t_corrected_checks"][4] == "step"
    assert columns["t_corrected_verdict"][4:] == ["2", *["5"] * 11]


def test_decisions_and_visits_are_about_raw_values(tmp_path: Path) -> None:
    """What was decided wrong is mended by a correction; a disturbed value stays doubtful, an estimate does not."""
    every = "2026-05-01T00:00Z,2026-05-01T00:30Z"
    result = checked(
        tmp_path, WARM,
        decisions=["2026-05-01T00:10Z,2026-05-01T00:10Z,t,3,,,2026-06-01"],
        visits=["2026-05-01T00:20Z,2026-05-01T00:30Z,t,disturbed,"],
        corrections=[
            f"{every.replace('00:30', '00:20')},t,offset,0.1,,,2026-06-01",
            LINE.format("30", "30", "t", "estimate", "10.4"),
        ],
    )  # fmt: skip
    columns = written(tmp_path, result)
    assert columns["t_verdict"][:4] == ["0", "3", "2", "2"]
    assert columns["t_corrected_verdict"][:5] == ["5", "5", "2", "6", "7"]
    assert columns["t_corrected_checks"][:5] == ["", "", "visit", "", ""]


def test_a_scaled_total_is_no_wrong_tip(tmp_path: Path) -> None:
    """0.4 mm of tips of 0.2 mm, corrected by 1.05, is 0.42 mm: whole tips of 0.21 mm."""
    table = rows("2026-05-01T00:00", WARM).replace(",0,1\n", ",0.4,1\n", 1)
    columns = written(
        tmp_path, checked(tmp_path, table, corrections=[LINE.format("00", "50", "rain", "scale", "1.05")])
    )
    assert (columns["rain_corrected"][0], columns["rain_corrected_verdict"][0]) == ("0.42", "5")
    assert columns["rain_corrected_checks"][0] == ""


def test_columns_stand_wherever_the_lines_lie(tmp_path: Path) -> None:
    """The header depends on the logs, not on the rows; a line outside the tables is no error."""
    line = "2031-01-01,2031-12-31,t,scale,2,,,2026-06-01"
    columns = written(tmp_path, checked(tmp_path, WARM, corrections=[line]))
    assert set(columns["t_corrected"]) == {""}
    assert set(columns["t_corrected_verdict"]) == {"7"}


def test_nothing_beyond_what_a_number_can_hold(tmp_path: Path) -> None:
    columns = written(
        tmp_path, checked(tmp_path, WARM, corrections=[LINE.format("00", "50", "word", "scale", "1e308")])
    )
    assert columns["word_corrected"][0] == "1e+308"
    table = rows("2026-05-01T00:00", WARM).replace(",0,1\n", ",0,100\n")
    (tmp_path / "b").mkdir()
    lines = [LINE.format("00", "50", "word", "scale", "1e308")]
    columns = written(tmp_path / "b", checked(tmp_path / "b", table, corrections=lines))
    assert (columns["word_corrected"][0], columns["word_corrected_verdict"][0]) == ("", "7")


def test_summary_names_the_logs(tmp_path: Path) -> None:
    import hashlib

    result = checked(tmp_path, WARM, visits=[VISIT], decisions=[])
    assert result.summary()["logs"] == [
        {
            "kind": k,
            "path": NAMES[k],
            "sha256": hashlib.sha256((tmp_path / NAMES[k]).read_bytes()).hexdigest(),
            "lines": n,
        }
        for k, n in (("visits", 1), ("decisions", 0))
    ]
    missed = {e["check"]: e["why"] for e in checked(tmp_path, WARM).summary()["not_applied"]}
    assert missed["visit"] == "the station file names no visit log"
    assert missed["decision"] == "the station file names no decision log"


def test_gaps_that_are_filled_hold_no_corrected_value(tmp_path: Path) -> None:
    table = rows("2026-05-01T00:00", WARM)
    table = "".join(line for line in table.splitlines(keepends=True) if "00:20" not in line)
    result = checked(tmp_path, table, corrections=[LINE.format("00", "50", "t", "offset", "1")])
    run.write(result, tmp_path / "out", fill_gaps=True)
    lines = list(csv.DictReader(io.StringIO((tmp_path / "out" / "weir.ten.flagged.csv").read_text())))
    gap = next(line for line in lines if "00:20" in line["time"])
    assert (gap["t_checks"], gap["t_corrected"], gap["t_corrected_verdict"], gap["t_corrected_checks"]) == (
        "gap",
        "",
        "7",
        "",
    )


# --- the command line


@pytest.mark.parametrize("kind", COLUMNS)
def test_a_log_that_is_not_there(kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place(tmp_path, rows("2026-05-01T00:00", WARM), **{kind: []})
    (tmp_path / NAMES[kind]).unlink()
    ran = here(capsys, "check", tmp_path / "s.toml", tmp_path / "t.csv", "--out", tmp_path / "out")
    assert ran.status == 2
    assert f"{NAMES[kind]}: does not exist; mend the path, or take `{kind}` out of the station file" in ran.line
    assert not (tmp_path / "out").exists()


def test_a_refused_line_leaves_2_and_nothing_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place(tmp_path, rows("2026-05-01T00:00", WARM), corrections=[LINE.format("00", "50", "t", "scale", "1")])
    ran = here(capsys, "check", tmp_path / "s.toml", tmp_path / "t.csv", "--out", tmp_path / "out")
    assert ran.status == 2
    assert "corrections.csv: line 2: a scale of 1 changes nothing; take the line out" in ran.line
    assert not (tmp_path / "out").exists()


def test_logs_of_a_station_that_is_no_file() -> None:
    named = parse_station(STATION.format(logs='visits = "visits.csv"', clock=UTC).encode())
    with pytest.raises(FairvaneError, match="has no folder"):
        run.check(named, [])


# --- properties


@settings(deadline=None, max_examples=150)
@given(st.sampled_from(list(COLUMNS)), st.lists(st.text(max_size=60) | st.binary(max_size=60), max_size=4))
def test_hostile_logs_are_refused_in_one_line_or_read(kind: str, lines: list[str | bytes]) -> None:
    raw = b"\n".join([log(kind), *(x if isinstance(x, bytes) else x.encode("utf-8", "replace") for x in lines)])
    try:
        parse(kind, raw, station(), where="log.csv")
    except LogError as error:
        assert error.line().isprintable()


TENTHS = st.lists(st.integers(-200, 400), min_size=12, max_size=40)


@settings(deadline=None, max_examples=60)
@given(
    TENTHS, st.data(), st.sampled_from([0.5, 0.8, 1.25, 1.9, -1.0, 3.0]), st.sampled_from([-7.3, -0.4, 0.1, 12.0]),
)  # fmt: skip
def test_known_factors_and_offsets_are_taken_back(
    tenths: list[int], data: st.DataObject, factor: float, offset: float
) -> None:
    """truth * factor + offset, written with four decimals; corrected it is the truth within rounding."""
    truth = np.array(tenths) / 10
    time = np.datetime64("2026-05-01T00:00", "us") + np.arange(len(truth)) * np.timedelta64(600, "s")
    first = data.draw(st.integers(0, len(truth) - 1))
    last = data.draw(st.integers(first, len(truth) - 1))
    spoilt = truth.copy()
    spoilt[first : last + 1] = np.round(truth[first : last + 1] * factor + offset, 4)
    span = f"{time[first]}Z,{time[last]}Z"
    lines = entries(
        C, f"{span},t,offset,{-offset!r},spoilt,,2026-06-01", f"{span},t,scale,{1 / factor!r},spoilt,,2026-06-01"
    )
    from qc.corrected import corrected_values

    found, how = corrected_values(spoilt, time, tuple(c for c in lines if isinstance(c, Correction)))
    within = np.zeros(len(truth), bool)
    within[first : last + 1] = True
    assert np.array_equal(np.isfinite(found), within), "nothing outside the lines is touched"
    assert np.array_equal(how.kind == 5, within)
    assert np.abs(found - truth)[within].max() <= 0.5e-4 / abs(factor) + 1e-9


@given(
    st.lists(st.integers(0, 3599), min_size=1, max_size=20),
    st.integers(-720, 720).filter(lambda a: a % 360),
    st.booleans(),
)
def test_directions_come_back_on_the_circle(tenths: list[int], angle: int, mirrored: bool) -> None:
    """Rotated and mirrored as a vane mounted wrongly would be; corrected it is the truth to the ninth decimal."""
    truth = np.array(tenths) / 10
    spoilt = np.mod(truth - angle, 360.0)
    if mirrored:
        spoilt = np.mod(360.0 - spoilt, 360.0)
    time = np.full(len(truth), np.datetime64("2026-05-01T10:30", "us"))
    lines = [f"{SPAN},wd,mirror,,,,2026-06-01"] * mirrored + [f"{SPAN},wd,rotate,{angle},,,2026-06-01"]
    from qc.corrected import corrected_values

    found, _ = corrected_values(spoilt, time, tuple(c for c in entries(C, *lines) if isinstance(c, Correction)))
    assert ((found >= 0) & (found < 360)).all()
    off = np.abs(found - truth)
    assert np.minimum(off, 360 - off).max() <= 1e-8


def test_spoilt_tables_are_restored_through_a_whole_run(tmp_path: Path) -> None:
    """Three days, one of them spoilt by 1.9 and by -3: what is written is the truth, verdict 5, on that day alone."""
    count = 3 * 144
    day = np.arange(count) / 144
    truth = np.round(10 + 6 * np.sin(2 * np.pi * (day - 0.4)) + 0.2 * np.sin(np.arange(count) * 1.7), 1)
    spoilt = truth.copy()
    spoilt[144:288] = np.round(truth[144:288] * 1.9 - 3, 2)
    span = "2026-05-02T00:00,2026-05-02T23:50"
    lines = [f"{span},t,offset,3,wrong constant,,2026-06-01", f"{span},t,scale,{1 / 1.9!r},wrong constant,,2026-06-01"]
    plain = tmp_path / "plain"
    plain.mkdir()
    true = written(plain, checked(plain, [f"{v:.1f}" for v in truth]))
    columns = written(tmp_path, checked(tmp_path, [f"{v:.2f}" for v in spoilt], corrections=lines))
    found = np.array([float(v or "nan") for v in columns["t_corrected"]])
    within = np.zeros(count, bool)
    within[144:288] = True
    assert np.array_equal(np.isfinite(found), within)
    assert np.array_equal(np.round(found[within], 1), truth[within])
    assert {columns["t_corrected_verdict"][n] for n in np.flatnonzero(within)} == {"5"}
    assert true["t_verdict"] == ["0"] * count
    far = np.flatnonzero(within | (np.abs(np.arange(count) - 215.5) < 72 + 60))  # ten hours around
    assert {v for n, v in enumerate(columns["t_verdict"]) if n not in set(far)} == {"0"}
    document = json.loads((tmp_path / "out" / "weir.summary.json").read_text())
    assert document["tables"]["ten"]["channels"]["t"]["verdicts"]["changed"] == 144


def test_pieces_join_with_what_was_corrected(tmp_path: Path) -> None:
    """`CheckedTable.take` and `join` carry corrected values; tests/test_law_of_reach.py cuts whole runs."""
    from qc import chain

    lines = [LINE.format("10", "40", "t", "offset", "1")]
    whole = checked(tmp_path, WARM, corrections=lines, visits=["2026-05-01T00:20Z,2026-05-01T00:30Z,all,moved,x"])
    at = np.datetime64("2026-05-01T00:20", "us")
    pieces = [chain.period(whole.checked, None, at), chain.period(whole.checked, at + np.timedelta64(1, "us"), None)]
    one: CheckedTable = whole.checked.tables["ten"]
    other = chain.join(pieces[::-1]).tables["ten"]
    np.testing.assert_array_equal(other.corrected["t"].values, one.corrected["t"].values)
    assert np.array_equal(other.corrected["t"].codes, one.corrected["t"].codes)
    assert np.array_equal(other.corrected["t"].failed, one.corrected["t"].failed)
    before, after = one.verdicts["t"].failures["visit"], other.verdicts["t"].failures["visit"]
    assert before.notes is not None
    assert after.notes is not None
    assert before.notes.tolist() == after.notes.tolist()
