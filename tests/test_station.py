"""The station file: what is taken, and what is refused with which words."""

from __future__ import annotations

import hashlib
import os
from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc import tomlfile
from qc.durations import seconds
from qc.errors import StationFileError
from qc.places import folder
from qc.station import Station, climates, load, parse
from tests.cli.runs import no_waiting
from tests.shared import shared
from tests.small import BROKEN, STATION, WRONG, Edits, changed


def _of(edits: Edits) -> Station:
    return parse(changed(edits).encode())


# ---- taken


def test_whole_station_file() -> None:
    station = parse(STATION.encode(), where="s.toml", path=Path("s.toml"))
    assert (station.id, station.station.latitude, station.station.longitude, station.station.elevation) == (
        "hay-loft",
        54.5,
        -3.1,
        120.0,
    )
    assert station.path == Path("s.toml")
    assert station.sha256 == hashlib.sha256(STATION.encode()).hexdigest()
    table = station.table[0]
    assert (table.interval_s, table.stray_s, table.side, table.line_counter) == (600.0, 30.0, "end", "No")
    t_air, p, wd = station.channel
    assert [c.columns for c in station.channel] == [["Temp"], ["Press", "Pressure"], ["Dir"]]
    assert (t_air.range, t_air.resolution, t_air.on_device, p.on_device) == ([-40.0, 60.0], 0.1, "probe-1", "p alone")
    assert t_air.deployment[0].from_ == datetime(2026, 1, 1, tzinfo=UTC)
    assert station.channels_of("ten") == [t_air, p, wd]
    assert station.learnt == {"date": date(2026, 3, 1)}


@pytest.mark.parametrize(
    ("edits", "where", "value"),
    [
        (("latitude = 54.5", "latitude = 90"), "station.latitude", 90.0),
        (("latitude = 54.5", "latitude = -90"), "station.latitude", -90.0),
        (("longitude = -3.1", "longitude = 180"), "station.longitude", 180.0),
        (("elevation = 120.0", "elevation = -450"), "station.elevation", -450.0),
        (('"hay-loft"', f'"{"a" * 41}"'), "station.id", "a" * 41),
        (('climate = "temperate"\n', ""), "station.climate", None),
        (('"visits.csv"', '"logs/visits.csv"'), "station.visits", "logs/visits.csv"),
        (('utc_offset = "+00:00"', 'time_zone = "Europe/London"'), "clock.0.time_zone", "Europe/London"),
        (('"+00:00"', '"+14:00"'), "clock.0.utc_offset", "+14:00"),
        (('"10min"', '"0.5 h"'), "table.0.interval_s", 1800.0),
        (('"10min"', '"1d"'), "table.0.interval_s", 86400.0),
        (('stray = "30s"\n', ""), "table.0.stray_s", 0.0),
        (('stray = "30s"', 'stray = "299s"'), "table.0.stray_s", 299.0),
        (('kind = "interval"\ninterval = "10min"\nstamps = "end"', 'kind = "event"'), "table.0.side", "instant"),
        (('column = "Temp"', "column = 3"), "channel.0.columns", [3]),
        (('column = "Temp"', 'column = ["Temp", 3]'), "channel.0.columns", ["Temp", 3]),
        (
            ("resolution = 0.1", "resolution = [[1000, 0.1], [2000, 1]]"),
            "channel.0.resolution",
            [[1000.0, 0.1], [2000.0, 1.0]],
        ),
        (("[-40.0, 60.0]", "[0, 100]"), "channel.0.range", [0.0, 100.0]),
        (('unit = "hPa"', 'unit = "hPa"\nmissing = ["-99"]'), "channel.1.missing", ["-99"]),
        (('unit = "degree"', 'unit = "degree"\nnorth = "magnetic"\ndeclination = 1.2'), "channel.2.declination", 1.2),
        (('name = "wd"', 'name = "timely"'), "channel.2.name", "timely"),
        (('name = "wd"', f'name = "{"w" * 41}"'), "channel.2.name", "w" * 41),
        (
            ("[learnt]\n", "[learnt]\nresolution = { t_air = 0.1 }\n"),
            "learnt",
            {"resolution": {"t_air": 0.1}, "date": date(2026, 3, 1)},
        ),
    ],
)
def test_taken(edits: Edits, where: str, value: object) -> None:
    found: object = _of(edits)
    for part in where.split("."):
        found = found[int(part)] if part.isdigit() else getattr(found, part)  # type: ignore[index]
    assert found == value


