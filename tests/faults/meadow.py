"""An invented station with plain weather, for the tests of faults: every channel lives, nothing is wrong."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
from scipy.signal import lfilter

from qc.case import Case
from qc.diagnosis import case_of
from qc.logs import Logs
from qc.physics import clear_sky, sun
from qc.record import ReadChannel, Record, TableRecord
from qc.station import Station, parse
from qc.verdicts import Floats
from tests.faults.planted import unchecked

LATITUDE, LONGITUDE, ELEVATION = 50.0, 8.0, 300.0
FIRST = np.datetime64("2025-05-01T00:00:00", "us")

CHANNELS: dict[str, tuple[str, str, str, float, str]] = {  # quantity, unit, statistic, resolution, device
    "t_air": ("air_temperature", "degC", "mean", 0.01, "probe"),
    "rh": ("relative_humidity", "%", "mean", 0.1, "probe"),
    "p": ("air_pressure", "hPa", "mean", 0.01, "barometer"),
    "ws": ("wind_speed", "m/s", "mean", 0.01, "wind"),
    "gust": ("wind_gust", "m/s", "max", 0.01, "wind"),
    "wd": ("wind_direction", "degree", "mean", 0.1, "wind"),
    "ghi": ("global_irradiance", "W/m2", "mean", 0.1, "pyranometer"),
    "par": ("par", "umol/m2/s", "mean", 0.1, "quantum"),
    "rain": ("precipitation", "mm", "total", 0.2, "gauge"),
    "t_soil": ("soil_temperature", "degC", "mean", 0.01, "soil"),
    "batt": ("battery_voltage", "V", "mean", 0.01, "logger"),
    "t_log": ("logger_temperature", "degC", "mean", 0.01, "logger"),
}


def station(minutes: int = 10, names: tuple[str, ...] = tuple(CHANNELS), *, devices: bool = True) -> Station:
    """Its station file; without devices on request."""
    text = f"""
[station]
id = "meadow"
latitude = {LATITUDE}
longitude = {LONGITUDE}
elevation = {ELEVATION}
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "ten"
interval = "{minutes}min"
stamps = "end"
[[table.layout]]
names = ["stamp"]
decimal = "."
missing = [""]
time = {{ columns = ["stamp"], format = "%Y-%m-%d %H:%M:%S" }}
"""
    for name in names:
        quantity, unit, statistic, resolution, device = CHANNELS[name.removesuffix("_2")]
        text += f"""
