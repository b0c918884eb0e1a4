"""Random tables in random dialects read back to the same numbers and accounts; no bytes raise an error not our own."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from qc.errors import FairvaneError
from qc.read.tables import read_tables
from qc.record import Record
from qc.station import Station
from tests.read import make

CHANNELS = ("a", "b", "c")
FIRST = datetime(2021, 3, 1)


@dataclass(frozen=True)
class Dialect:
    delimiter: str
    decimal: str
    quoted: str  # none, some or all of the cells
    end: str  # or mixed
    encoding: str
    trailing: int
    banner: int
    units: bool
    last_end: bool

    @property
    def names(self) -> list[str]:
        if self.delimiter == " ":
            return ["Day", "Hour", *(f"Größe_{name}" for name in CHANNELS)]
        return ["Time", *(f"Größe {name}" for name in CHANNELS)]

    @property
    def station(self) -> Station:
        time, columns = self.names[: -len(CHANNELS)], self.names[-len(CHANNELS) :]
        missing = ["NAN"] if self.delimiter == " " else ["", "NAN", "-9999"]
        layout = make.layout([*time, columns[0]], time=time, decimal=self.decimal, missing=missing)
        return make.station(
            [make.table(layout)], [make.channel(name, column) for name, column in zip(CHANNELS, columns, strict=True)]
        )


@st.composite
def dialects(draw: st.DrawFn) -> Dialect:
    delimiter = draw(st.sampled_from(",;\t| "))
    quoted = "none" if delimiter == " " else draw(st.sampled_from(["none", "some", "all"]))
    decimal = draw(st.sampled_from(".,")) if delimiter != "," or quoted == "all" else "."
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "latin-1", "utf-16", "utf-16-le", "utf-16-be"]))
    return Dialect(
        delimiter, decimal, quoted, draw(st.sampled_from(["\n", "\r\n", "\r", "mixed"])), encoding,
        0 if delimiter == " " else draw(st.integers(0, 3)), draw(st.integers(0, 12)),
        draw(st.booleans()), draw(st.booleans()),
    )  # fmt: skip


NUMBERS = st.one_of(
    st.integers(-9998, 9998).map(str),
    st.decimals(-1000, 1000, places=3, allow_nan=False).map(str),
    st.floats(allow_nan=False, allow_infinity=False, width=32).map(repr),
    st.sampled_from(["+5", "5.", ".9", "-.5", "1e3", "1E-2", "-0.0", "0"]),
)
CELL = st.one_of(NUMBERS, NUMBERS, st.sampled_from(["NAN", "nan"]))
TABLE = st.dictionaries(st.integers(0, 300), st.tuples(CELL, CELL, CELL), min_size=1, max_size=12)
BROKEN = ["short", "long", "open", "nul", "stamp", "word"]


def value(cell: str) -> float | None:
    try:
        return None if cell.casefold() == "nan" else float(cell) + 0.0
    except ValueError:
        return None


def written(
    dialect: Dialect, cells: list[str], random: Any, between: Sequence[str] = (" ", "   ", "\t", " \t ")
) -> str:
    """One line of cells."""
    out = []
    for cell in cells:
        text = cell if value(cell) is None else cell.replace(".", dialect.decimal)
        quote = dialect.quoted == "all" or (dialect.quoted == "some" and random.random() < 0.3)
        out.append(f'"{text}"' if quote else text)
    line = dialect.delimiter.join(out)
    if dialect.delimiter == " ":
        line = " " * random.randrange(3) + line.replace(" ", random.choice(between)) + " " * random.randrange(2)
    return line + dialect.delimiter * dialect.trailing


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(
    dialects(),
    TABLE,
    st.lists(st.sampled_from([*BROKEN, "blank", "white", "empty", "header", "again"]), max_size=8),
    st.randoms(),
)
def test_a_table_reads_the_same_in_every_dialect(
    dialect: Dialect, table: dict[int, tuple[str, str, str]], others: list[str], random: Any
) -> None:
    blanks = dialect.delimiter == " "

    def row(slot: int, cells: tuple[str, ...]) -> list[str]:
        stamp = f"{FIRST + timedelta(minutes=10 * slot):%Y-%m-%d %H:%M}"
        return [*(stamp.split(" ") if blanks else [stamp]), *cells]

    header = [written(dialect, dialect.names, random, (" ", "   "))]
    if dialect.units:
        header.append(written(dialect, ["TS"] * (len(dialect.names) - 3) + ["°C"] * 3, random))
    counts = dict.fromkeys(("header", "blank", "repeated", "rejected"), 0)
    body = [written(dialect, row(slot, cells), random) for slot, cells in table.items()]
    rejected: list[str] = []
    for other in others:
        slot, cells = random.choice(sorted(table.items()))
        if other == "again":
            body.append(written(dialect, row(slot, cells), random))
            counts["repeated"] += 1
        elif other == "header":
            body.append(header[-1])
            counts["header"] += 1
        elif other in ("blank", "white", "empty"):
            body.append({"blank": "", "white": " \t ", "empty": dialect.delimiter * 9}[other])
            counts["blank"] += 1
        else:
            line = written(dialect, row(400, cells), random)
            first = line.replace('"', "").lstrip()
            line = {
                "short": dialect.delimiter.join(["2021-03-01", "00:00"][: 1 + blanks]),
                "long": (line.rstrip(" \t") if blanks else line) + f"{dialect.delimiter}7" * 2,
                "open": '"' + first,
                "nul": first[:3] + "\0" + first[3:] if not dialect.encoding.startswith("utf-16") else "###",
                "stamp": first.replace("2021", "20x1"),
                "word": "logger restarted",
            }[other]
            rejected.append(line)
            body.append(line)
    random.shuffle(body)
    banner = [f"fact{i}: {i}" for i in range(dialect.banner)]
    lines = [*banner, *header, *body]
    ends = [random.choice(["\n", "\r\n"]) if dialect.end == "mixed" else dialect.end for _ in lines]
    text = "".join(line + end for line, end in zip(lines, ends, strict=True))
    if not dialect.last_end and lines[-1]:
        text = text[: -len(ends[-1])]
    with tempfile.TemporaryDirectory() as folder:
        record, refused = make.read(dialect.station, Path(folder), text.encode(dialect.encoding))
    assert not refused
    (file,) = record.files
    assert (file.lines, file.header, file.blank) == (
        len(lines),
        len(banner) + len(header) + counts["header"],
        counts["blank"],
    )
    assert (file.kept, file.repeated, file.rejected) == (len(table), counts["repeated"], len(rejected))
    assert [(r.line, r.text) for r in record.rejects] == [
        (i, line) for i, line in enumerate(lines, 1) if line in rejected
    ]
    found = record.tables["ten"]
    slots = sorted(table)
    assert found.time.tolist() == [FIRST + timedelta(minutes=10 * slot) for slot in slots]
    for number, name in enumerate(CHANNELS):
        expected = [value(table[slot][number]) for slot in slots]
        assert [None if np.isnan(v) else v for v in found.channels[name].values.tolist()] == expected


# ---- bytes of any kind

POSITION = make.station([make.table(make.layout([], time=[1]))], [make.channel("t", 2)])
LAYOUTS = [make.layout(), make.layout(["Stamp"], "%s", time=["Stamp"], decimal=",")]
NAMED = make.station(
    [make.table(*LAYOUTS, line_counter="No", select={"column": "site", "equals": "A"})],
    [
        make.channel("t", ["T", 3]),
        make.channel("x", "X", "other"),
        make.channel("r", "R", "precipitation", statistic="counter"),
    ],
    [{"time_zone": "Europe/London"}],
)
SEED = (
    b"facts\nsite,Time,No,T,X,R\nA,2021-10-31 00:50,1,1.5,ON,3\nB,2021-10-31 01:00,2,2.5,OFF,4\n"
    b'A,2021-10-31 01:00,3,"2.5",,4\nA,2021-10-31 01:00,3,,NAN,5\nsite,Stamp,No,T,R\nA,1635642600,5,7,8\n'
)
PIECES = [
    b"\n",
    b"\r",
    b"\r\n",
    b'"',
    b",",
    b";",
    b"\0",
    b"\xff",
    b"\xef\xbb\xbf",
    b"\xff\xfe",
    b"Time",
    b"Stamp",
    b"site",
    b"A,",
    b"9" * 40,
]
PIECES += [
    b"1e999",
    b"-",
    b"\t",
    b" " * 70,
    b"2021-10-31 01:30",
    b"2021-03-28 01:30",
    b"site,Time,No,T,X,R\n",
    b"NAN",
    b"," * 300,
    b"\xc2\x85",
]


def survives(raw: bytes) -> list[Record]:
    """Read bytes with every kind of station: it works, or tells why in one line of ours."""
    found = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(raw)
        for station in (NAMED, POSITION, make.station()):
            try:
                record, _ = read_tables(station, [path, path])
            except FairvaneError as error:
                assert "\n" not in error.line()
            else:
                for file in record.files:
                    assert file.lines == file.header + file.blank + file.kept + file.repeated + file.rejected
                    assert file.rejected == sum(r.file == file.path for r in record.rejects) / 2
                found.append(record)
    return found


@settings(max_examples=200)
@given(st.binary(max_size=400))
@example(b"\n")
@example(b"Time,T\n")
@example(b"Time,T\n\n")
@example(b"\xff\xfe\n")
@example(b"2021-01-01 00:00,1\n" + b"\0" * 200)
def test_no_bytes_raise_anything_else(raw: bytes) -> None:
    survives(raw)


@settings(max_examples=150)
@given(st.lists(st.tuples(st.integers(0, len(SEED)), st.integers(0, 12), st.sampled_from(PIECES)), max_size=6))
def test_no_damage_to_a_table_raises_anything_else(damage: list[tuple[int, int, bytes]]) -> None:
    raw = SEED
    for at, cut, piece in damage:
        raw = raw[:at] + piece + raw[at + cut :]
    survives(raw)


@settings(max_examples=150)
@given(st.lists(st.sampled_from([*PIECES, b"1,2,3\n", b"A,2021-10-31 00:50,1,1.5,ON,3\n"]), max_size=40))
def test_no_heap_of_pieces_raises_anything_else(pieces: list[bytes]) -> None:
    survives(b"".join(pieces))


def test_the_seed_itself_reads() -> None:
    first, *_ = survives(SEED)
    assert first.tables["ten"].rows == 3
    assert first.files[0].elsewhere == 1
