"""Broken tables: what becomes of each line, against a second reader and against counts by hand.

Each case tells its counts as (lines, header, blank, kept, repeated, rejected).
"""

from __future__ import annotations

import codecs
import csv
import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from qc.read.tables import read_tables
from qc.record import Record, TableRecord
from qc.station import Station, load
from tests.read import make, reference
from tests.read.reference import Form, when
from tests.shared import shared

ISO = when("%Y-%m-%d %H:%M")
T_RH = {"t": "T", "rh": "RH"}
PLAIN = Form(["Time", "T"], ["Time"], ISO, T_RH)
HEAD = "Time,T,RH\n"


def rows(count: int, first: int = 0, shape: str = "{time},{t},{rh}\n", start: str = "2021-01-01 00:00") -> str:
    """Rows at 10 min, each with values of its own."""
    begin = datetime.strptime(start, "%Y-%m-%d %H:%M")
    out = ""
    for i in range(first, first + count):
        out += shape.format(
            time=(begin + timedelta(minutes=10 * i)).strftime("%Y-%m-%d %H:%M"), t=i / 10, rh=50 + i % 50
        )
    return out


@dataclass(frozen=True)
class Case:
    name: str
    raw: bytes
    counts: tuple[int, int, int, int, int, int]
    forms: Sequence[Form] = (PLAIN,)
    station: Station | None = None
    encoding: str = "utf-8"
    conflicts: int = 0

    def __str__(self) -> str:
        return self.name


CASES: list[Case] = []


def case(name: str, text: str | bytes, counts: tuple[int, int, int, int, int, int], *forms: Form, **more: Any) -> None:
    raw = text if isinstance(text, bytes) else text.encode(more.get("encoding", "utf-8"))
    CASES.append(Case(name, raw, counts, forms or (PLAIN,), **more))


# ---- before the names row

for lines_before in range(13):
    banner = "".join(f"fact {i};value {i},x\n" for i in range(lines_before))
    case(f"{lines_before} banner lines", banner + HEAD + rows(5), (lines_before + 6, lines_before + 1, 0, 5, 0, 0))
case("blank lines in the banner", "facts\n\n,,,\nmore\n" + HEAD + rows(5), (10, 3, 2, 5, 0, 0))
case("a stray mark in the banner", 'the 5" mast\n"open\n' + HEAD + rows(5), (8, 3, 0, 5, 0, 0))
case("rows above the names row", rows(3) + HEAD + rows(4, 3), (8, 1, 0, 4, 0, 3))

# ---- header rows below it

UNITS, SMP = "TS,Deg C,%\n", ",Avg,Smp\n"
case("a units row", HEAD + UNITS + rows(5), (7, 2, 0, 5, 0, 0))
case("units and statistics", "facts\n" + HEAD + UNITS + SMP + rows(5), (9, 4, 0, 5, 0, 0))
case("a blank line above the units", HEAD + "\n" + UNITS + SMP + rows(5), (9, 3, 1, 5, 0, 0))
case("a unit that is a number", HEAD + "TS,Deg C,1\n" + rows(5), (7, 2, 0, 5, 0, 0))
case("first row cut off", HEAD + "2021-01-0\n" + rows(5), (7, 1, 0, 5, 0, 1))
case("first row with a broken stamp", HEAD + "2021-01-0x 00:00,1.5,60\n" + rows(5), (7, 1, 0, 5, 0, 1))
case("first row of markers, broken stamp", HEAD + "0000-00-00,NAN,NAN\n" + rows(5), (7, 1, 0, 5, 0, 1))
case("header again", HEAD + UNITS + rows(4) + HEAD + UNITS + rows(4, 4), (12, 4, 0, 8, 0, 0))
case("header again, every row", "".join(HEAD + rows(1, i) for i in range(30)), (60, 30, 0, 30, 0, 0))
case("header again with other blanks and quotes", HEAD + rows(4) + ' Time,"T",RH \n' + rows(4, 4), (10, 2, 0, 8, 0, 0))
case("units again without the names", HEAD + UNITS + rows(4) + UNITS + rows(4, 4), (11, 3, 0, 8, 0, 0))
case("garbage below a header again", HEAD + rows(4) + HEAD + "x,y,z\n" + rows(4, 4), (11, 2, 0, 8, 0, 1))
case("banner and header again", "facts,a\n" + HEAD + rows(4) + "facts,a\n" + HEAD + rows(4, 4), (12, 4, 0, 8, 0, 0))