def test_first_clock_entry_holds_since_ever_and_the_others_from_their_time() -> None:
    first = "minutes_ahead = 0.0\nfrom = 2026-01-01T00:00:00Z"
    second = 'from = 2026-03-02T01:00:00+01:00\nutc_offset = "+01:00"'
    clock = _of(("minutes_ahead = 0.0", f"{first}\n[[clock]]\n{second}")).clock
    assert [c.from_ for c in clock] == [None, datetime(2026, 3, 2, tzinfo=UTC)]


def test_byte_order_mark_and_windows_line_ends_are_taken() -> None:
    raw = b"\xef\xbb\xbf" + STATION.replace("\n", "\r\n").encode()
    assert parse(raw).id == "hay-loft"
    assert parse(raw).sha256 == hashlib.sha256(raw).hexdigest()


def test_one_column_may_serve_two_tables() -> None:
    two = changed(
        (
            '[[channel]]\nname = "t_air"\n',
            '[[table]]\nid = "hour"\ninterval = "1h"\nstamps = "end"\n'
            + _layout("Hour")
            + "[[channel]]\nname = 't_air'\n",
        )
    )
    two = two.replace('quantity = "air', 'table = "ten"\nquantity = "air').replace(
        'quantity = "wind_direction"\ncolumn = "Dir"', 'table = "hour"\nquantity = "wind_direction"\ncolumn = "Temp"'
    )
    station = parse(two.encode())
    assert [c.name for c in station.channels_of("hour")] == ["wd"]


def _layout(name: str) -> str:
    names = f'[[table.layout]]\nnames = ["{name}"]\ndecimal = "."\nmissing = []\n'
    return f'{names}time = {{ columns = ["{name}"], format = "%s" }}\n'


@pytest.mark.parametrize("name", ["campus", "coast", "estuary", "forest", "hills", "plateau", "roof"])
def test_station_files_by_hand_load(name: str) -> None:
    station = load(shared(f"expected/{name}.toml"))
    assert station.channel


def test_sample_station_file_loads() -> None:
    station = load(folder("sample_data") / "otter-fell.station.toml")
    assert station.id == "otter-fell"
    assert len(station.table[0].layout) == 2


def test_climates_are_those_of_the_rules() -> None:
    assert climates() == ("any", "arid", "continental", "polar", "temperate", "tropical")


# ---- refused


def _line(error: pytest.ExceptionInfo[StationFileError], where: str) -> str:
    line = str(error.value)
    assert line.startswith(where)
    assert line.isprintable()
    assert len(line) < 1200
    for noise in ("Value error", "constrained", "function-", "pydantic", "input should"):
        assert noise not in line.casefold()
    return line


@pytest.mark.parametrize(("edits", "words"), [w[1:] for w in WRONG], ids=[w[0] for w in WRONG])
def test_refused(edits: Edits, words: tuple[str, ...]) -> None:
    with pytest.raises(StationFileError) as error:
        parse(changed(edits).encode(), where="s.toml")
    line = _line(error, "s.toml: ")
    for word in words:
        assert word in line
    assert "; " in line or "nearest known" in line, "it does not say how to mend it"


@pytest.mark.parametrize(("raw", "words"), [b[1:] for b in BROKEN], ids=[b[0] for b in BROKEN])
def test_no_station_file_at_all(raw: bytes, words: tuple[str, ...]) -> None:
    with pytest.raises(StationFileError) as error:
        parse(raw, where="s.toml")
    line = _line(error, "s.toml: ")
    for word in words:
        assert word in line


