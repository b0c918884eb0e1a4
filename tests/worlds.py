"""Stations with their raw lines, each line with its true time: what the law of reach is tried on.

A world knows for every physical line when its row was measured, so that a record can be cut as a person cuts files: by
time, whatever the logger clock showed.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np

from qc.places import folder
from qc.station import Station, load, parse

US = 1_000_000


@dataclass(frozen=True)
class Row:
    """One physical line: true UTC (microseconds since 1970) of its stamp, the head that it stands under, its text."""

    utc: int
    head: str
    text: str


@dataclass(frozen=True, eq=False)
class World:
    """A station and its lines. `heads`: header lines of each layout; `text`: the station file, if it was made here."""

    name: str
    station: Station
    heads: dict[str, str]
    rows: tuple[Row, ...]
    encoding: str = "utf-8"
    text: str = ""


def us(text: str) -> int:
    """Microseconds of an ISO time in UTC."""
    return int(np.datetime64(text, "us").astype(np.int64))


def write(world: World, where: Path, files: Sequence[Sequence[Row]]) -> list[Path]:
    """Write lists of rows as files; rows under different heads go to different files."""
    paths = []
    for rows in files:
        for head in dict.fromkeys(r.head for r in rows):
            path = where / f"{len(paths):03}.csv"
            text = world.heads[head] + "".join(f"{r.text}\n" for r in rows if r.head == head)
            path.write_bytes(text.encode(world.encoding))
            paths.append(path)
    return paths


@cache
def sample() -> World:
    """The sample station: two files of different layout, with all its planted faults."""
    where = folder("sample_data")
    station = load(where / "otter-fell.station.toml")
    rows: list[Row] = []
    heads = {}
    for name, first, stamp, form in (
        ("otter-fell_a.csv", 3, slice(0, 19), "%d.%m.%Y;%H:%M:%S"),
        ("otter-fell_b.csv", 4, slice(0, 19), "%Y-%m-%dT%H:%M:%S"),
    ):
        raw = (where / name).read_bytes()
        lines = raw.decode("latin-1").removesuffix("\n").split("\n")  # bytes as they stand, whatever the encoding
        heads[name] = "".join(f"{line}\n" for line in lines[:first])
        for line in lines[first:]:
            moment = datetime.strptime(line[stamp], form).replace(tzinfo=UTC)
            rows.append(Row(round(moment.timestamp()) * US, name, line))
    text = (where / "otter-fell.station.toml").read_text("utf-8")
    return World("sample", station, heads, tuple(sorted(rows, key=lambda r: r.utc)), "latin-1", text)


def part(world: World, first: str, last: str) -> World:
    """The rows of a world from one time to another."""
    rows = tuple(r for r in world.rows if us(first) <= r.utc <= us(last))
    return World(world.name, world.station, world.heads, rows, world.encoding, world.text)


STATION = """
[station]
id = "heath"
latitude = {latitude}
longitude = {longitude}
elevation = 120.0

{clock}

[[table]]
id = "quick"
interval = "{interval}"
stamps = "{side}"
{extra}
[[table.layout]]
names = ["stamp", "t"]
decimal = "."
missing = ["", "NAN", "-9999"]
time = {{ columns = ["stamp"], format = "%Y-%m-%d %H:%M:%S" }}

[[table]]
id = "slow"
interval = "1h"
stamps = "end"
[[table.layout]]
names = ["hour", "p"]
decimal = ","
missing = ["-"]
time = {{ columns = ["hour"], format = "%d.%m.%Y %H:%M" }}

[[channel]]
name = "t"
table = "quick"
quantity = "air_temperature"
column = "t"
unit = "degC"
resolution = 0.1
range = [-40.0, 70.0]
[[channel.deployment]]
from = {middle}
unit = "degF"
range = [-40.0, 150.0]

[[channel]]
name = "g"
table = "quick"
quantity = "global_irradiance"
column = "g"
unit = "kW/m2"
statistic = "mean"

[[channel]]
name = "wd"
table = "quick"
quantity = "wind_direction"
column = "wd"
unit = "degree"
north = "magnetic"
declination = 2.3

[[channel]]
name = "rain"
table = "quick"
quantity = "precipitation"
column = "count"
unit = "0.2 mm"
statistic = "counter"
resolution = 0.2

[[channel]]
name = "word"
table = "quick"
quantity = "other"
column = "word"
unit = "1"

[[channel]]
name = "p"
table = "slow"
quantity = "air_pressure"
column = "p"
unit = "hPa"
resolution = 0.1