# ---- several layouts, stations, tables

TWO = make.station(
    [make.table(make.layout(), make.layout(["Stamp", "Temp"], time=["Stamp"]))],
    [make.channel("t", ["T", "Temp"]), make.channel("rh", "RH", "relative_humidity")],
)
OTHER = Form(["Stamp", "Temp"], ["Stamp"], ISO, {"t": "Temp", "rh": "RH"})
case(
    "a new program: names in another order",
    HEAD + rows(4) + "Stamp,RH,Temp\n" + rows(4, 4, "{time},{rh},{t}\n"),
    (10, 2, 0, 8, 0, 0),
    PLAIN,
    OTHER,
    station=TWO,
)
case(
    "there and back again",
    HEAD + rows(2) + "Stamp,RH,Temp\n" + rows(2, 2, "{time},{rh},{t}\n") + HEAD + rows(2, 4),
    (9, 3, 0, 6, 0, 0),
    PLAIN,
    OTHER,
    station=TWO,
)
case(
    "a new program that the station file does not know",
    HEAD + rows(4) + "Time,RH,Temp\nTS,%,Deg C\n" + rows(4, 4, "{time},{rh},{t}\n") + "\n",
    (12, 1, 1, 4, 0, 6),
)
case(
    "and back to the known one",
    HEAD + rows(4) + "Time,RH,Temp\n" + rows(4, 4, "{time},{rh},{t}\n") + HEAD + rows(4, 8),
    (15, 2, 0, 8, 0, 5),
)
case("a channel that the layout lacks", "Time,T\n" + rows(5, shape="{time},{t}\n"), (6, 1, 0, 5, 0, 0))
STACKED = make.station([make.table(select={"column": "site", "equals": "A"})])
STACKED_FORM = Form(["Time", "T"], ["Time"], ISO, T_RH, select=("site", "A"))
case(
    "three stations stacked",
    "site,Time,T,RH\n" + "".join(rows(4, 0, s + ",{time},{t},{rh}\n") for s in ("B", "A ", "C", '"A"')),
    (17, 1, 8, 4, 4, 0),
    STACKED_FORM,
    station=STACKED,
)
case(
    "a broken stamp of another station",
    "site,Time,T,RH\nB,never,1,2\nA,never,1,2\nA,2021-01-01 00:00,1,2\n",
    (4, 1, 1, 1, 0, 1),
    STACKED_FORM,
    station=STACKED,
)
TABLES = make.station(
    [make.table(), make.table(make.layout(["Stamp", "P"], time=["Stamp"]), id="hour", interval="1h")],
    [
        make.channel("t", "T", table="ten"),
        make.channel("rh", "RH", "relative_humidity", table="ten"),
        make.channel("p", "P", "air_pressure", table="hour"),
    ],
)
HOUR = Form(["Stamp", "P"], ["Stamp"], ISO, {"p": "P"}, table="hour")
case(
    "two tables in one file",
    HEAD + rows(6) + "\nStamp,P\n2021-01-01 00:00,990\n2021-01-01 01:00,991\n",
    (11, 2, 1, 8, 0, 0),
    PLAIN,
    HOUR,
    station=TABLES,
)
case(
    "two tables in turns",
    "".join(HEAD + rows(6, 6 * i) + f"Stamp,P\n2021-01-01 {i:02}:00,99{i}\n" for i in range(5)),
    (45, 10, 0, 35, 0, 0),
    PLAIN,
    HOUR,
    station=TABLES,
)
case(
    "a renamed column",
    "Time,T,Hum\n" + rows(5, shape="{time},{t},{rh}\n"),
    (6, 1, 0, 5, 0, 0),
    Form(["Time", "T"], ["Time"], ISO, {"t": "T", "rh": "Hum"}),
    station=make.station(channels=[make.channel("t", "T"), make.channel("rh", ["RH", "Hum"], "relative_humidity")]),
)
case("names twice that nobody uses", "Time,T,RH,x,x\n" + rows(5, shape="{time},{t},{rh},1,2\n"), (6, 1, 0, 5, 0, 0))
case(
    "a column by position beside its twin",
    "Time,T,RH,T\n" + rows(5, shape="{time},9,{rh},{t}\n"),
    (6, 1, 0, 5, 0, 0),
    Form(["Time", "T"], ["Time"], ISO, {"t": 4, "rh": "RH"}),
    station=make.station(channels=[make.channel("t", 4), make.channel("rh", "RH", "relative_humidity")]),
)

