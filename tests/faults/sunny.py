"""An invented station with sun, clouds, wind and temperature: for tests of the faults of radiation and shields."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from qc.case import Case
from qc.diagnosis import case_of
from qc.physics import clear_sky, sun
from qc.record import ReadChannel, Record, TableRecord
from qc.station import parse
from tests.faults.planted import unchecked

STATION = """
[station]
id = "hay-loft"
latitude = {latitude}
longitude = {longitude}
elevation = 120.0
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "ten"
interval = "{interval}s"
stamps = "end"
[[table.layout]]
names = ["Stamp", "ghi"]
decimal = "."
missing = [""]
time = {{ columns = ["Stamp"], format = "%Y-%m-%d %H:%M" }}
{channels}
{more}
"""
CHANNEL = """
[[channel]]
name = "{name}"
quantity = "{quantity}"
column = "{name}"
unit = "{unit}"
statistic = "mean"
"""
QUANTITIES = {
    "ghi": ("global_irradiance", "W/m2"),
    "dni": ("direct_irradiance", "W/m2"),
    "dhi": ("diffuse_irradiance", "W/m2"),
    "t_air": ("air_temperature", "degC"),
    "ws": ("wind_speed", "m/s"),
}
Floats = NDArray[np.float64]


def sunny(
    days: float,
    *,
    interval_s: int = 600,
    start: str = "2025-05-10",
    latitude: float = 50.9,
    longitude: float = 0.0,
    clear: float = 0.3,
    closed: float = 0.2,
    haze: float = 3.2,
    seed: int = 1,
    channels: tuple[str, ...] = tuple(QUANTITIES),
    more: str = "",
) -> Record:
    """A healthy record by chance. `clear` and `closed`: shares of days without a cloud and without the sun."""
    rng = np.random.default_rng(seed)
    told = "".join(CHANNEL.format(name=n, quantity=QUANTITIES[n][0], unit=QUANTITIES[n][1]) for n in channels)
    text = STATION.format(latitude=latitude, longitude=longitude, interval=interval_s, channels=told, more=more)
    station = parse(text.encode())
    rows = round(days * 86400 / interval_s)
    time = np.datetime64(start, "us") + (1 + np.arange(rows)) * np.timedelta64(interval_s, "s")
    middle = time - np.timedelta64(interval_s * 500, "ms")
    where = sun.position(middle, latitude, longitude, 120.0)
    sky = clear_sky.ineichen(where.apparent_zenith, haze, 120.0, sun.extraterrestrial_normal(middle))
    mu = sun.mu(where.apparent_zenith)
    day = np.arange(rows) * interval_s // 86400
    kind = rng.choice(3, int(day.max(initial=0)) + 1, p=(clear, 1.0 - clear - closed, closed))[day]
    wave = np.zeros(rows)
    memory = np.exp(-interval_s / 1800.0)
    noise = rng.normal(0.0, 1.0, rows)
    for i in range(1, rows):
        wave[i] = memory * wave[i - 1] + np.sqrt(1.0 - memory**2) * noise[i]
    through = np.where(kind == 0, 1.0, np.where(kind == 1, np.clip(0.6 + 1.2 * wave, 0.0, 1.0), 0.0))
    dni = sky.dni * through
    dhi = sky.dhi * np.where(kind == 2, 1.6 + 0.3 * np.tanh(wave), 1.0 + 0.9 * (1.0 - through))
    ghi = dni * mu + dhi
    hour = (np.arange(rows) * interval_s % 86400) / 3600.0
    ws = np.exp(0.5 + 0.5 * np.sin((hour - 8.0) / 24 * 2 * np.pi) + 0.6 * np.roll(wave, rows // 3))
    t_air = 12.0 + 5.0 * np.sin((hour - 9.0) / 24 * 2 * np.pi) + 0.4 * ghi / 1000.0 / (0.5 + 0.5 * ws)
    t_air += rng.normal(0.0, 0.05, rows)
    dark = rng.normal(-1.5, 0.6, rows)
    made = {
        "ghi": np.round(ghi + np.where(mu > 0, 0.0, dark), 2), "dhi": np.round(dhi + np.where(mu > 0, 0.0, dark), 2),
        "dni": np.round(dni, 2), "t_air": np.round(t_air, 2), "ws": np.round(ws, 2),
    }  # fmt: skip
    none = np.zeros(rows, bool)
    read = {n: ReadChannel(made[n], None, None) for n in channels}
    return Record(station, {"ten": TableRecord(station.table[0], time, read, np.zeros(rows), none, none)})


def with_values(record: Record, **values: Floats) -> Record:
    """The record with other values in some channels."""
    from dataclasses import replace

    table = record.tables["ten"]
    channels = {**table.channels, **{n: ReadChannel(v, None, None) for n, v in values.items()}}
    return replace(record, tables={"ten": replace(table, channels=channels)})


def case(record: Record) -> Case:
    """The Case of the record's table."""
    return case_of(unchecked(record), "ten")