[[channel]]
name = "t_soil"
table = "slow"
quantity = "soil_temperature"
column = "ts"
unit = "degC"
"""

WORDS = ("ok", "", "door, open", 'said "no"', "=1+1", "-", "NAN")
UTC_CLOCK = '[[clock]]\nutc_offset = "+00:00"'


def heath(
    seed: int,
    *,
    first: str = "2025-06-20T00:00:00",
    hours: int = 30,
    minutes: int = 10,
    side: str = "end",
    clock: str = UTC_CLOCK,
    shown: Callable[[datetime], datetime] = lambda moment: moment,
    counter: bool = False,
    stray: int = 0,
    newest_first: bool = False,
    place: tuple[float, float] = (54.6, -2.9),
) -> World:
    """A made-up station of two tables: weather by chance with jumps, markers, words, gaps and conflicting rows.

    Parameters
    ----------
    clock, shown : the station file's [[clock]], and what that clock shows at a moment in UTC.
    counter : with a line counter in the table `quick`.
    stray : seconds by which stamps lie off the grid, as the station file allows it; a few lie farther.
    """
    rng = np.random.default_rng(seed)
    begin = datetime.fromisoformat(first).replace(tzinfo=UTC)
    extra = ('line_counter = "no"\n' if counter else "") + (f'stray = "{stray}s"\n' if stray else "")
    text = STATION.format(
        latitude=place[0], longitude=place[1], clock=clock, interval=f"{minutes}min", side=side, extra=extra,
        middle=(begin + timedelta(hours=hours / 2)).strftime("%Y-%m-%dT%H:%M:%SZ"),
    )  # fmt: skip
    station = parse(text.encode())
    heads = {"quick": "stamp,no,t,g,wd,count,word\n", "slow": "hour;p;ts\n"}
    rows: list[Row] = []
    total, t, number = 1000, 12.0, 0
    steps = hours * 60 // minutes
    silent = rng.integers(0, steps, 2)
    for step in range(1, steps + 1):
        number += 1
        if rng.random() < 0.02 or any(0 <= step - s < 9 for s in silent):
            continue
        moment = begin + timedelta(minutes=minutes * step)
        if stray:
            moment += timedelta(seconds=int(rng.integers(-stray, stray + 1)))
        if rng.random() < 0.01:
            moment += timedelta(seconds=int(rng.integers(1, 60 * minutes)))
        t += rng.normal(0, 0.6)
        total = 0 if rng.random() < 0.01 else total + int(rng.integers(0, 3))
        for _ in range(2 if rng.random() < 0.04 else 1):
            kelvin = t + rng.choice([0.0, 0.0, 0.0, 0.0, 12.0, -15.0, 90.0])
            later = step * minutes > hours * 30
            cells = [
                _cell(rng, kelvin * 1.8 + 32 if later else kelvin, 1),
                _cell(rng, max(0.0, rng.normal(0.3, 0.5)), 4),
                _cell(rng, rng.uniform(0, 360), 1),
                _cell(rng, total, 0),
                f'"{word}"' if "," in (word := str(rng.choice(WORDS))) else word,
            ]
            local = shown(moment).strftime("%Y-%m-%d %H:%M:%S")
            rows.append(Row(round(moment.timestamp()) * US, "quick", ",".join([local, str(number), *cells])))
    for hour in range(hours + 1):
        if rng.random() < 0.05:
            continue
        moment = begin + timedelta(hours=hour)
        for _ in range(2 if rng.random() < 0.05 else 1):
            pressure = 995.0 + rng.normal(0, 1.5) + rng.choice([0.0] * 8 + [60.0, -120.0])
            cells = [_cell(rng, pressure, 1), _cell(rng, 8 + rng.normal(0, 0.2) + rng.choice([0.0] * 9 + [9.0]), 2)]
            local = shown(moment).strftime("%d.%m.%Y %H:%M")
            line = ";".join([local, *(cell.replace(".", ",").replace("NAN", "-") for cell in cells)])
            rows.append(Row(round(moment.timestamp()) * US, "slow", line))
    order = -1 if newest_first else 1
    rows.sort(key=lambda r: (r.head, order * r.utc))
    return World(f"heath {seed}", station, heads, tuple(rows), text=text)


def _cell(rng: np.random.Generator, value: float, digits: int) -> str:
    chance = rng.random()
    if chance < 0.02:
        return "NAN"
    if chance < 0.03:
        return "12#4"
    return f"{value:.{digits}f}"


def in_zone(name: str) -> Callable[[datetime], datetime]:
    """What a clock that follows this zone shows."""
    zone = zoneinfo.ZoneInfo(name)
    return lambda moment: moment.astimezone(zone)