# ---- order and repetition

everything = rows(40).splitlines(keepends=True)
case("newest first", HEAD + "".join(everything[::-1]), (41, 1, 0, 40, 0, 0))
case("blocks out of order", HEAD + "".join(everything[20:] + everything[:20]), (41, 1, 0, 40, 0, 0))
case("repeated rows", HEAD + rows(10) + rows(4, 3) + rows(2, 3), (17, 1, 0, 10, 6, 0))
case("repeated rows spelt otherwise", HEAD + rows(3) + rows(3, shape='"{time}",+{t}0,{rh}.0\n'), (7, 1, 0, 3, 3, 0))
case("minus zero and zero", HEAD + "2021-01-01 00:00,-0.0,1\n2021-01-01 00:00,0,1\n", (3, 1, 0, 1, 1, 0))
case("two markers are both no value", HEAD + "2021-01-01 00:00,NAN,1\n2021-01-01 00:00,,1\n", (3, 1, 0, 1, 1, 0))
case("conflicts", HEAD + rows(5) + rows(5, shape="{time},{t}1,{rh}\n"), (11, 1, 0, 10, 0, 0), conflicts=5)

# ---- lines that are no rows

case("last line cut off", (HEAD + rows(5) + "2021-01-01 00:50,0.5").encode(), (7, 1, 0, 5, 0, 1))
case("last line cut off in its stamp", HEAD + rows(5) + "2021-01-0", (7, 1, 0, 5, 0, 1))
case("last line without its end", (HEAD + rows(5)).rstrip("\n"), (6, 1, 0, 5, 0, 0))
case("over-long rows", HEAD + rows(5) + rows(1, 5, "{time},{t},{rh},7\n") + rows(5, 6), (12, 1, 0, 10, 0, 1))
case("a decimal comma among points", HEAD + rows(5) + "2021-01-01 03:00,1,5,60\n", (7, 1, 0, 5, 0, 1))
case("blank lines", HEAD + "\n" + rows(3) + "\n\n" + rows(3, 3) + "\n", (11, 1, 4, 6, 0, 0))
case("white space alone", HEAD + rows(3) + "   \n\t\n \t \n" + rows(3, 3), (10, 1, 3, 6, 0, 0))
case("delimiters alone", HEAD + rows(3) + ",,\n,\n,,,,,,,\n;;;\n" + rows(3, 3), (11, 1, 4, 6, 0, 0))
case("empty quotes alone", HEAD + rows(3) + '"","",""\n""\n' + rows(3, 3), (9, 1, 2, 6, 0, 0))
case(
    "garbage in the middle", HEAD + rows(3) + "#*!\n%%,%%,%%\nlogger restarted at 7\n" + rows(3, 3), (10, 1, 0, 6, 0, 3)
)
case(
    "NUL bytes",
    (HEAD + rows(3)).encode() + b"\0\0\0\0\n2021-01-01 00:\x0030,1,2\n" + rows(3, 3).encode(),
    (9, 1, 0, 6, 0, 2),
)
case("a long run of NUL bytes", (HEAD + rows(3)).encode() + b"\0" * 9000 + rows(3, 3).encode(), (7, 1, 0, 5, 0, 1))
case(
    "mixed line ends",
    HEAD.replace("\n", "\r\n") + rows(3) + rows(3, 3).replace("\n", "\r") + rows(3, 6).replace("\n", "\r\n"),
    (10, 1, 0, 9, 0, 0),
)
case("CR alone", (HEAD + rows(9)).replace("\n", "\r"), (10, 1, 0, 9, 0, 0))
case("CR CR LF", (HEAD + rows(9)).replace("\n", "\r\r\n"), (20, 1, 10, 9, 0, 0))
case(
    "thousands of empty cells at the end",
    HEAD + rows(5, shape="{time},{t},{rh}" + "," * 4000 + "\n"),
    (6, 1, 0, 5, 0, 0),
)
case(
    "thousands of empty cells, one of them filled",
    HEAD + rows(5, shape="{time},{t},{rh}" + "," * 4000 + "\n") + rows(1, 5, "{time},{t},{rh}" + "," * 3000 + "x,,\n"),
    (7, 1, 0, 5, 0, 1),
)
case("thousands of empty names", "Time,T,RH" + "," * 4000 + "\n" + rows(5), (6, 1, 0, 5, 0, 0))
case("trailing delimiters", "Time,T,RH,\n" + rows(5, shape="{time},{t},{rh},\n"), (6, 1, 0, 5, 0, 0))
case("trailing delimiters in the rows alone", HEAD + rows(5, shape="{time},{t},{rh},\n"), (6, 1, 0, 5, 0, 0))
case(
    "a cell of 64 kB and one of more",
    HEAD + rows(3) + f"2021-01-01 02:00,{'7' * 65536},1\n2021-01-01 02:10,{'7' * 65537},1\n",
    (6, 1, 0, 4, 0, 1),
)

