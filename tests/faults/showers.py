"""An invented station with rains that saturate the air, for the tests of hygrometer, wind head and gauge.

Nothing is wrong with it. The weather is made by script: every so many days a rain comes with cloud, saturated air and a
fall of pressure; between them the sun shines, and nights are moist.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache

import numpy as np

from qc import chain
from qc.case import Case
from qc.diagnosis import Diagnosis, case_of, diagnose, score
from qc.diagnosis import tested as outcomes_of
from qc.faults import Cleared, Suspect, Untested, registry
from qc.logs import Logs
from qc.physics import clear_sky, sun
from qc.record import ReadChannel, Record, TableRecord
from qc.run import limits_of
from qc.station import Station, parse
from qc.verdicts import Floats
from tests.faults.planted import unchecked

LATITUDE, LONGITUDE, ELEVATION = 48.0, 2.0, 150.0
FIRST = np.datetime64("2025-05-01T00:00:00", "us")
TIP = 0.2
CHANNELS = {
    "t": ("air_temperature", "degC", 0.1, "mean"), "rh": ("relative_humidity", "%", 0.1, "mean"),
    "p": ("air_pressure", "hPa", 0.1, "mean"), "ws": ("wind_speed", "m/s", 0.1, "mean"),
    "gust": ("wind_gust", "m/s", 0.1, "max"), "wd": ("wind_direction", "degree", 1.0, "mean"),
    "ghi": ("global_irradiance", "W/m2", 0.1, "mean"), "rain": ("precipitation", "mm", TIP, "total"),
}  # fmt: skip


def station(minutes: int = 10, latitude: float = LATITUDE) -> Station:
    """Its station file."""
    text = f"""
