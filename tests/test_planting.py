"""Whole faults planted in the text of tables: equal to the short way through the record, and not a byte elsewhere."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from qc.errors import InputError
from qc.faults import Injection
from qc.injection import Files
from qc.places import folder
from qc.record import Record
from qc.station import Station, load, parse
from qc.verdicts import Floats
from tests.bench.invented import made
from tests.faults.planted import planted
from tests.shared import shared

SAMPLE = folder("sample_data")


@dataclass(frozen=True)
class Planting:
    """What is planted, without the rest of an Injection."""

    values: Mapping[str, Floats] = field(default_factory=dict)
    ahead_s: Floats | None = None
    station: Station | None = None


@cache
def sample() -> Files:
    return Files(load(SAMPLE / "otter-fell.station.toml"), [SAMPLE / "otter-fell_a.csv", SAMPLE / "otter-fell_b.csv"])


@cache
def roof() -> Files:
    return Files(load(shared("expected/roof.toml")), [shared("roof_10min.csv")])


@cache
def campus() -> Files:
    return Files(load(shared("expected/campus.toml")), [shared("campus_2025_01.csv")])


STATIONS: dict[str, Callable[[], Files]] = {"sample": sample, "roof": roof, "campus": campus}


def ghi_of(record: Record) -> str:
    return next(c.name for c in record.station.channel if c.quantity == "global_irradiance")


def injection(record: Record, **what: object) -> Injection:
    time = next(iter(record.tables.values())).time
    return Injection((), time[0], time[-1], {}, **what)  # type: ignore[arg-type]


def assert_same(a: Record, b: Record) -> None:
    """Two records hold the same but for rows that were in conflict, where another one may stand now."""
    for name, table in a.tables.items():
        other = b.tables[name]
        here = ~table.conflicting
        there = np.isin(other.time, table.time[here]) & ~other.conflicting
        here &= np.isin(table.time, other.time[there])
        assert here.sum() >= 0.98 * table.rows
        for channel in table.channels:
            x, y = table.channels[channel].values[here], other.channels[channel].values[there]
            assert np.array_equal(np.isnan(x), np.isnan(y)), channel
            assert np.nanmax(np.abs(x - y), initial=0.0) < 1e-9, channel


@pytest.mark.parametrize("name", STATIONS)
def test_the_text_says_what_the_short_way_says(name: str) -> None:
    files = STATIONS[name]()
    record = files.record
    table = next(iter(record.tables))
    before = record.tables[table]
    rng = np.random.default_rng(4)
    values = {}
    for channel, column in before.channels.items():
        if record.channel(channel).quantity in ("wind_direction", "precipitation", "other"):
            continue
        new = column.values.copy()
        rows = slice(before.rows // 3, before.rows // 2)
        quantum = {"sample": 0.1, "roof": 0.01, "campus": 0.1}[name]
        new[rows] = np.round(
            np.abs(new[rows]) * 1.25 + 3 + rng.normal(size=new[rows].shape), 1 if quantum == 0.1 else 2
        )
        new[before.rows // 2 + 5] = np.nan
        if record.channel(channel).quantity == "relative_humidity":
            new = np.minimum(new, 99.0)  # a column of four digits in all has fewer behind the sign from 100 on
        values[channel] = new
    one = injection(record, values=values)
    assert_same(planted(record, table, one), files.spoilt(table, one))


@pytest.mark.parametrize("name", STATIONS)
@pytest.mark.parametrize("minutes", [60, -7])
def test_stamps_are_written_as_the_table_writes_them(name: str, minutes: int) -> None:
    files = STATIONS[name]()
    record = files.record
    table = next(iter(record.tables))
    rows = record.tables[table].rows
    one = injection(
        record,
        ahead_s=np.where(
            np.arange(rows) < rows // 2 if minutes < 0 else np.arange(rows) >= rows // 2, 60.0 * minutes, 0.0
        ),
    )
    got, want = files.spoilt(table, one).tables[table], planted(record, table, one).tables[table]
    assert np.array_equal(got.time, want.time)
    alike = ~got.conflicting
    assert alike.mean() > 0.98
    for channel in want.channels:
        assert np.array_equal(got.channels[channel].values[alike], want.channels[channel].values[alike], equal_nan=True)


def test_nothing_planted_is_the_file_itself() -> None:
    files = sample()
    table = next(iter(files.record.tables))
    raws = [(SAMPLE / n).read_bytes() for n in ("otter-fell_a.csv", "otter-fell_b.csv")]
    assert files.planted(table, Planting({"ghi": files.record.tables[table].channels["ghi"].values})) == raws


def test_only_the_cells_asked_for_change() -> None:
    files = sample()
    table = next(iter(files.record.tables))
    values = files.record.tables[table].channels["p"].values.copy()
    values[7000] += 3.0
    raws = [(SAMPLE / n).read_bytes() for n in ("otter-fell_a.csv", "otter-fell_b.csv")]
    got = files.planted(table, Planting({"p": values}))
    differing = [
        (a, b)
        for x, y in zip(raws, got, strict=True)
        for a, b in zip(x.split(b"\n"), y.split(b"\n"), strict=True)
        if a != b
    ]
    assert len(differing) == 1
    ((was, now),) = differing
    assert sum(a != b for a, b in zip(was.split(b","), now.split(b","), strict=True)) == 1


def test_columns_that_are_exchanged_exchange_their_text() -> None:
    one = made("A-maritime", 6)
    with_files = files_of(one.text, one.raw)
    record = with_files.record.tables["main"]
    half = np.arange(record.rows) >= record.rows // 2
    t, p = (record.channels[c].values for c in ("t", "p"))
    spoilt = with_files.spoilt("main", Planting({"t": np.where(half, p, t), "p": np.where(half, t, p)}))
    after = spoilt.tables["main"].channels
    assert np.array_equal(after["t"].values[half], p[half], equal_nan=True)  # not clipped, not on the other's steps
    assert np.array_equal(after["p"].values[half], t[half], equal_nan=True)
    assert np.array_equal(after["t"].values[~half], t[~half], equal_nan=True)


def files_of(text: str, raw: bytes) -> Files:
    import tempfile

    with tempfile.TemporaryDirectory() as where:
        path = Path(where) / "table.csv"
        path.write_bytes(raw)
        return Files(parse(text.encode()), [path])


@pytest.mark.parametrize(("bounded", "top"), [(True, 100.0), (False, 120.0)])
def test_a_sensor_ends_at_its_bounds_and_a_logger_does_not(bounded: bool, top: float) -> None:
    one = made("A-maritime", 6)
    files = files_of(one.text, one.raw)
    values = np.full(files.record.tables["main"].rows, 120.0)
    got = files.spoilt("main", Planting({"rh": values}), bounded=bounded).tables["main"].channels["rh"].values
    assert got.min() == got.max() == top


def test_no_number_is_the_marker_of_the_table() -> None:
    one = made("A-south", 6)
    files = files_of(one.text, one.raw)
    values = files.record.tables["main"].channels["t"].values.copy()
    values[10] = np.nan
    (raw,) = files.planted("main", Planting({"t": values}))
    assert raw.split(b"\n")[11].split(b";")[1] == b"-9999"


COUNTER = """
[station]
id = "counter"
latitude = 54.6
longitude = -2.9
elevation = 310.0
[[clock]]
utc_offset = "+02:00"
[[table]]
id = "t"
interval = "10min"
stamps = "end"
[[table.layout]]
names = ["Day", "R"]
decimal = "."
missing = [""]
time = { columns = ["Day", "Hour"], format = "%m/%d/%Y %I:%M %p" }
[[channel]]
name = "rain"
quantity = "precipitation"
column = "R"
unit = "0.2 mm"
statistic = "counter"
[[channel]]
name = "wd"
quantity = "wind_direction"
column = "D"
unit = "degree"
north = "magnetic"
declination = -10.0
"""
ROWS = b"Day,Hour,R,D\n5/1/2026,9:50 AM,10,350\n5/1/2026,12:00 PM,11,355\n5/1/2026,12:10 PM,11,5.0\n"
ROWS += b"5/1/2026,12:20 PM,13,20\n"


def test_totals_go_on_from_what_a_counter_missed_and_the_needle_points_where_it_did() -> None:
    files = files_of(COUNTER, ROWS)
    table = files.record.tables["t"]
    assert table.channels["rain"].values.tolist()[2:] == [0.0, 0.4]
    (raw,) = files.planted(
        "t", Planting({"rain": np.array([np.nan, np.nan, 1.0, 0.4]), "wd": np.array([5.0, 345.0, 355.0, 30.0])})
    )
    assert [line.split(b",")[2:] for line in raw.split(b"\n")[1:5]] == [
        [b"10", b"15"], [b"11", b"355"], [b"16", b"5.0"], [b"18", b"40"],
    ]  # fmt: skip


def test_stamps_with_a_half_of_the_day() -> None:
    files = files_of(COUNTER, ROWS)
    (raw,) = files.planted("t", Planting(ahead_s=np.full(4, 43200.0)))
    stamps = [b" ".join(line.split(b",")[:2]) for line in raw.split(b"\n")[1:5]]
    assert stamps == [b"5/1/2026 9:50 PM", b"5/2/2026 12:00 AM", b"5/2/2026 12:10 AM", b"5/2/2026 12:20 AM"]


def test_a_station_file_that_is_wrong_is_read_with() -> None:
    one = made("A-maritime", 6)
    files = files_of(one.text, one.raw)
    site = files.station.station.model_copy(update={"latitude": 10.0})
    spoilt = files.spoilt("main", Planting(station=files.station.model_copy(update={"station": site})))
    assert spoilt.station.station.latitude == 10.0
    assert replace(spoilt, station=files.station).tables["main"].rows == files.record.tables["main"].rows


@pytest.mark.parametrize("name", ["A-continental", "A-maritime"])
def test_kilowatts_are_printed_with_the_digits_that_they_need(name: str) -> None:
    """In whole watts per square metre or tenths of them nothing would be left of a kilowatt."""
    from qc.diagnosis import case_of
    from qc.faults import registry
    from tests.faults.planted import unchecked

    one = made(name, 8)
    with tempfile.TemporaryDirectory() as where:
        _, table = one.write(Path(where))
        files = Files(one.station, [table])
        case = case_of(unchecked(files.record), next(iter(files.record.tables)))
        injections = (registry()["unit-wrong"].inject(case, "gross", np.random.default_rng(s)) for s in range(40))
        injection = next(i for i in injections if i and i.evidence["unit_found"] == "kW/m2")
        light = files.spoilt(case.table.table.id, injection).tables[case.table.table.id].channels["ghi"].values
    late = case.time >= injection.first
    np.testing.assert_allclose(light[late], case.table.channels["ghi"].values[late] / 1000.0, atol=0.00051)


def test_stamps_that_cannot_be_written_are_told() -> None:
    text = COUNTER.replace("%m/%d/%Y %I:%M %p", "%d %b %Y %H:%M")
    raw = b"Day,Hour,R,D\n01 M\xc3\xa4rz 2026,09:50,10,350\n01 M\xc3\xa4rz 2026,10:00,11,355\n"
    files = files_of(text, raw)
    with pytest.raises(InputError, match="cannot be written anew"):
        files.planted("t", Planting(ahead_s=np.full(2, 60.0)))