# ---- quotation marks

case("all quoted", '"Time","T","RH"\n' + rows(5, shape='"{time}","{t}","{rh}"\n'), (6, 1, 0, 5, 0, 0))
case(
    "a mark opened and never closed",
    HEAD + rows(3) + '"2021-01-01 00:30,1,2\n2021-01-01 00:40,"1,2\n' + rows(3, 5),
    (9, 1, 0, 6, 0, 2),
)
case(
    "a mark in the middle of a cell",
    HEAD + rows(3) + '2021-01-01 00:30,1"5,2\n2021-01-01 00:40,1",2\n',
    (6, 1, 0, 5, 0, 0),
)
case("a doubled mark left open", HEAD + rows(3) + '2021-01-01 00:30,"1"",2\n' + rows(3, 4), (8, 1, 0, 6, 0, 1))
case("a mark alone on its line", HEAD + rows(3) + '"\n' + rows(3, 3), (8, 1, 0, 6, 0, 1))
case("marks around delimiters", HEAD + rows(3) + '2021-01-01 00:30,"1,5",2\n', (5, 1, 0, 4, 0, 0))
case(
    "decimal comma inside quotes, comma between",
    HEAD + "".join(f'2021-01-01 00:{i}0,"{i},5","60,{i}"\n' for i in range(6)),
    (7, 1, 0, 6, 0, 0),
    Form(["Time", "T"], ["Time"], ISO, T_RH, decimal=","),
    station=make.station([make.table(make.layout(decimal=","))]),
)
# the trap: pyarrow's own reader loses the lines to the next mark in silence
many = rows(20000).splitlines(keepends=True)
for where, broken in ((1, '"{}'), (11, '{}"'), (11, '"{}'), (19999, '"{}')):
    line = many[where].rstrip("\n")
    text = HEAD + "".join(many[:where]) + broken.format(line) + "\n" + "".join(many[where + 1 :])
    lost = int(broken == '"{}')
    case(f"a stray mark in line {where} of 20,000: {broken}", text, (20001, 1, 0, 20000 - lost, 0, lost))

# ---- dialects

SEMI = Form(["Time", "T"], ["Time"], ISO, T_RH, decimal=",", delimiter=";")
COMMA = make.station([make.table(make.layout(decimal=","))])
semi = "Zeit: Größe\nTime;T;RH\n" + "".join(f"2021-01-01 00:{i}0;{i},5;60,{i}\n" for i in range(6))
for encoding in ("utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-le", "utf-16-be"):
    case(f"decimal comma, {encoding}", semi, (8, 2, 0, 6, 0, 0), SEMI, station=COMMA, encoding=encoding)
case(
    "UTF-16, big end first, with its mark and CR LF",
    codecs.BOM_UTF16_BE + semi.replace("\n", "\r\n").encode("utf-16-be"),
    (8, 2, 0, 6, 0, 0),
    SEMI,
    station=COMMA,
    encoding="utf-16",
)
for name, sign in (("tab", "\t"), ("bar", "|"), ("semicolon", ";")):
    case(
        name,
        (HEAD + rows(5)).replace(",", sign),
        (6, 1, 0, 5, 0, 0),
        Form(["Time", "T"], ["Time"], ISO, T_RH, delimiter=sign),
    )
