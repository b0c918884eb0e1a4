"""Makes the tables of the sample station and the list of what is wrong in them.

    python tests/make_sample.py [OUTDIR]        # default: sample_data/

Writes `otter-fell_a.csv`, `otter-fell_b.csv`, `sallow-bridge.csv` and `truth.toml`. Place, tip size and skyline
come from `sample_data/otter-fell.station.toml`, which is written by hand like the logs. Everything is invented: the
weather is made from the sun, a hand-written list of fronts and fixed seeds, then the faults of a scenario are planted
in it.

Numbers without another word are judgement: chosen so that the weather looks like an upland of the middle latitudes.
"""

from __future__ import annotations

import math
import sys
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

HERE = Path(__file__).resolve().parent
SAMPLE = HERE.parent / "sample_data"
STATION = "otter-fell.station.toml"
SEED = 20260301

STEP = np.timedelta64(10, "m")
START = np.datetime64("2026-03-01T00:00", "us")
END = np.datetime64("2026-06-01T00:00", "us")  # the last stamp: stamps mark the end of the interval
NEW_PROGRAM = np.datetime64("2026-04-05T09:10", "us")  # first stamp of the second layout
HEALTHY = (np.datetime64("2026-04-01T00:10", "us"), np.datetime64("2026-04-21T00:00", "us"))
SPIN_UP = 1440  # rows thrown away until a slow process forgets its start: 10 days

# decimals in the table, per channel
DECIMALS = {
    "t_air": 2,
    "rh": 1,
    "p": 1,
    "ws": 2,
    "gust": 2,
    "wd": 1,
    "ghi": 1,
    "rain": 1,
    "t_soil": 2,
    "batt": 2,
    "panel": 2,
    "t_log": 2,
}

# fronts: passage, trough (hPa), change of air mass (K), rain (mm), veer (degrees)
FRONTS = (
    ("2026-03-02T15:00", 9.0, -3.0, 6.0, 50.0),
    ("2026-03-06T22:00", 13.0, -4.0, 11.0, 60.0),
    ("2026-03-10T17:00", 7.0, -2.0, 3.6, 40.0),
    ("2026-03-15T07:00", 8.0, -2.5, 5.0, 45.0),
    ("2026-03-18T11:00", 12.0, -3.5, 9.0, 55.0),
    ("2026-03-21T20:00", 8.0, -3.0, 5.0, 50.0),
    ("2026-03-27T05:00", 11.0, -3.0, 8.0, 45.0),
    ("2026-03-30T21:00", 6.0, -2.0, 3.0, 30.0),
    ("2026-04-03T10:00", 14.0, -4.0, 13.0, 60.0),
    ("2026-04-06T23:00", 9.0, -2.5, 6.0, 45.0),
    ("2026-04-10T14:00", 7.0, -3.0, 4.0, 50.0),
    ("2026-04-15T06:00", 10.0, -2.5, 8.0, 40.0),
    ("2026-04-18T18:00", 12.0, -4.0, 10.0, 60.0),
    ("2026-04-22T02:00", 6.0, -2.0, 4.0, 35.0),
    ("2026-04-24T23:00", 6.0, -2.5, 0.0, 50.0),
    ("2026-04-29T12:00", 9.0, -3.0, 7.0, 45.0),
    ("2026-05-04T08:00", 13.0, -3.0, 9.0, 40.0),
    ("2026-05-08T01:00", 7.0, -2.0, 5.0, 45.0),
    ("2026-05-12T19:00", 6.0, -2.5, 4.0, 35.0),
    ("2026-05-17T21:00", 9.0, -3.0, 7.0, 50.0),
    ("2026-05-23T15:00", 8.0, -3.0, 9.0, 45.0),
    ("2026-05-28T04:00", 7.0, -2.0, 5.0, 40.0),
)
# showers of the scenario beside the ones made by chance: begin, minutes, mm
SHOWERS = (("2026-04-25T06:00", 90, 9.6),)
# spells under a settled high: begin, end, how much drier the air is (K of dew point)
CLEAR_SPELLS = (
    ("2026-03-22T18:00", "2026-03-26T04:00", 4.0),
    ("2026-04-11T14:00", "2026-04-13T20:00", 4.0),
    ("2026-04-25T08:00", "2026-04-27T02:00", 9.0),
    ("2026-05-14T16:00", "2026-05-16T12:00", 4.0),
    ("2026-05-19T20:00", "2026-05-22T14:00", 4.0),
    ("2026-05-29T22:00", "2026-05-31T16:00", 4.0),
)

STREAMS = (
    "pressure",
    "rain",
    "cloud",
    "sky",
    "wind",
    "direction",
    "temperature",
    "humidity",
    "power",
    "soil",
    "faults",
    "thermopile",
)


# --- the grid and the noise ---------------------------------------------------------------------------------------


def at(text: str) -> np.datetime64:
    """A time of the scenario, UTC."""
    return np.datetime64(text, "us")


def grid() -> NDArray[np.datetime64]:
    """Stamps of all rows: the end of each interval."""
    return np.arange(START + STEP, END + STEP, STEP)


