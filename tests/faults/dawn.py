"""A small invented station under a sun with clouds: for tests of clock, site, units and pressure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from qc.case import Case
from qc.diagnosis import case_of
from qc.physics import sun, twilight
from qc.physics.pressure import standard_pressure
from qc.record import ReadChannel, Record, TableRecord
from qc.station import Station
from qc.verdicts import Floats
from tests.faults.planted import unchecked

UNITS = {
    "global_irradiance": "W/m2", "par": "umol/m2/s", "air_temperature": "degC", "dew_point": "degC",
    "relative_humidity": "%", "air_pressure": "hPa", "wind_speed": "m/s", "wind_gust": "m/s", "precipitation": "mm",
    "charge_voltage": "V",
}  # fmt: skip


def station(
    channels: Sequence[str] = ("global_irradiance", "air_temperature", "air_pressure", "wind_speed", "wind_gust"),
    *,
    interval: str = "10min",
    stamps: str = "end",
    latitude: float = 51.0,
    longitude: float = 11.0,
    elevation: float = 300.0,
) -> Station:
    """A station with one channel of each quantity, each named by it."""
    return Station.model_validate(
        {
            "station": {"id": "meadow", "latitude": latitude, "longitude": longitude, "elevation": elevation},
            "clock": [{"utc_offset": "+00:00"}],
            "table": [{
                "id": "main", "interval": interval, "stamps": stamps,
                "layout": [{
                    "names": ["Time"], "decimal": ".", "missing": [],
                    "time": {"columns": ["Time"], "format": "%Y-%m-%d %H:%M"},
                }],
            }],
            "channel": [
                {"name": q, "table": "main", "quantity": q, "column": q, "unit": UNITS[q],
                 "statistic": "max" if q == "wind_gust" else "total" if q == "precipitation" else "mean"}
                for q in channels
            ],
        }
    )  # fmt: skip


def weather(place: Station, start: str, days: float, seed: int = 0) -> dict[str, Floats]:
    """Light through changing cloud, temperature, pressure, wind and gust of a station, from a date on."""
    rng = np.random.default_rng(seed)
    site, table = place.station, place.table[0]
    step = table.interval_s or 600.0
    time = times(place, start, days)
    n = len(time)
    half = np.timedelta64(round(step * 5e5), "us")
    side = table.side
    middle = time - half if side == "end" else time + half if side == "start" else time

    def elevation(at: np.ndarray) -> Floats:  # type: ignore[type-arg]
        return 90.0 - sun.position(at, site.latitude, site.longitude, site.elevation).zenith

    def slow(hours: float) -> Floats:
        knots = rng.normal(size=int(n * step / 3600 / hours) + 3)
        return np.interp(np.arange(n) * step / 3600 / hours, np.arange(len(knots)), knots)

    light = twilight.modelled(middle, step, elevation)
    high = np.maximum(np.sin(np.radians(elevation(middle))), 0.0)
    clear = np.maximum(light, 1050.0 * high**1.15)
    cloud = np.clip(0.65 + 0.3 * slow(3.0), 0.15, 1.0)
    day = (time - time[0]).astype(np.int64) / 86_400e6
    warm = 12.0 + 3.0 * slow(36.0) + 5.0 * (high - 0.3)
    wind = np.exp(1.0 + 0.35 * slow(8.0) + 0.1 * rng.normal(size=n))
    return {
        "global_irradiance": np.round(clear * cloud, 2),
        "par": np.round(2.05 * clear * cloud, 2),
        "air_temperature": np.round(warm, 2),
        "dew_point": np.round(warm - 4.0 - slow(12.0), 2),
        "air_pressure": np.round(float(standard_pressure(site.elevation)) + 5.0 * slow(48.0) + 0.0 * day, 2),
        "wind_speed": np.round(wind, 2),
        "wind_gust": np.round(wind * (1.55 + 0.15 * rng.normal(size=n).clip(-2, 2)), 2),
        "precipitation": np.where(rng.random(n) < 0.03, 0.2 * np.ceil(rng.exponential(2.0, n)), 0.0),
    }


def times(place: Station, start: str, days: float) -> np.ndarray:  # type: ignore[type-arg]
    """Stamps of the table from a date on."""
    step = place.table[0].interval_s or 600.0
    n = round(days * 86400 / step)
    return np.datetime64(start, "us") + np.arange(1, n + 1) * np.timedelta64(round(step * 1e6), "us")


def record(place: Station, time: np.ndarray, values: Mapping[str, Floats]) -> Record:  # type: ignore[type-arg]
    """A record of a station; channels without values hold none."""
    n = len(time)
    channels = {c.name: ReadChannel(np.asarray(values.get(c.name, np.full(n, np.nan)), float), None, None)
                for c in place.channel}  # fmt: skip
    no = np.zeros(n, bool)
    table = TableRecord(place.table[0], time, channels, np.zeros(n), no, no.copy())
    return Record(place, {"main": table})


def healthy(start: str = "2025-04-10", days: float = 14.0, seed: int = 0, **where: object) -> Record:
    """A healthy record."""
    place = station(**where)  # type: ignore[arg-type]
    return record(place, times(place, start, days), weather(place, start, days, seed))


def case(of: Record) -> Case:
    """The Case of a record."""
    return case_of(unchecked(of), "main")