case(
    "tab with empty cells",
    (HEAD + rows(5) + "2021-01-01 01:00,,5\n").replace(",", "\t"),
    (7, 1, 0, 6, 0, 0),
    Form(["Time", "T"], ["Time"], ISO, T_RH, delimiter="\t"),
)
BLANK = make.station([make.table(make.layout(["Day", "Hour", "T"], time=["Day", "Hour"]))])
BLANK_FORM = Form(["Day", "Hour", "T"], ["Day", "Hour"], ISO, T_RH, delimiter=" ")
case(
    "runs of blanks",
    "  Day        Hour   T     RH\n" + rows(5, shape=" {time}   {t:>6} \t {rh}  \n") + "2021-01-01 02:00 3\n\n",
    (8, 1, 1, 5, 0, 1),
    BLANK_FORM,
    station=BLANK,
)
case(
    "text columns beside numbers",
    "Time,T,F_T,RH,note\n" + rows(4, shape="{time},{t},<0> ok,{rh},FAN:ON\n") + '2021-01-01 02:00,bad,<1>,60,"a, b"\n',
    (6, 1, 0, 5, 0, 0),
)
case("words where numbers should be", HEAD + rows(3) + "2021-01-01 02:00,ERR,#REF!\n", (5, 1, 0, 4, 0, 0))
case(
    "markers of many kinds",
    HEAD + "".join(f"2021-01-01 00:{i}0,{m},{i}\n" for i, m in enumerate(['""', "nan", "-", "-9999.0", "7999"])),
    (6, 1, 0, 5, 0, 0),
    Form(["Time", "T"], ["Time"], ISO, T_RH, markers=["", "NAN", "-", "-9999", "7999"]),
    station=make.station([make.table(make.layout(missing=["", "NAN", "-", "-9999", "7999"]))]),
)

# ---- by position


def by_position(time: Sequence[int], format: str, interval: str = "10min", t: int = 2, rh: int = 3) -> Station:
    return make.station(
        [make.table(make.layout([], format, time=time), interval=interval)],
        [make.channel("t", t), make.channel("rh", rh, "relative_humidity")],
    )


case(
    "no names row",
    rows(6),
    (6, 0, 0, 6, 0, 0),
    Form([], [1], ISO, {"t": 2, "rh": 3}),
    station=by_position([1], "%Y-%m-%d %H:%M"),
)
case(
    "no names row, a banner and a last line cut off",
    "facts\nmore, facts\n" + rows(6) + "2021-01-01 01:00,0.",
    (9, 2, 0, 6, 0, 1),
    Form([], [1], ISO, {"t": 2, "rh": 3}),
    station=by_position([1], "%Y-%m-%d %H:%M"),
)
case(
    "no names row, tabs, empty cells after many full ones",
    rows(300, shape="{time}\t{t}\t{rh}\n").replace(" ", "\t") + "2021-01-05\t00:00\t\t60\n",
    (301, 0, 0, 301, 0, 0),
    Form([], [1, 2], ISO, {"t": 3, "rh": 4}, delimiter="\t"),
    station=by_position([1, 2], "%Y-%m-%d %H:%M", t=3, rh=4),
)
case(
    "no names row, blanks",
    rows(6, shape="{time} {t} {rh}\n"),
    (6, 0, 0, 6, 0, 0),
    Form([], [1, 2], ISO, {"t": 3, "rh": 4}, delimiter=" "),
    station=by_position([1, 2], "%Y-%m-%d %H:%M", t=3, rh=4),
)

# ---- stamps


def stamped(
    name: str,
    format: str,
    stamps: Sequence[str],
    reader: reference.When,
    *,
    columns: Sequence[str] = ("Time",),
    rejected: int = 0,
) -> None:
    """A case of one row for each stamp; a stamp of several columns is written with commas."""
    form = Form([*columns, "T"], columns, reader, T_RH)
    of = make.station([make.table(make.layout([*columns, "T"], format, time=columns))])
    text = ",".join([*columns, "T", "RH"]) + "\n" + "".join(f"{stamp},{i},{i + 50}\n" for i, stamp in enumerate(stamps))
    case(name, text, (len(stamps) + 1, 1, 0, len(stamps) - rejected, 0, rejected), form, station=of)