[station]
id = "showers"
latitude = {latitude}
longitude = {LONGITUDE}
elevation = {ELEVATION}
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "main"
interval = "{minutes}min"
stamps = "end"
[[table.layout]]
names = ["stamp"]
decimal = "."
missing = [""]
time = {{ columns = ["stamp"], format = "%Y-%m-%d %H:%M:%S" }}
"""
    for name, (quantity, unit, resolution, statistic) in CHANNELS.items():
        text += f'[[channel]]\nname = "{name}"\nquantity = "{quantity}"\ncolumn = "{name}"\nunit = "{unit}"\n'
        text += f'resolution = {resolution}\nstatistic = "{statistic}"\n'
    return parse(text.encode())


@cache
def weather(
    days: int, seed: int = 0, minutes: int = 10, every_h: float = 50.0, warmth: float = 15.0, latitude: float = LATITUDE
) -> tuple[np.ndarray, Mapping[str, Floats]]:
    """Stamps and values; rains come every `every_h` hours (0: never) and last 3 to 9 h; `warmth` is the mean, degC."""
    rng = np.random.default_rng(seed)
    n = days * 1440 // minutes
    time = FIRST + np.arange(1, n + 1) * np.timedelta64(minutes, "m")
    middle = time - np.timedelta64(minutes * 30, "s")
    place = sun.position(middle, latitude, LONGITUDE, ELEVATION)
    clear = clear_sky.ineichen(place.apparent_zenith, 3.0, ELEVATION, sun.extraterrestrial_normal(middle)).ghi
    hour = np.arange(n) * minutes / 60.0
    wet, near = np.zeros(n), np.zeros(n)
    begin = 20.0
    while every_h and begin < days * 24:
        lasts = rng.uniform(3.0, 9.0)
        wet[(hour >= begin) & (hour < begin + lasts)] = 1.0
        near = np.maximum(near, np.clip(1.0 - np.maximum(begin - hour, hour - begin - lasts) / 4.0, 0.0, 1.0))
        begin += lasts + rng.uniform(0.6, 1.4) * every_h

    def wander(size: float, hours: float) -> Floats:
        nodes = rng.normal(0.0, size, int(n * minutes / 60.0 / hours) + 3)
        return np.asarray(np.interp(hour / hours, np.arange(len(nodes)), nodes))

    cloud = np.clip(0.93 + wander(0.04, 3.0) - 0.75 * near, 0.05, 1.0)
    turn = np.cos(2 * np.pi * (hour / 24.0 - 15.0 / 24.0))
    t = warmth + 6.0 * turn * (1.0 - 0.7 * near) + wander(1.5, 30.0) + wander(0.1, 0.5)
    rh = np.clip(66.0 - 22.0 * turn + wander(4.0, 12.0) + wander(0.6, 0.5), 20.0, 97.0)
    rh = rh + (99.6 - rh) * np.minimum(1.0, 1.1 * near)
    ws = np.maximum(3.0 + 1.2 * np.maximum(turn, 0.0) + wander(0.9, 3.0) + rng.normal(0.0, 0.25, n), 0.4)
    fall = np.where(wet > 0, rng.gamma(0.9, 1.6 * minutes / 60.0, n), 0.0)
    values = {
        "t": t, "rh": rh, "p": 996.0 + wander(4.0, 40.0) - 5.0 * near, "ws": ws,
        "gust": ws * (1.5 + np.abs(rng.normal(0.0, 0.1, n))),
        "wd": np.mod(230.0 + wander(50.0, 15.0) + rng.normal(0.0, 7.0, n), 360.0),
        "ghi": np.maximum(clear * cloud, 0.0),
        "rain": np.diff(np.floor(np.cumsum(fall) / TIP), prepend=0.0) * TIP,
    }  # fmt: skip
    return time, {k: np.round(np.round(v / CHANNELS[k][2]) * CHANNELS[k][2], 6) + 0.0 for k, v in values.items()}


def record(
    days: int = 60, *, changed: Mapping[str, Floats] | None = None, without: Sequence[str] = (), minutes: int = 10,
    seed: int = 0, every_h: float = 50.0, warmth: float = 15.0, latitude: float = LATITUDE, logs: Logs | None = None,
) -> Record:  # fmt: skip
    """The record; some channels with other values, or without any."""
    time, values = weather(days, seed, minutes, every_h, warmth, latitude)
    values = {**values, **(changed or {})}
    values = {k: np.full(len(time), np.nan) if k in without else v for k, v in values.items()}
    place, none = station(minutes, latitude), np.zeros(len(time), bool)
    table = TableRecord(
        place.table[0],
        time,
        {k: ReadChannel(v, None, None) for k, v in values.items()},
        np.zeros(len(time)),
        none,
        none,
    )
    made = Record(place, {"main": table})
    return made if logs is None else replace(made, logs=logs)


def values(days: int = 60, **weather_: float) -> tuple[np.ndarray, dict[str, Floats]]:
    """Stamps, and copies of the values that `record` takes by default."""
    time, known = weather(days, **weather_)  # type: ignore[arg-type]
    return time, {k: v.copy() for k, v in known.items()}


def case(made: Record) -> Case:
    """The Case of it, unchecked."""
    return case_of(unchecked(made), "main")


def outcome(fault: str, made: Record) -> Suspect | Cleared | Untested:
    """What the test of one fault says: one channel, one outcome."""
    (one,) = outcomes_of(registry()[fault], case(made))
    return one


def odds(fault: str, made: Record) -> float:
    """Log-odds of a fault, prior included; -99 where it is cleared or untested."""
    one = outcome(fault, made)
    return score(registry()[fault], one, case(made)) if isinstance(one, Suspect) else -99.0


def diagnosed(made: Record, only: Sequence[str] = ()) -> Diagnosis:
    """Checked and diagnosed."""
    return diagnose(chain.run(made, limits_of(made.station)), only=only)


def at(time: np.ndarray, moment: str) -> int:
    """The first row stamped at a moment or later."""
    return int(np.searchsorted(time, np.datetime64(moment, "us")))