[[channel]]
name = "{name}"
quantity = "{quantity}"
column = "{name}"
unit = "{unit}"
statistic = "{statistic}"
resolution = {resolution}
"""
        text += f'device = "{device}{"-2" if name.endswith("_2") else ""}"\n' if devices else ""
    return parse(text.encode())


def _wander(rng: np.random.Generator, n: int, size: float, hours: float, minutes: float) -> Floats:
    """Noise with a memory of some hours, standard deviation `size`."""
    keep = np.exp(-minutes / 60.0 / hours)
    out = lfilter([np.sqrt(1.0 - keep**2)], [1.0, -keep], rng.normal(0.0, size, n + 500))
    return np.asarray(out[500:])


def _smooth(x: Floats, hours: float, minutes: float) -> Floats:
    """Mean of the hours before."""
    n = max(1, round(60.0 * hours / minutes))
    return np.asarray(lfilter(np.full(n, 1.0 / n), [1.0], np.concatenate([np.full(n, x[0]), x]))[n:])


@cache
def weather(days: float, seed: int = 0, minutes: int = 10) -> tuple[np.ndarray, dict[str, Floats]]:
    """Stamps and values by channel."""
    rng = np.random.default_rng(seed)
    n = round(days * 1440 / minutes)
    time = FIRST + np.arange(1, n + 1) * np.timedelta64(minutes, "m")
    middle = time - np.timedelta64(minutes * 30, "s")
    place = sun.position(middle, LATITUDE, LONGITUDE, ELEVATION)
    clear = clear_sky.ineichen(place.apparent_zenith, 3.0, ELEVATION, sun.extraterrestrial_normal(middle)).ghi
    mu = np.maximum(np.sin(np.radians(90.0 - place.zenith)), 0.0)
    cloud = np.clip(0.75 + _wander(rng, n, 0.35, 5.0, minutes) + _wander(rng, n, 0.12, 0.4, minutes), 0.08, 1.02)
    ghi = clear * cloud
    warmth = lfilter([0.02], [1.0, -0.98], mu * cloud)
    t = 8.0 + 16.0 * warmth + _wander(rng, n, 3.0, 60.0, minutes) + _wander(rng, n, 0.15, 0.3, minutes)
    rh = np.clip(
        78.0 - 3.0 * (t - 12.0) + _wander(rng, n, 5.0, 8.0, minutes) + _wander(rng, n, 0.5, 0.3, minutes), 12, 100
    )
    ws = np.maximum(2.6 + 2.0 * mu + _wander(rng, n, 1.4, 6.0, minutes) + _wander(rng, n, 0.5, 0.3, minutes), 0.0)
    values = {
        "t_air": t,
        "rh": rh,
        "p": 977.5 + _smooth(_wander(rng, n, 7.0, 40.0, minutes), 6.0, minutes) + rng.normal(0.0, 0.02, n),
        "ws": ws,
        "gust": ws * (1.45 + np.abs(rng.normal(0.0, 0.12, n))) + 0.2,
        "wd": (230.0 + _wander(rng, n, 70.0, 12.0, minutes) + rng.normal(0.0, 8.0, n)) % 360.0,
        "ghi": ghi + rng.normal(-1.0, 0.4, n),
        "par": 2.05 * ghi * (1.0 + rng.normal(0.0, 0.012, n)) + rng.normal(0.0, 0.5, n),
        "rain": np.where((rh > 90) & (rng.random(n) < 0.3), 0.2 * rng.integers(1, 5, n), 0.0),
        "t_soil": 10.0 + 5.0 * lfilter([0.005], [1.0, -0.995], mu * cloud) + _wander(rng, n, 0.8, 90.0, minutes),
        "batt": 12.65 + 1.3 * (mu > 0.1) * np.minimum(1.0, 6.0 * mu) + rng.normal(0.0, 0.015, n),
        "t_log": t + 7.0 * mu * cloud + 1.0 + _wander(rng, n, 0.3, 2.0, minutes),
    }
    steps = {name: CHANNELS[name][3] for name in values}
    return time, {name: np.round(np.round(v / steps[name]) * steps[name], 6) + 0.0 for name, v in values.items()}


def record(
    days: float = 12.0,
    seed: int = 0,
    *,
    minutes: int = 10,
    changed: dict[str, Floats] | None = None,
    names: tuple[str, ...] = tuple(CHANNELS),
    devices: bool = True,
    logs: Logs | None = None,
) -> Record:
    """The healthy record, or with some channels changed; a name that ends in `_2` is a twin with noise of its own."""
    time, values = weather(days, seed, minutes)
    file = station(minutes, names, devices=devices)
    rng = np.random.default_rng(seed + 99)
    found = {}
    for name in names:
        base = values[name.removesuffix("_2")]
        twin = np.round(base + rng.normal(0.0, 0.1, len(base)) + 0.015 * base * rng.normal(0.0, 1.0, len(base)), 3)
        found[name] = twin if name.endswith("_2") else base
    found |= changed or {}
    none = np.zeros(len(time), bool)
    channels = {name: ReadChannel(v, None, None) for name, v in found.items()}
    table = TableRecord(file.table[0], time.astype("datetime64[us]"), channels, np.zeros(len(time)), none, none)
    out = Record(file, {"ten": table})
    return replace(out, logs=logs) if logs is not None else out


def case(days: float = 12.0, seed: int = 0, **more: object) -> Case:
    """Its Case without any check."""
    return case_of(unchecked(record(days, seed, **more)), "ten")  # type: ignore[arg-type]


def rows(case_: Case, first: float, last: float) -> slice:
    """Rows from one day of the record to another (days from its begin)."""
    per = 86400.0 / case_.interval_s
    return slice(round(first * per), round(last * per))