stamped(
    "24:00", "%Y-%m-%d %H:%M", ["2021-01-01 23:50", "2021-01-01 24:00", "2021-01-02 00:10", "2021-12-31 24:00"], ISO
)
stamped(
    "24:10 is no time", "%Y-%m-%d %H:%M", ["2021-01-01 23:50", "2021-01-01 24:10", "2021-02-29 00:00"], ISO, rejected=2
)
stamped(
    "AM and PM",
    "%m/%d/%Y %I:%M %p",
    ["01/02/2021 12:00 AM", "01/02/2021 12:10 AM", "01/02/2021 11:50 AM", "01/02/2021 12:00 PM", "01/02/2021 01:00 pm"],
    when("%m/%d/%Y %I:%M %p"),
)
stamped(
    "day first",
    "%d/%m/%Y %H:%M",
    ["01/02/2021 0:00", "13/02/2021 0:10", "30/02/2021 0:20"],
    when("%d/%m/%Y %H:%M"),
    rejected=1,
)
stamped(
    "month first",
    "%m/%d/%Y %H:%M",
    ["01/02/2021 0:00", "02/13/2021 0:10", "13/02/2021 0:20"],
    when("%m/%d/%Y %H:%M"),
    rejected=1,
)
stamped(
    "fractions",
    "%Y-%m-%d %H:%M:%S.%f",
    ["2021-01-01 00:00:00.5", "2021-01-01 00:00:00.123456", "2021-01-01 00:10:00"],
    when("%Y-%m-%d %H:%M:%S.%f", "%Y-%m-%d %H:%M:%S"),
)
stamped(
    "ISO with zone",
    "%Y-%m-%dT%H:%M:%S%z",
    ["2021-01-01T00:00:00Z", "2021-01-01T01:10:00+01:00", "2020-12-31T19:20:00-0500", "2021-01-01T00:30:00"],
    when("%Y-%m-%dT%H:%M:%S%z"),
    rejected=1,
)
stamped(
    "epoch seconds",
    "%s",
    ["1609459200", "1609459800", "1609460400.5", "16094x"],
    lambda text: datetime(1970, 1, 1) + timedelta(seconds=float(text)) if re.fullmatch(r"[0-9.]+", text) else None,
    rejected=1,
)
stamped(
    "year, day of year, hhmm",
    "%Y %j %H%M",
    ["2021,1,0", "2021,1,10", "2021,1,2350", "2021,365,100", "2021,366,0", "2020,366,0"],
    lambda text: _year_day(*map(int, text.split())),
    columns=("Year", "Day", "hhmm"),
    rejected=1,
)
stamped(
    "date and `0000 UTC`",
    "%Y/%m/%d %H%M UTC",
    ["2021/01/01,0000 UTC", "2021/01/01,2300 UTC", "2021/01/02,2400 UTC"],
    lambda text: when("%Y/%m/%d %H%M")(text.removesuffix(" UTC")),
    columns=("Data", "Hora"),
)
stamped(
    "five columns",
    "%Y %m %d %H %M",
    ["2021,1,1,0,0", "2021,1,1,0,10", "2021,13,1,0,20"],
    when("%Y %m %d %H %M"),
    columns=("Y", "M", "D", "h", "m"),
    rejected=1,
)