def hours(stamps: NDArray[np.datetime64], origin: np.datetime64 = START) -> Floats:
    """Hours from `origin` to the middle of each interval."""
    return (stamps - STEP // 2 - origin) / np.timedelta64(1, "h")


def stream(name: str) -> np.random.Generator:
    """A generator of its own for each element, so that changing one element leaves the others alone."""
    return np.random.default_rng([SEED, STREAMS.index(name)])


def red_noise(rng: np.random.Generator, n: int, memory_h: float) -> Floats:
    """First-order autoregressive noise, mean 0, standard deviation 1; `memory_h` is its e-folding time in hours."""
    rho = math.exp(-1.0 / (6.0 * memory_h))
    scale = math.sqrt(1.0 - rho * rho)
    shocks = rng.standard_normal(n + SPIN_UP)
    out, x = np.empty(n + SPIN_UP), shocks[0]
    for i, shock in enumerate(shocks):
        x = rho * x + scale * shock
        out[i] = x
    return out[SPIN_UP:]


def smooth_noise(rng: np.random.Generator, n: int, memory_h: float) -> Floats:
    """Second-order autoregressive noise (a double root, so it has no corners), mean 0, standard deviation 1."""
    rho = math.exp(-1.0 / (6.0 * memory_h))
    scale = math.sqrt((1.0 - rho**2) ** 3 / (1.0 + rho**2))  # inverse of the process' standard deviation
    shocks = rng.standard_normal(n + SPIN_UP)
    out, x, last = np.empty(n + SPIN_UP), 0.0, 0.0
    for i, shock in enumerate(shocks):
        x, last = 2.0 * rho * x - rho**2 * last + shock, x
        out[i] = x
    return out[SPIN_UP:] * scale


def ramp(x: Floats, low: float, high: float) -> Floats:
    """0 below `low`, 1 above `high`, straight in between."""
    out: Floats = np.clip((x - low) / (high - low), 0.0, 1.0)
    return out


def bump(x: Floats, width: float) -> Floats:
    """Bell of height 1 around 0."""
    out: Floats = np.exp(-0.5 * (x / width) ** 2)
    return out


# --- the sun ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sun:
    """Sun and clear sky, a row for each interval, ten samples of one minute within it."""

    elevation: Floats  # degrees, apparent, (rows, 10)
    azimuth: Floats  # degrees from north, (rows, 10)
    beam: Floats  # W/m2 on the level, clear sky, behind the skyline 0, (rows, 10)
    diffuse: Floats  # W/m2, clear sky, (rows, 10)

    @property
    def clear(self) -> Floats:
        """Clear-sky global irradiance, mean of the interval, W/m2."""
        return np.asarray((self.beam + self.diffuse).mean(axis=1))

    @property
    def height(self) -> Floats:
        """Elevation of the sun, mean of the interval, degrees."""
        return np.asarray(self.elevation.mean(axis=1))


def skyline(azimuth: Floats, site: dict[str, Any]) -> Floats:
    """Elevation of the horizon at each azimuth, degrees, straight between the points of the station file."""
    points = sorted((p["azimuth"], p["elevation"]) for p in site["horizon"])
    around = [*points, (points[0][0] + 360.0, points[0][1])]
    return np.asarray(np.interp(azimuth, [a for a, _ in around], [e for _, e in around]))


def sun(stamps: NDArray[np.datetime64], site: dict[str, Any]) -> Sun:
    """Sun position and the clear sky of Ineichen and Perez 2002 (pvlib), with a little twilight added."""
    import pvlib as library

    pvlib: Any = library  # it has no types

    place = site["station"]
    begin = (stamps - STEP).astype("datetime64[s]").astype(np.float64)
    when = (begin[:, None] + 30.0 + 60.0 * np.arange(10)).ravel()
    # 976 hPa, 8 degC and, at the horizon, 0.5667 degrees for refraction (SPA, from memory); delta T 69.2 s
    position = pvlib.spa.solar_position(
        when, place["latitude"], place["longitude"], place["elevation"], 976.0, 8.0, 69.2, 0.5667
    )
    elevation, azimuth = position[2], position[4]
    # Linke turbidity at this place, pvlib's monthly climatology: 3.3 in mid March, 3.5 in April, 4.0 in May (computed)
    turbidity = np.interp(when, [1773532800.0, 1776211200.0, 1778803200.0], [3.34, 3.45, 4.04])
    day = when / 86400.0 - 20454.0  # days since 2026-01-01
    extraterrestrial = 1361.0 * (1.0 + 0.033 * np.cos(2.0 * np.pi * (day - 2.0) / 365.25))  # W/m2, FAO56 eq. 23
    beam, diffuse = np.zeros(when.size), np.zeros(when.size)
    up = elevation > 0.0
    airmass = pvlib.atmosphere.get_absolute_airmass(
        pvlib.atmosphere.get_relative_airmass(90.0 - elevation[up]), 97600.0
    )
    sky = pvlib.clearsky.ineichen(
        90.0 - elevation[up], airmass, turbidity[up], place["elevation"], extraterrestrial[up]
    )
    diffuse[up] = sky["dhi"]
    beam[up] = np.where(elevation[up] > skyline(azimuth[up], site), sky["dni"] * np.sin(np.radians(elevation[up])), 0.0)
    diffuse += 6.0 * np.exp(np.where(elevation < 0.0, elevation / 1.8, -elevation / 4.0))  # the model has no twilight
    shape = (stamps.size, 10)
    return Sun(elevation.reshape(shape), azimuth.reshape(shape), beam.reshape(shape), diffuse.reshape(shape))


# --- the weather --------------------------------------------------------------------------------------------------


def rain_rate(stamps: NDArray[np.datetime64]) -> Floats:
    """Rain in each interval, mm, before the bucket: rain bands at fronts, showers in the cold air behind them."""
    rng, n = stream("rain"), stamps.size
    texture = np.exp(0.9 * red_noise(rng, n, 0.5))
    out = np.zeros(n)
    for passage, _, _, amount, _ in FRONTS:
        x = hours(stamps, at(passage))
        band = np.where((x > -4.5) & (x < 0.8), np.sin(np.pi * (x + 4.5) / 5.3) ** 2, 0.0) * texture
        if amount:
            out += band * amount / band.sum()
        for cell in range(4):
            begin, length, size = rng.random(3)
            begin = 4.0 + 14.0 * begin
            if cell >= 2 and amount < 5.0:  # weak fronts bring fewer showers
                continue
            inside = (x > begin) & (x < begin + 0.3 + 0.8 * length)
            out += np.where(inside, texture, 0.0) * (0.3 + 2.0 * size) / max(1.0, float((inside * texture).sum()))
    out[spells(stamps) > 0.0] = 0.0
    for begin_text, minutes, amount in SHOWERS:
        x = hours(stamps, at(begin_text))
        inside = (x > 0.0) & (x < minutes / 60.0)
        out[inside] = amount * texture[inside] / texture[inside].sum()
    return out


def spells(stamps: NDArray[np.datetime64], dryness: bool = False) -> Floats:
    """1 (or the dryness of the air, K) in the clear spells of the scenario, 0 outside, with ramps of two hours."""
    out = np.zeros(stamps.size)
    for begin, end, dry in CLEAR_SPELLS:
        inside = np.minimum(ramp(hours(stamps, at(begin)), 0, 2), ramp(-hours(stamps, at(end)), 0, 2))
        out = np.maximum(out, inside * dry if dryness else inside)
    return out


def cloud_cover(stamps: NDArray[np.datetime64], rain: Floats, height: Floats) -> Floats:
    """Share of the sky under cloud, 0 to 1: thick before a front, broken behind it, thin in the high between."""
    rng, n = stream("cloud"), stamps.size
    x = 0.3 + 0.9 * red_noise(rng, n, 8.0) + 0.4 * red_noise(rng, n, 1.5)
    for passage, *_ in FRONTS:
        lag = hours(stamps, at(passage))
        x += 2.6 * ramp(lag, -12.0, -6.0) * ramp(-lag, -2.0, 1.0) - 0.9 * bump(lag - 28.0, 9.0)
    x += 0.5 * ramp(height, 15.0, 40.0) * (np.abs(x) < 1.0)  # cumulus of the afternoon
    clear = spells(stamps)
    x = (1.0 - clear) * x + clear * (-3.0 + 0.25 * x)
    lately = np.convolve(rain > 0.0, np.ones(3), "same") > 0  # cloud comes a little before the rain and leaves after it
    x = np.where(lately, np.maximum(x, 2.8), x)
    return 1.0 / (1.0 + np.exp(-1.7 * x))


def sunshine_and_veil(cover: Floats, rain: Floats) -> tuple[Floats, Floats, Floats]:
    """Share of the interval with sun, what cloud lets through, and the clearness of the air."""
    rng, n = stream("sky"), cover.size
    field_ = 0.75 * red_noise(rng, n, 0.35) + 0.66 * red_noise(rng, n, 1.2)
    bound = 0.75 * np.log(cover / (1.0 - cover))
    sunny = np.clip(0.5 + (field_ - bound) / 0.9, 0.0, 1.0)
    veil = np.clip(0.33 * np.exp(0.35 * red_noise(rng, n, 3.0) + 0.10 * red_noise(rng, n, 0.4)), 0.10, 0.65)
    veil = np.where(rain > 0.0, 0.6 * veil, veil)
    air = np.clip(1.0 + 0.015 * red_noise(rng, n, 20.0), 0.96, 1.03)
    return np.where(rain > 0.0, 0.0, sunny), veil, air


def irradiance(sky: Sun, cover: Floats, sunny: Floats, veil: Floats, air: Floats) -> tuple[Floats, Floats]:
    """Global irradiance at the sensor and the part of it that comes straight from the sun, W/m2."""
    # Cloud beside the sun adds to a clear sky. 10 min means stay below 1.18: the handbook's judgement is 1.25.
    edge = 0.16 * 4.0 * cover * (1.0 - cover) * sunny
    k = np.minimum(air * (sunny + (1.0 - sunny) * veil) + edge, 1.18)
    return k * sky.clear, np.minimum(k, air * sunny) * sky.beam.mean(axis=1)


def wind_speed(
    stamps: NDArray[np.datetime64], sunlight: Floats, cover: Floats, height: Floats
) -> tuple[Floats, Floats]:
    """Mean and gust of each interval, m/s: strong around fronts and by day, weak in clear nights."""
    rng, n = stream("wind"), stamps.size
    x = 1.15 + 0.42 * red_noise(rng, n, 14.0) + 0.15 * red_noise(rng, n, 0.7) + 0.09 * rng.standard_normal(n)
    for passage, trough, *_ in FRONTS:
        lag = hours(stamps, at(passage))
        x += 0.055 * trough * bump(lag, 9.0) + 0.2 * bump(lag, 0.6)
    x += 0.0005 * sunlight - 0.9 * (1.0 - cover) * ramp(-height, -3.0, 4.0)
    x -= 0.35 * spells(stamps)
    x = np.where(x > 2.2, 2.2 + 0.45 * np.tanh((x - 2.2) / 0.45), x)  # no mean above 14 m/s: not an exposed summit
    true = np.exp(x)
    mean = np.sqrt(np.maximum(true**2 - 0.35**2, 0.0))  # cups start at about 0.4 m/s
    # gust factor around 1.6 (inland, 3 s in 10 min 1.66, WMO/TD-No. 1555), larger and looser in weak wind
    factor = 1.0 + 0.6 * np.exp(0.2 * rng.standard_normal(n)) * (1.0 + 0.5 / (true + 0.5))
    gust = np.maximum(mean * np.where(mean > 3.0, np.clip(factor, 1.3, 2.2), factor), mean)
    return mean, gust


def wind_direction(stamps: NDArray[np.datetime64], speed: Floats) -> Floats:
    """Vector-mean direction, degrees from true north: backs ahead of a front, veers with it, meanders in weak wind."""
    rng, n = stream("direction"), stamps.size
    x = 245.0 + 65.0 * smooth_noise(rng, n, 24.0)
    for passage, _, _, _, veer in FRONTS:
        lag = hours(stamps, at(passage))
        x += veer * ((ramp(lag, -0.4, 0.5) - 0.5) * bump(lag, 20.0))
    x += (5.0 + 28.0 / (speed + 0.7)) * 0.7 * red_noise(rng, n, 0.8) + (
        2.0 + 8.0 / (speed + 0.5)
    ) * rng.standard_normal(n)
    return np.mod(x, 360.0)


def temperature(stamps: NDArray[np.datetime64], sunlight: Floats, cover: Floats, speed: Floats, rain: Floats) -> Floats:
    """Air temperature, degC: season, air mass, and a store that the sun warms and the clear night cools."""
    rng, n = stream("temperature"), stamps.size
    season = 5.2 + 5.4 * ramp(hours(stamps), 0.0, 92.0 * 24.0)
    mass = 1.3 * smooth_noise(rng, n, 20.0)
    for passage, _, change, _, _ in FRONTS:
        lag = hours(stamps, at(passage))
        before, after = ramp(lag, -16.0, -3.0), ramp(lag, -0.3, 1.2)
        mass += -0.5 * change * before * (1.0 - after) + 0.6 * change * after * np.exp(-np.maximum(lag, 0.0) / 40.0)
    store = np.empty(n)
    x, wet = 0.0, 0.0
    for i in range(n):
        wet += (min(rain[i], 0.6) - wet) / 6.0  # rain falls from colder air
        memory_h = 4.5 / (1.0 + 0.06 * speed[i])
        gain = 0.0062 * sunlight[i] - 0.75 * (1.0 - 0.85 * cover[i]) - 1.2 * wet  # K per hour
        x += (gain - x / memory_h) / 6.0
        store[i] = x
    day = ramp(sunlight, 0.0, 500.0)
    quick = (0.07 + 0.22 * day * (1.2 - cover)) * red_noise(rng, n, 0.35) + 0.10 * red_noise(rng, n, 1.5)
    return season + mass + store + quick + 0.015 * rng.standard_normal(n)


def vapour_pressure(t: Floats) -> Floats:
    """Saturation over water, hPa: WMO-No. 8 (from memory)."""
    return 6.112 * np.exp(17.62 * t / (243.12 + t))


def humidity(stamps: NDArray[np.datetime64], t: Floats, rain: Floats, sunlight: Floats) -> Floats:
    """Relative humidity, %: a slow dew point that dew and rain pull to the air temperature."""
    rng, n = stream("humidity"), stamps.size
    depression = 3.4 + 1.3 * smooth_noise(rng, n, 14.0) + 0.25 * red_noise(rng, n, 1.0)
    depression += spells(stamps, dryness=True)
    noise = 0.06 * red_noise(rng, n, 0.3)
    daily = np.convolve(np.pad(t, (72, 71), "edge"), np.ones(144) / 144.0, "valid")  # mean of 24 h around
    dew, wet = np.empty(n), 0.0
    x = t[0] - 3.0
    for i in range(n):
        wet = max(wet * 0.90, min(1.0, rain[i] / 0.15))
        # the ground gives off water by day; the sun mixes drier air down faster
        x += (daily[i] - depression[i] + 0.0022 * sunlight[i] - x) * (1.0 + sunlight[i] / 100.0) / (6.0 * 6.0)
        x += wet * (t[i] - 0.25 - x) / 5.0
        x = min(x, t[i] - 0.12)  # the rest falls as dew
        dew[i] = x
    rh = 100.0 * vapour_pressure(dew + noise) / vapour_pressure(t)
    return np.clip(rh + 0.12 * rng.standard_normal(n), 5.0, 100.0)


def pressure(stamps: NDArray[np.datetime64], speed: Floats) -> Floats:
    """Station pressure, hPa: slow highs and lows, a trough at each front, the half-daily tide, noise in wind."""
    rng, n = stream("pressure"), stamps.size
    # 978 hPa at 310 m belongs to 1016 hPa at sea level: 0.12 hPa per metre (handbook, trade)
    x = 978.5 + 5.0 * smooth_noise(rng, n, 30.0) + 3.0 * spells(stamps)
    x = np.convolve(np.pad(x, (36, 36), "edge"), np.ones(73) / 73.0, "valid")  # no corners at the ends of the spells
    for passage, trough, *_ in FRONTS:
        lag = hours(stamps, at(passage))
        x -= trough * np.where(lag < 0.0, bump(lag, 10.0), bump(lag, 13.0))
    # maximum at about 9.8 h local time, 0.25 to 0.43 hPa measured on a roof in central Europe (signatures, 1.1)
    x += 0.30 * np.cos(2.0 * np.pi * (hours(stamps) - 0.2 - 9.8) / 12.0)
    return x + 0.05 * red_noise(rng, n, 1.0) + (0.025 + 0.002 * speed) * rng.standard_normal(n)


def tips(rain: Floats, tip_mm: float) -> Floats:
    """Rain as the bucket tells it, mm: whole tips, the rest waits in the bucket."""
    return np.diff(np.floor(np.cumsum(rain) / tip_mm + 0.37), prepend=0.0) * tip_mm


def filtered(x: Floats, memory_h: float, first: float) -> Floats:
    """First-order lag of `x`, e-folding time in hours."""
    out, y, part = np.empty(x.size), first, 1.0 - math.exp(-1.0 / (6.0 * memory_h))
    for i, value in enumerate(x):
        y += part * (value - y)
        out[i] = y
    return out


def soil(t: Floats, sunlight: Floats) -> Floats:
    """Soil temperature at 0.1 m, degC: the air and the sun, damped and late."""
    surface = t + 0.008 * sunlight
    deep = filtered(surface, 240.0, 4.0)
    return (
        0.45 * deep
        + 0.55 * filtered(filtered(surface, 3.5, 4.0), 5.0, 4.0)
        + 0.01 * red_noise(stream("soil"), t.size, 1.0)
    )


def enclosure(t: Floats, sunlight: Floats) -> Floats:
    """Logger temperature, degC: follows the air, warmed by the sun on the enclosure."""
    return filtered(t, 0.5, float(t[0])) + 0.4 + filtered(0.013 * sunlight, 1.0, 0.0)


def power(t: Floats, sunlight: Floats) -> tuple[Floats, Floats]:
    """Battery minimum and panel voltage, V: 12 V lead-acid, regulator at about 14.1 V, a load of 0.1 A (trade)."""
    rng, n = stream("power"), t.size
    battery = np.empty(n)
    charge, lift = 0.85, 0.0
    for i in range(n):
        current = 0.0022 * sunlight[i]  # A
        charge = min(1.0, max(0.0, charge + (0.95 * current - 0.1) / 6.0 / 24.0))  # 24 Ah
        lift += (min(1.0, current / 0.6) - lift) / 3.0
        battery[i] = 11.9 + 0.8 * charge + 1.55 * lift * (0.55 + 0.45 * charge)
    battery = np.minimum(battery - 0.004 * (t - 8.0), 14.1 - 0.02 * (t - 8.0))
    panel = 0.04 + 19.5 * (1.0 - np.exp(-sunlight / 9.0)) - 5.2 * ramp(sunlight, 60.0, 200.0)  # loaded, it comes down
    panel = np.where(sunlight > 2.0, np.maximum(panel, np.minimum(battery + 0.4, panel + 5.0)), panel)
    noise = 0.02 * rng.standard_normal((2, n))
    return battery + 0.6 * noise[0], np.maximum(panel + noise[1] * (1.0 + 4.0 * ramp(sunlight, 2.0, 60.0)), 0.0)


def thermopile(sunlight: Floats, cover: Floats) -> Floats:
    """What the pyranometer reports, W/m2: a little below zero under a clear night sky."""
    # campus data of shared/data: nights -1.55 on average, lowest -5.1 (signatures, 1.11, measured)
    rng = stream("thermopile")
    offset = -0.5 - 1.7 * (1.0 - cover) + 0.25 * red_noise(rng, sunlight.size, 1.0)
    return sunlight + np.clip(offset, -3.4, 0.0) + 0.08 * rng.standard_normal(sunlight.size)


# --- the table ----------------------------------------------------------------------------------------------------


@dataclass
class Table:
    """What the logger will write: numbers, and the cells and rows that go wrong on the way."""

    stamps: NDArray[np.datetime64]
    values: dict[str, Floats]  # NaN: the logger writes its marker
    texts: dict[tuple[int, str], str] = field(default_factory=dict)  # cells that are no number
    lost: Bools = field(default_factory=lambda: np.zeros(0, dtype=bool))  # rows that never arrived
    again: dict[int, list[dict[str, float]]] = field(default_factory=dict)  # rows written once more, with other values
    truth: list[dict[str, Any]] = field(default_factory=list)

    def row(self, text: str) -> int:
        """Row of a stamp."""
        return int((at(text) - self.stamps[0]) / STEP)

    def rows(self, first: str, last: str) -> slice:
        """Rows from one stamp to another, both included."""
        return slice(self.row(first), self.row(last) + 1)


def healthy(site: dict[str, Any]) -> tuple[Table, Sun, Floats]:
    """The table without any fault; beside it sun and beam (W/m2), which some faults need."""
    stamps = grid()
    sky = sun(stamps, site)
    rain = rain_rate(stamps)
    cover = cloud_cover(stamps, rain, sky.height)
    light, beam = irradiance(sky, cover, *sunshine_and_veil(cover, rain))
    speed, gust = wind_speed(stamps, light, cover, sky.height)
    t = temperature(stamps, light, cover, speed, rain)
    battery, panel = power(t, light)
    tip = next(c["resolution"] for c in site["channel"] if c["name"] == "rain")
    values = {
        "t_air": t,
        "rh": humidity(stamps, t, rain, light),
        "p": pressure(stamps, speed),
        "ws": speed,
        "gust": gust,
        "wd": wind_direction(stamps, speed),
        "ghi": thermopile(light, cover),
        "rain": tips(rain, tip),
        "t_soil": soil(t, light),
        "batt": battery,
        "panel": panel,
        "t_log": enclosure(t, light),
    }
    values["wd"] = np.mod(np.round(values["wd"], 1), 360.0)  # the logger writes north as 0, never as 360
    table = Table(stamps, {name: np.round(x, DECIMALS[name]) for name, x in values.items()})
    table.lost = np.zeros(stamps.size, dtype=bool)
    return table, sky, beam


# --- the faults, each with days of its own ------------------------------------------------------------------------


def tell(
    table: Table,
    fault: str,
    channels: list[str],
    period: tuple[str, str],
    planted: dict[str, Any],
    checks: list[str],
    min_share: float,
    note: str,
    count: list[tuple[str, str]] | None = None,
) -> None:
    """Write down what was planted. `count`: the stamps, first and last, among which `min_share` must be flagged."""
    table.truth.append(
        {
            "fault": fault,
            "channels": channels,
            "from": period[0],
            "to": period[1],
            "planted": planted,
            "checks": checks,
            "min_share": min_share,
            "count": count or [period],
            "note": note,
        }
    )


def plant_markers(table: Table) -> None:
    """The soil thermometer's own markers: one run in each layout."""
    for period, marker in (
        (("2026-03-03T12:10", "2026-03-03T16:00"), "-9999"),
        (("2026-05-07T12:10", "2026-05-07T15:00"), "NAN"),
    ):
        rows = table.rows(*period)
        table.values["t_soil"][rows] = np.nan
        note = "a run of missing-value markers"
        planted = {"marker": marker, "values": rows.stop - rows.start}
        tell(table, "single-values", ["t_soil"], period, planted, ["marker"], 1.0, note)


def plant_dropouts(table: Table) -> None:
    """Six bursts in which the hygrothermometer's cable goes silent: both channels together."""
    bursts = [
        ("2026-03-05T02:40", "2026-03-05T03:10"),
        ("2026-03-05T05:00", "2026-03-05T05:50"),
        ("2026-03-05T06:30", "2026-03-05T06:40"),
        ("2026-03-05T19:20", "2026-03-05T20:00"),
        ("2026-03-06T01:10", "2026-03-06T01:40"),
        ("2026-03-06T04:20", "2026-03-06T05:10"),
    ]
    for burst in bursts:
        for name in ("t_air", "rh"):
            table.values[name][table.rows(*burst)] = np.nan
    planted = {"bursts": len(bursts), "share_together": 1.0, "marker": "-9999"}
    note = "the channels of one device go missing together, in bursts"
    period = (bursts[0][0], bursts[-1][1])
    tell(table, "bus-dropout", ["t_air", "rh"], period, planted, ["marker", "dropout"], 1.0, note, bursts)


def plant_unreadable(table: Table) -> None:
    """Five cells that are no number."""
    cells = [
        ("2026-03-08T03:20", "rh", "8?,1"),
        ("2026-03-08T09:50", "p", "9 7#"),
        ("2026-03-08T13:10", "ws", "--"),
        ("2026-03-08T18:40", "t_air", "4,1,2"),
        ("2026-03-08T22:30", "batt", "ERR"),
    ]
    for stamp, name, text in cells:
        table.texts[table.row(stamp), name] = text
        note = "a line disturbed on its way"
        tell(table, "single-values", [name], (stamp, stamp), {"cell": text}, ["unreadable"], 1.0, note)


def plant_gap(table: Table) -> None:
    """Five hours without rows."""
    period = ("2026-03-09T01:10", "2026-03-09T06:00")
    rows = table.rows(*period)
    table.lost[rows] = True
    note = "rows that never arrived; they exist in the output only with --fill-gaps"
    planted = {"rows": rows.stop - rows.start}
    tell(table, "single-values", ["all"], period, planted, ["gap"], 1.0, note)


def plant_conflict(table: Table) -> None:
    """Two rows of one stamp that contradict each other, and one row that was only sent twice."""
    stamp, twice = "2026-03-11T14:20", "2026-03-11T15:00"
    i = table.row(stamp)
    other = {
        "t_air": round(float(table.values["t_air"][i]) + 1.37, 2),
        "ws": round(float(table.values["ws"][i]) + 0.82, 2),
    }
    table.again[i] = [other]
    table.again[table.row(twice)] = [{}]
    planted = {"other_t_air": other["t_air"], "other_ws": other["ws"], "repeated_stamp": twice + ":00Z"}
    note = "two rows of one stamp differ; the row at repeated_stamp is only written twice and no fault"
    tell(table, "single-values", ["t_air", "ws"], (stamp, stamp), planted, ["timing"], 1.0, note)


def plant_gross(table: Table) -> None:
    """Four gross errors of one temperature each."""
    for stamp, change, checks in (
        ("2026-03-13T05:30", None, ["range", "step", "spike"]),
        ("2026-03-13T21:10", 15.0, ["step", "spike"]),
        ("2026-03-14T11:40", -15.0, ["step", "spike"]),
        ("2026-03-14T23:50", 15.0, ["step", "spike"]),
    ):
        i = table.row(stamp)
        value = 84.7 if change is None else round(float(table.values["t_air"][i]) + change, 2)
        table.values["t_air"][i] = value
        planted = {"value": value} | ({} if change is None else {"jump_k": change})
        note = "beyond the sensor's own range" if change is None else "a jump for one value"
        tell(table, "single-values", ["t_air"], (stamp, stamp), planted, checks, 1.0, note)


def plant_barometer(table: Table) -> None:
    """Two days in which the barometer reads far too low, with a step at either end."""
    period, offset = ("2026-03-16T00:10", "2026-03-18T00:00"), -160.0
    table.values["p"][table.rows(*period)] += offset
    note = "below any pressure ever seen at sea level (870 hPa, WMO record archive); a step at both ends"
    tell(table, "barometer-offset", ["p"], period, {"offset_hpa": offset}, ["sea-level"], 1.0, note)
    for stamp, jump in (("2026-03-16T00:10", offset), ("2026-03-18T00:10", -offset)):
        tell(table, "barometer-offset", ["p"], (stamp, stamp), {"jump_hpa": jump}, ["step"], 1.0, "the step")


def plant_frozen(table: Table) -> None:
    """Two days in which the wind head repeats its last values, with a quantum of flutter."""
    period = ("2026-03-19T12:10", "2026-03-21T12:00")
    rows = table.rows(*period)
    last = {name: float(table.values[name][rows.start - 1]) for name in ("ws", "wd")}
    flutter = stream("faults").random((2, rows.stop - rows.start)) < 0.03
    table.values["ws"][rows] = last["ws"] + 0.01 * flutter[0]
    table.values["gust"][rows] = table.values["ws"][rows]
    table.values["wd"][rows] = last["wd"] + 0.1 * flutter[1]
    planted = {"hours": 48.0, "speed_m_s": last["ws"], "direction_deg": last["wd"]}
    note = "speed, gust and direction stay within one step of the table; the rest of the station lives"
    tell(table, "sensor-frozen", ["ws", "gust", "wd"], period, planted, ["frozen", "persistence"], 0.9, note)


def plant_scale(table: Table, sky: Sun) -> None:
    """Three sunny days in which the pyranometer reports nearly twice the light (a wrong constant)."""
    period, factor = ("2026-03-23T00:10", "2026-03-26T00:00"), 1.9
    rows = table.rows(*period)
    table.values["ghi"][rows] *= factor
    count = spans(table, rows, sky.height[rows] > 15.0)
    note = "three clear days; counted where the sun stands above 15 degrees"
    tell(table, "pyranometer-scale", ["ghi"], period, {"factor": factor}, ["clear-sky"], 0.95, note, count)


def plant_clog(table: Table) -> None:
    """A shower that leaves the blocked funnel as an even drip, far into a dry and sunny day."""
    period = ("2026-04-25T06:10", "2026-04-25T14:00")
    rows = table.rows(*period)
    table.values["rain"][rows] = 0.2
    planted = {"events": 1, "hours": 8.0, "tips": rows.stop - rows.start, "shower_mm": SHOWERS[0][2]}
    note = "one tip in each interval; counted from an hour and a half after the shower, which ended at 07:30"
    count = [("2026-04-25T09:10", "2026-04-25T14:00")]
    tell(table, "gauge-clogged", ["rain"], period, planted, ["drip", "dry-rain"], 0.7, note, count)


def plant_vane(table: Table) -> None:
    """Twenty hours in which the vane hangs while the cups turn on in a fresh wind."""
    period = ("2026-05-02T02:10", "2026-05-02T22:00")
    rows = table.rows(*period)
    last = float(table.values["wd"][rows.start - 1])
    table.values["wd"][rows] = last + 0.1 * (stream("faults").random(rows.stop - rows.start) < 0.2)
    planted = {"direction_deg": last, "hours": 20.0}
    note = "the speed shows that only the vane is stuck"
    tell(table, "vane-stuck", ["wd"], period, planted, ["vane", "persistence"], 0.8, note)


def plant_visit(table: Table) -> None:
    """The pyranometer under the technician's hands while it is moved."""
    period = ("2026-05-10T10:10", "2026-05-10T11:20")
    rows = table.rows(*period)
    share = np.array([0.7, 0.25, 0.1, 0.05, 0.3, 0.15, 0.5, 0.9])
    table.values["ghi"][rows] *= share
    note = "pyranometer moved to the cross arm: covered, off level (visits.csv)"
    planted = {"share_of_light": [float(x) for x in share]}
    tell(table, "single-values", ["ghi"], period, planted, ["visit"], 1.0, note)


def plant_shade(table: Table, sky: Sun, beam: Floats) -> None:
    """Since the move the wind head at the east end of the cross arm stands before the morning sun."""
    period, sector, top, cut = ("2026-05-11T00:10", "2026-06-01T00:00"), (88.0, 94.0), 40.0, 0.42
    rows = table.rows(*period)
    hidden = (
        (sky.azimuth >= sector[0]) & (sky.azimuth <= sector[1]) & (sky.elevation > 0) & (sky.elevation < top)
    ).mean(1)
    table.values["ghi"][rows] -= cut * hidden[rows] * beam[rows]
    planted = {"azimuth_from": sector[0], "azimuth_to": sector[1], "elevation_top": top, "beam_cut": cut, "days": 21}
    note = "beam_cut of the beam while the sun is in the sector; no check of one value can see it, diagnosis does"
    tell(table, "pyranometer-shaded", ["ghi"], period, planted, [], 0.0, note)


def plant_battery(table: Table, sky: Sun) -> None:
    """An ageing battery: each night it sags deeper."""
    period = ("2026-05-24T20:00", "2026-06-01T00:00")
    healthy_volts = table.values["batt"].copy()
    for night in range(8):
        noon = at("2026-05-24T12:00") + np.timedelta64(night, "D")
        inside = np.flatnonzero((table.stamps > noon) & (table.stamps <= noon + np.timedelta64(1, "D")))
        dark = inside[sky.height[inside] < 2.0]
        depth = 0.2 + 0.27 * night
        drop = np.zeros(table.stamps.size)
        drop[dark] = depth * ((np.arange(dark.size) + 1) / max(dark.size, 40)) ** 0.8
        if dark[-1] < inside[-1]:  # morning: the panel brings it back within two hours
            after = np.arange(dark[-1] + 1, min(dark[-1] + 13, table.stamps.size))
            drop[after] = drop[dark[-1]] * (1.0 - (np.arange(after.size) + 1) / 13.0)
        table.values["batt"] = table.values["batt"] - drop
    table.values["batt"] = np.round(table.values["batt"], 2)
    rows = table.rows(*period)
    low = table.values["batt"][rows] < 11.4
    planted = {
        "night_sag_v": [round(0.2 + 0.27 * night, 2) for night in range(8)],
        "lowest_v": float(table.values["batt"].min()),
        "healthy_lowest_v": float(healthy_volts[rows].min()),
    }
    note = "sag by sunrise, night by night (the last is cut off); counted below 11.4 V (cut-off is 11.5 V, trade)"
    tell(table, "battery-failing", ["batt"], period, planted, ["supply"], 0.9, note, spans(table, rows, low))


def spans(table: Table, rows: slice, mask: Bools) -> list[tuple[str, str]]:
    """First and last stamp of each unbroken run where `mask` holds among `rows`."""
    edges = np.diff(np.concatenate([[0], mask.astype(np.int8), [0]]))
    starts, stops = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    texts = np.datetime_as_string(table.stamps[rows], unit="m")
    return [(str(texts[a]), str(texts[b])) for a, b in zip(starts, stops, strict=True)]


def plant_all(table: Table, sky: Sun, beam: Floats) -> None:
    """The scenario: see ORIGIN.md."""
    plant_markers(table)
    plant_dropouts(table)
    plant_unreadable(table)
    plant_gap(table)
    plant_conflict(table)
    plant_gross(table)
    plant_barometer(table)
    plant_frozen(table)
    plant_scale(table, sky)
    plant_clog(table)
    plant_vane(table)
    plant_visit(table)
    plant_shade(table, sky, beam)
    plant_battery(table, sky)


# --- the files ----------------------------------------------------------------------------------------------------


def cell(table: Table, i: int, name: str, marker: str, decimal: str, other: dict[str, float]) -> str:
    """One cell as the logger writes it."""
    if (i, name) in table.texts:
        return table.texts[i, name]
    value = other.get(name, float(table.values[name][i]))
    if math.isnan(value):
        return marker
    text = f"{value:.{DECIMALS[name]}f}"
    return (text[1:] if float(text) == 0.0 and text.startswith("-") else text).replace(".", decimal)


def written(table: Table, first: np.datetime64, end: np.datetime64) -> list[tuple[int, dict[str, float]]]:
    """Rows of a file in order, with the values that differ from the table's: a row written again comes right after."""
    out: list[tuple[int, dict[str, float]]] = []
    for i in np.flatnonzero((table.stamps >= first) & (table.stamps < end) & ~table.lost):
        out += [(int(i), other) for other in [{}, *table.again.get(int(i), [])]]
    return out


def write_a(table: Table, path: Path) -> None:
    """First program: Latin-1, semicolon, decimal comma, date and time apart, CR LF."""
    columns = {
        "p": "Press (hPa)",
        "t_air": "Temp (°C)",
        "rh": "RH (%)",
        "ws": "Wind (m/s)",
        "gust": "Gust (m/s)",
        "wd": "Dir (°)",
        "ghi": "Glob (W/m²)",
        "rain": "Rain_mm",
        "t_soil": "Soil (°C)",
        "batt": "Batt_V",
        "panel": "Panel_V",
        "t_log": "Box (°C)",
    }
    lines = [
        "Otter Fell, weather station on the ridge above Sallowby",
        "10 min table; clock UTC+00:00; stamps at the end of the interval",
        ";".join(["Date", "Time", *columns.values()]),
    ]
    for i, other in written(table, START, NEW_PROGRAM):
        day, clock = str(table.stamps[i].astype("datetime64[s]")).split("T")
        year, month, of_month = day.split("-")
        values = [cell(table, i, name, "-9999", ",", other) for name in columns]
        lines.append(";".join([f"{of_month}.{month}.{year}", clock, *values]))
    path.write_bytes("".join(line + "\r\n" for line in lines).encode("latin-1"))


def write_b(table: Table, path: Path) -> None:
    """Second program: UTF-8, comma, decimal point, ISO stamps, a counter, rows of names, units and statistics."""
    columns = {
        "batt": ("Batt_V", "V", "min"),
        "t_log": ("Box_T", "°C", "smp"),
        "panel": ("Panel_V", "V", "avg"),
        "t_air": ("Temp_Avg", "°C", "avg"),
        "rh": ("RH_Avg", "%", "avg"),
        "p": ("Press_Avg", "hPa", "avg"),
        "wd": ("Dir_Vec", "°", "vec"),
        "ws": ("Wind_Avg", "m/s", "avg"),
        "gust": ("Gust_Max", "m/s", "max"),
        "ghi": ("Glob_Avg", "W/m²", "avg"),
        "t_soil": ("Soil_T", "°C", "smp"),
        "rain": ("Rain_mm", "mm", "tot"),
    }
    heads = [["Stamp", "No"], ["UTC", ""], ["end", ""]]
    lines = ["Otter Fell,10 min table,program 2,clock UTC+00:00"]
    lines += [",".join([*head, *(c[k] for c in columns.values())]) for k, head in enumerate(heads)]
    for number, (i, other) in enumerate(written(table, NEW_PROGRAM, END + STEP), start=1):
        stamp = str(table.stamps[i].astype("datetime64[s]"))
        lines.append(",".join([stamp, str(number), *(cell(table, i, name, "NAN", ".", other) for name in columns)]))
    path.write_bytes("".join(line + "\n" for line in lines).encode("utf-8"))


def toml(value: Any) -> str:
    """A value as TOML."""
    if isinstance(value, str):
        return value if value.endswith("Z") and value[4:5] == "-" else '"' + value.replace('"', '\\"') + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return repr(value)


def write_truth(table: Table, path: Path) -> None:
    """What was planted, in order of time."""
    lines = [
        "# What tests/make_sample.py plants in the tables of this folder. Times are stamps, UTC, both ends included.",
        "# fault: id of the fault book, or single-values where it is no lasting cause. planted: in numbers.",
        "# checks: those that should flag it. min_share: of the values of each channel named, within the stretches",
        "# of `count`, the share that must carry at least one of them. No checks: only diagnosis can see it.",
        "",
        "[period]",
        f"from = {START + STEP!s}"[:-7] + "Z",
        f"to = {END!s}"[:-7] + "Z",
        "",
        "[healthy] # nothing is planted here",
        f"from = {HEALTHY[0]!s}"[:-7] + "Z",
        f"to = {HEALTHY[1]!s}"[:-7] + "Z",
    ]
    for entry in sorted(table.truth, key=lambda e: (e["from"][:10], e["from"] == e["to"], e["from"])):
        shown = entry | {k: entry[k] + ":00Z" for k in ("from", "to")}
        shown["count"] = [[first + ":00Z", last + ":00Z"] for first, last in entry["count"]]
        lines += ["", "[[planted]]", *(f"{key} = {toml(value)}" for key, value in shown.items())]
    path.write_bytes("".join(line + "\n" for line in lines).encode("utf-8"))


VALLEY_DROP = 185.0  # m that Sallow Bridge lies below Otter Fell
VALLEY_FIRST = np.datetime64("2026-05-01T00:00", "us")


def write_valley(table: Table, path: Path) -> None:
    """Sallow Bridge in the valley: the same air 185 m lower, an instant reading each hour, nothing wrong with it."""
    rng = np.random.default_rng(SEED + 1)
    rows = np.flatnonzero((table.stamps > VALLEY_FIRST) & (table.stamps.astype("datetime64[h]") == table.stamps))
    count = len(rows)
    slow = np.convolve(rng.normal(0, 0.15, count + 23), np.ones(24) / 24**0.5, "valid")
    t = table.values["t_air"][rows] + 0.0065 * VALLEY_DROP + slow
    rh = np.clip(table.values["rh"][rows] - 3.0 + 2.0 * slow, 8.0, 100.0)
    p = table.values["p"][rows] * np.exp(VALLEY_DROP / (29.27 * (t + 273.15)))  # hydrostatic (from memory)
    batt = 12.9 - 0.002 * np.arange(count) / 24 + 0.3 * (table.values["ghi"][rows] > 100)
    lines = ["when,air,humidity,pressure,battery"]
    for i, *values in zip(rows.tolist(), t, rh, p, batt, strict=True):
        stamp = str(table.stamps[i].astype("datetime64[m]")).replace("T", " ")
        lines.append(f"{stamp},{values[0]:.1f},{values[1]:.0f},{values[2]:.1f},{values[3]:.2f}")
    path.write_bytes("".join(line + "\n" for line in lines).encode("ascii"))


def make(folder: Path) -> Table:
    """Write the three tables and the truth into `folder`."""
    with (SAMPLE / STATION).open("rb") as f:
        site = tomllib.load(f)
    table, sky, beam = healthy(site)
    folder.mkdir(parents=True, exist_ok=True)
    write_valley(table, folder / "sallow-bridge.csv")
    plant_all(table, sky, beam)
    write_a(table, folder / "otter-fell_a.csv")
    write_b(table, folder / "otter-fell_b.csv")
    write_truth(table, folder / "truth.toml")
    return table


if __name__ == "__main__":
    make(Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLE)