def test_misspelt_key_hides_the_missing_one() -> None:
    with pytest.raises(StationFileError) as error:
        _of(("latitude = 54.5", "lattitude = 54.5"))
    assert str(error.value) == "station file: station.lattitude: is no key of a station file (nearest known: latitude)"


def test_three_problems_are_told_in_full_and_the_others_counted() -> None:
    edits = [(f"{key} = ", f"x{key}y = ") for key in ("climate", "stray", "statistic", "serial", "minutes_ahead")]
    with pytest.raises(StationFileError) as error:
        _of(edits)
    line = str(error.value)
    assert line.count("is no key") == 3
    assert line.endswith("; and 2 more")


def test_every_shared_column_and_unit_is_told() -> None:
    with pytest.raises(StationFileError) as error:
        _of([('column = "Dir"', 'column = "Temp"'), ('unit = "hPa"', 'unit = "kg"')])
    assert "t_air's already" in str(error.value)
    assert "'kg'" in str(error.value)


@pytest.mark.parametrize("size", [tomlfile.LARGEST, tomlfile.LARGEST + 1])
def test_size(tmp_path: Path, size: int) -> None:
    path = tmp_path / "s.toml"
    path.write_bytes(STATION.encode() + b"#" * (size - len(STATION.encode())))
    if size <= tomlfile.LARGEST:
        assert load(path).id == "hay-loft"
    else:
        with pytest.raises(StationFileError, match="too large for a station file"):
            load(path)


@pytest.mark.parametrize("depth", [tomlfile.DEEPEST - 1, tomlfile.DEEPEST])
def test_depth(depth: int) -> None:
    text = changed(("[learnt]", "[learnt]\n" + ".".join("a" * depth) + " = 1"))
    if depth < tomlfile.DEEPEST:  # the file and [learnt] are two more, the last key is none
        assert parse(text.encode()).learnt
    else:
        with pytest.raises(StationFileError, match="nested too deeply"):
            parse(text.encode())


@pytest.mark.parametrize("kind", ["folder", "fifo", "nothing", "loop", "nul"])
def test_path_that_is_no_plain_file(tmp_path: Path, kind: str) -> None:
    path = tmp_path / kind
    if kind == "folder":
        path.mkdir()
    elif kind == "fifo":
        os.mkfifo(path)
    elif kind == "loop":
        path.symlink_to(path)
    elif kind == "nul":
        path = tmp_path / "a\0b"
    told = {
        "folder": "is a folder",
        "fifo": "is no plain file",
        "nothing": "does not exist",
        "loop": "cannot be read",
        "nul": "is no path",
    }
    with no_waiting(), pytest.raises(StationFileError, match=told[kind]):
        load(path)


@settings(max_examples=200, deadline=None)
@given(st.text(max_size=200), st.integers(0, len(STATION) - 1), st.integers(0, 40))
def test_whatever_is_written_into_it_there_is_a_station_or_one_line(text: str, at: int, cut: int) -> None:
    raw = (STATION[:at] + text + STATION[at + cut :]).encode("utf-8", "surrogatepass")
    try:
        parse(raw)
    except StationFileError as error:
        assert str(error).isprintable()


# ---- durations


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("30s", 30),
        ("30 sec", 30),
        ("10min", 600),
        (" 1h ", 3600),
        ("1.5h", 5400),
        ("1d", 86400),
        ("366d", 366 * 86400),
        ("0.001s", 0.001),
    ],
)
def test_durations(text: str, value: float) -> None:
    assert seconds(text) == value


@pytest.mark.parametrize(
    "text",
    [
        "",
        "10",
        "min",
        "-10min",
        "10 minutes",
        "1e3s",
        "0s",
        "0.0009s",
        "366.1d",
        "infs",
        "nan s",
        "١٠min",
        "10min 30s",
        "9" * 5000 + "s",
        None,
        600,
    ],
)
def test_no_durations(text: object) -> None:
    with pytest.raises(ValueError, match="is no duration"):
        seconds(text)
