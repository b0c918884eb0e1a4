"""Small stations for tests of outputs: text in, `Result` out."""

from __future__ import annotations

from pathlib import Path

from qc import run
from qc.run import Result
from qc.station import Station, parse

STATION = """
[station]
id = "moor"
latitude = 54.6
longitude = -2.9
elevation = 120.0
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "ten"
interval = "10min"
stamps = "end"
[[table.layout]]
names = ["time", "t"]
decimal = "."
missing = ["", "NAN"]
time = { columns = ["time"], format = "%Y-%m-%dT%H:%M" }
[[channel]]
name = "t"
quantity = "air_temperature"
column = "t"
unit = "degC"
[[channel]]
name = "tf"
quantity = "surface_temperature"
column = "tf"
unit = "degF"
[[channel]]
name = "wd"
quantity = "wind_direction"
column = "wd"
unit = "degree"
north = "magnetic"
declination = 2.5
[[channel]]
name = "rain"
quantity = "precipitation"
column = "count"
unit = "0.2 mm"
statistic = "counter"
[[channel]]
name = "word"
quantity = "other"
column = "word"
unit = "1"
"""

ROWS = """time,t,tf,wd,count,word
2026-06-21T12:10,20.3,68.0,10.0,100,ok
2026-06-21T12:20,20.4,68.9,359.0,103,"door, open"
2026-06-21T12:30,NAN,69.8,350.0,103,"said ""no"", twice"
2026-06-21T12:40,1x2,70.7,NAN,2,=1+1
2026-06-21T13:10,99.0,71.6,5.0,3,
2026-06-21T13:20,20.00000000000000001,,4.0,5,-5
2026-06-21T13:20,20.7,72.0,4.0,5,-5
2026-06-21T13:30,20.4,72.5,4.0,5,-5
2026-06-21T13:30,20.4,72.5,4.0,5,-5
no row at all
"""


def station(text: str = STATION) -> Station:
    return parse(text.encode())


def checked(where: Path, rows: str = ROWS, text: str = STATION, **more: str) -> Result:
    """`check` over one file in a folder of its own."""
    where.mkdir(parents=True, exist_ok=True)
    (where / "moor.csv").write_text(rows, "utf-8")
    return run.check(station(text), [where / "moor.csv"], **more)