def _year_day(year: int, day: int, clock: int) -> datetime | None:
    found = datetime(year, 1, 1) + timedelta(days=day - 1, hours=clock // 100, minutes=clock % 100)
    return found if found.year == year else None


# ---- the comparison


def values_of(table: TableRecord, row: int) -> dict[str, float | None]:
    """The values of a row, None where there is none."""
    found = {name: float(channel.values[row]) for name, channel in table.channels.items()}
    return {name: None if np.isnan(value) else value for name, value in found.items()}


def rows_of(record: Record) -> dict[tuple[str, datetime], list[dict[str, float | None]]]:
    """All rows that were kept, those that stand first."""
    out: dict[tuple[str, datetime], list[dict[str, float | None]]] = {}
    for name, table in record.tables.items():
        assert (np.diff(table.time.astype(np.int64)) > 0).all()
        assert table.conflicts is not None
        for part in (table, table.conflicts):
            for row in range(part.rows):
                out.setdefault((name, part.time[row].astype("datetime64[us]").item()), []).append(values_of(part, row))
    return out


def test_there_are_enough_cases() -> None:
    assert len(CASES) >= 40
    assert len({c.name for c in CASES}) == len(CASES)


@pytest.mark.parametrize("one", CASES, ids=str)
def test_every_line_is_accounted_for(one: Case, tmp_path: Path) -> None:
    text = one.raw.decode(one.encoding)
    expected = reference.read(text, one.forms)
    assert (
        expected.lines,
        expected.header,
        expected.blank,
        expected.kept,
        expected.repeated,
        len(expected.rejects),
    ) == one.counts, "the second reader, against the counts by hand"
    record, refused = make.read(one.station or make.station(), tmp_path, one.raw)
    assert not refused
    (file,) = record.files
    assert (file.lines, file.header, file.blank, file.kept, file.repeated, file.rejected) == one.counts
    assert file.lines == file.header + file.blank + file.kept + file.repeated + file.rejected
    assert file.elsewhere == expected.elsewhere
    assert rows_match(rows_of(record), expected)
    assert sum(t.conflicts.rows for t in record.tables.values() if t.conflicts) == one.conflicts
    assert [r.line for r in record.rejects] == sorted(expected.rejects)
    for reject in record.rejects:
        reason, line = expected.rejects[reject.line]
        assert reason in reject.reason
        assert reject.text == line
        assert reject.file == str(tmp_path / "file-0.csv")


def rows_match(found: dict[tuple[str, datetime], list[dict[str, float | None]]], expected: reference.Account) -> bool:
    assert found.keys() == expected.rows.keys()
    for key, there in found.items():
        wanted = [dict(row) for row in expected.rows[key]]
        assert len(there) == len(wanted), key
        for row in there:
            named = {name: row[name] for name in wanted[0]}
            assert named in wanted, key
            assert all(value is None for name, value in row.items() if name not in named)
    return True


# ---- the open data, counted without either reader

STATIONS = {
    "campus": "campus_",
    "coast": "coast_",
    "estuary": "estuary_",
    "forest": "forest_",
    "hills": "hills_",
    "plateau": "plateau_",
    "roof": "roof_",
}
HEADER_LINES = {"campus": 1, "coast": 9, "estuary": 1, "forest": 4, "hills": 9, "plateau": 4, "roof": 1}


@pytest.mark.parametrize("name", STATIONS)
def test_open_data(name: str) -> None:
    path = shared(f"expected/{name}.toml")
    files = sorted(p for p in shared().glob("*.csv") if p.name.startswith(STATIONS[name]))
    assert files
    spec = tomllib.loads(path.read_text("utf-8"))["table"][0]["layout"][0]
    record, refused = read_tables(load(path), files)
    assert not refused
    seen: dict[str, set[str]] = {}
    kept = repeated = 0
    for file in record.files:
        raw = Path(file.path).read_bytes()
        lines = re.split(rb"\r\n|\r|\n", raw)
        lines = lines[:-1] if not lines[-1] else lines
        assert file.lines == len(lines)
        assert file.header == HEADER_LINES[name]
        sign = ";" if b";" in lines[file.header - 1] else ","
        at = [
            next(csv.reader([lines[_names_line(lines, spec)].decode("latin-1")], delimiter=sign)).index(c)
            for c in spec["time"]["columns"]
        ]
        blank = 0
        for line in csv.reader((x.decode("latin-1") for x in lines[file.header :]), delimiter=sign):
            if not any(cell.strip() for cell in line):
                blank += 1
                continue
            stamp = " ".join(line[p].strip() for p in at)
            row = "\x1f".join(line)
            if row in seen.get(stamp, set()):
                repeated += 1
            else:
                kept += 1
                seen.setdefault(stamp, set()).add(row)
        assert file.blank == blank
        assert file.rejected == 0
        assert file.lines == file.header + file.blank + file.kept + file.repeated + file.rejected
    assert sum(f.kept + f.repeated for f in record.files) == kept + repeated
    table = record.tables["main"]
    assert table.rows == len(seen)
    # rows that differ only in columns which are no channel are repeated to us, and differ to the csv module
    assert sum(f.kept for f in record.files) <= kept


def _names_line(lines: list[bytes], spec: dict[str, Any]) -> int:
    wanted = spec["time"]["columns"][0].encode("latin-1")
    return next(
        i for i, line in enumerate(lines) if line.strip(b'"').startswith(wanted) or b'"' + wanted + b'"' in line
    )
