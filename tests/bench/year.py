"""An invented station-year at 1 min for the benchmarks: 525,600 rows, 12 channels, 46 MB. Weather that hangs together
roughly."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

LATITUDE, LONGITUDE, ELEVATION = 52.0, 9.0, 120.0
MINUTES = 525_600
Floats = NDArray[np.float64]

STATION = """
[station]
id = "bench"
latitude = 52.0
longitude = 9.0
elevation = 120.0
climate = "temperate"

[[clock]]
utc_offset = "+00:00"

[[table]]
id = "one"
interval = "1min"
stamps = "end"

[[table.layout]]
names = ["Time", "ghi"]
decimal = "."
missing = ["", "NAN"]
time = { columns = ["Time"], format = "%Y-%m-%d %H:%M:%S" }
"""
CHANNELS = {
    "p": ("air_pressure", "hPa", 0.01, "barometer"), "t": ("air_temperature", "degC", 0.01, "probe"),
    "rh": ("relative_humidity", "%", 0.01, "probe"), "ws": ("wind_speed", "m/s", 0.01, "wind"),
    "gust": ("wind_gust", "m/s", 0.01, "wind"), "wd": ("wind_direction", "degree", 0.1, "wind"),
    "ghi": ("global_irradiance", "W/m2", 0.01, "sun"), "dhi": ("diffuse_irradiance", "W/m2", 0.01, "sky"),
    "lw": ("longwave_down", "W/m2", 0.01, "sky"), "rain": ("precipitation", "mm", 0.2, "gauge"),
    "batt": ("battery_voltage", "V", 0.01, "logger"), "tlog": ("logger_temperature", "degC", 0.01, "logger"),
}  # fmt: skip


def station_text() -> str:
    """The station file."""
    text = STATION
    for name, (quantity, unit, resolution, device) in CHANNELS.items():
        text += f'\n[[channel]]\nname = "{name}"\nquantity = "{quantity}"\ncolumn = "{name}"\nunit = "{unit}"\n'
        text += f'resolution = {resolution}\ndevice = "{device}"\n'
    return text


def _wander(rng: np.random.Generator, rows: int, minutes: int, size: float) -> Floats:
    """A smooth series: noise at a node every `minutes`, straight between."""
    nodes = rng.normal(0.0, size, rows // minutes + 2)
    return np.interp(np.arange(rows), np.arange(len(nodes)) * minutes, nodes)


def channels(rows: int, start: np.datetime64, seed: int = 5) -> dict[str, Floats]:
    """Values of the twelve channels."""
    from qc.physics import clear_sky, sun

    rng = np.random.default_rng(seed)
    time = start + np.arange(1, rows + 1) * np.timedelta64(1, "m")
    position = sun.position(time.astype("datetime64[us]"), LATITUDE, LONGITUDE, ELEVATION)
    clear = clear_sky.ineichen(
        position.apparent_zenith, 3.0, ELEVATION, sun.extraterrestrial_normal(time.astype("datetime64[us]"))
    )
    cloud = np.clip(0.55 + _wander(rng, rows, 600, 0.4) + _wander(rng, rows, 15, 0.15), 0.08, 1.0)
    ghi = clear.ghi * cloud - 1.5 * (clear.ghi <= 0) + rng.normal(0, 0.3, rows)
    day = np.sin(2 * np.pi * (np.arange(rows) / 525_600 - 0.3))
    t = (
        9.0
        + 9.0 * day
        + 4.0 * clear.ghi / 800
        + _wander(rng, rows, 2880, 3.0)
        + _wander(rng, rows, 5, 0.08)
        + rng.normal(0, 0.02, rows)
    )
    rh = np.clip(72 - 25 * clear.ghi / 800 + _wander(rng, rows, 1440, 9.0) + _wander(rng, rows, 10, 0.8), 20, 99.5)
    wind = np.abs(3.0 + _wander(rng, rows, 720, 2.0) + _wander(rng, rows, 3, 0.8)) + 0.3
    rain = np.where((rh > 93) & (rng.random(rows) < 0.05), 0.2, 0.0)
    return {
        "p": 1001.0 + _wander(rng, rows, 1440, 8.0) + _wander(rng, rows, 10, 0.05) + rng.normal(0, 0.02, rows),
        "t": t, "rh": rh + rng.normal(0, 0.05, rows).clip(-0.3, 0.3),
        "ws": wind, "gust": wind * (1.3 + 0.3 * rng.random(rows)),
        "wd": np.mod(220 + _wander(rng, rows, 900, 60.0) + rng.normal(0, 8, rows), 360), "ghi": ghi,
        "dhi": np.minimum(np.maximum(ghi, 0) * (1.15 - cloud).clip(0.15, 1), 400) + rng.normal(-0.5, 0.2, rows),
        "lw": 310 + 40 * (1 - cloud) + 30 * day + rng.normal(0, 0.5, rows), "rain": rain,
        "batt": 12.6 + 0.9 * (clear.ghi > 50) + rng.normal(0, 0.02, rows), "tlog": t + 3 + 6 * np.maximum(ghi, 0) / 800,
    }  # fmt: skip


def write(path: Path, years: int = 1) -> None:
    """Write the table to `path`; `years` of it one after another."""
    import pyarrow as pa
    from pyarrow import csv

    with path.open("wb") as file:
        for year in range(years):
            start = np.datetime64(f"{2021 + year}-01-01", "m")
            values = channels(MINUTES, start, seed=5 + year)
            time = start + np.arange(1, MINUTES + 1) * np.timedelta64(1, "m")
            stamps = np.char.replace(np.datetime_as_string(time.astype("datetime64[s]")), "T", " ")
            columns = {"Time": pa.array(stamps)}
            for name, column in values.items():
                columns[name] = pa.array(np.round(column, 1 if name in ("wd", "rain") else 2))
            csv.write_csv(pa.table(columns), file, csv.WriteOptions(include_header=year == 0, quoting_style="none"))


if __name__ == "__main__":
    write(Path(sys.argv[1]), int(sys.argv[2]))
