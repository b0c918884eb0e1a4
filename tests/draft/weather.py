"""Invented weather for tables to draft from: sun, cloud, temperature, humidity, pressure, wind, rain, battery that hang
together.

The sun comes from plain formulas (declination and equation of time by Spencer 1971, Search 2(5), 172; from memory), not
from the code under test.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]


@dataclass(frozen=True)
class Place:
    """Site, and its clock in minutes east of UTC."""

    latitude: float
    longitude: float
    elevation: float
    clock_min: int = 0


@dataclass(frozen=True)
class Weather:
    """Values for the intervals that end at `end` (UTC), in SI-like units: degC, %, hPa, m/s, degree, W/m2, mm, V."""

    end: Times
    interval_s: int
    t: Floats
    rh: Floats
    td: Floats
    p: Floats
    p_sea: Floats
    ws: Floats
    gust: Floats
    wd: Floats
    ghi: Floats
    par: Floats
    rain: Floats
    battery: Floats

    def local(self, place: Place) -> Times:
        """Stamps at the end of the interval on a clock of fixed offset."""
        return self.end + np.timedelta64(place.clock_min, "m")


def cosine_zenith(time: Times, place: Place) -> Floats:
    """Cosine of the sun's zenith angle, below 0 by night."""
    second = time.astype("datetime64[s]").astype(np.int64)
    day = time.astype("datetime64[D]")
    b = 2 * np.pi * ((day - day.astype("datetime64[Y]")).astype(float)) / 365
    eot = 229.18 * (
        0.000075 + 0.001868 * np.cos(b) - 0.032077 * np.sin(b) - 0.014615 * np.cos(2 * b) - 0.040849 * np.sin(2 * b)
    )
    dec = (
        0.006918 - 0.399912 * np.cos(b) + 0.070257 * np.sin(b) - 0.006758 * np.cos(2 * b) + 0.000907 * np.sin(2 * b)
        - 0.002697 * np.cos(3 * b) + 0.00148 * np.sin(3 * b)
    )  # fmt: skip
    hour = np.radians(((second % 86400) / 60 + eot + 4 * place.longitude) / 4 - 180)
    lat = np.radians(place.latitude)
    return np.asarray(np.sin(lat) * np.sin(dec) + np.cos(lat) * np.cos(dec) * np.cos(hour))


def weather(
    place: Place, first: str, days: float, interval_s: int, seed: int = 7, mild: float | None = None
) -> Weather:
    """Weather at a place; `mild` is the mean temperature, by latitude where left out."""
    rng = np.random.default_rng(seed)
    rows = int(days * 86400 / interval_s)
    end = np.datetime64(first, "s") + (np.arange(rows) + 1) * np.timedelta64(interval_s, "s")
    sub = 6
    fine = end[:, None] - ((np.arange(sub) + 0.5) * interval_s / sub).astype("timedelta64[s]")[None, :]
    mu = np.maximum(cosine_zenith(fine.ravel(), place), 0).reshape(rows, sub)
    clear = np.mean(1100 * mu**1.2, axis=1)
    slow = _walk(rng, rows, 6 * 3600 / interval_s)
    quick = _walk(rng, rows, max(1.0, 1800 / interval_s))
    cloud = np.clip(0.75 + 0.35 * slow + 0.25 * quick, 0.12, 1.02)
    ghi = clear * cloud + rng.normal(0, 0.4, rows) * (clear > 1)
    ghi = np.round(np.where(clear > 0, np.maximum(ghi, 0), 0), 1)
    warm = mild if mild is not None else 27 - 0.011 * max(0, abs(place.latitude) - 12) ** 2 - 0.006 * place.elevation
    lagged = np.mean(np.maximum(cosine_zenith(end - np.timedelta64(2, "h"), place), -0.3)[:, None], axis=1)
    t = warm + 7 * (lagged - 0.2) + 4 * slow + rng.normal(0, 0.08, rows)
    rh = np.clip(72 - 4.0 * (t - warm) + 14 * quick + rng.normal(0, 0.3, rows), 12, 100)
    gamma = np.log(rh / 100) + 17.62 * t / (243.12 + t)
    td = 243.12 * gamma / (17.62 - gamma)
    p_sea = 1014 + 8 * _walk(rng, rows, 48 * 3600 / interval_s) + rng.normal(0, 0.03, rows)
    p = p_sea * (1 - 2.25577e-5 * place.elevation) ** 5.25588
    ws = np.maximum(0.0, 3.2 + 2.2 * slow + 0.8 * quick + rng.normal(0, 0.4, rows))
    gust = ws * (1.35 + 0.3 * rng.random(rows)) + 0.2
    wd = (200 + 90 * _walk(rng, rows, 12 * 3600 / interval_s) + rng.normal(0, 12, rows)) % 360
    wet = (cloud < 0.45) & (rng.random(rows) < 0.5)
    rain = np.where(wet, rng.integers(1, 5, rows) * 0.2, 0.0)
    battery = 12.5 + 0.9 * (ghi > 60) + rng.normal(0, 0.02, rows)
    return Weather(
        end, interval_s, np.round(t, 1), np.round(rh, 1), np.round(td, 1), np.round(p, 1), np.round(p_sea, 1),
        np.round(ws, 1),
        np.round(gust, 1), np.round(wd), ghi, np.round(2.02 * ghi, 1), np.round(rain, 1), np.round(battery, 2),
    )  # fmt: skip


def _walk(rng: np.random.Generator, rows: int, scale: float) -> Floats:
    """Smooth noise of mean 0 and about unit spread, with that scale in rows."""
    knots = rng.normal(0, 1, int(rows / max(scale, 1)) + 4)
    at = np.arange(rows) / max(scale, 1)
    i = at.astype(int)
    f = at - i
    f = f * f * (3 - 2 * f)
    return np.asarray(knots[i] * (1 - f) + knots[i + 1] * f)


def stamps(times: Times, format: str) -> list[str]:
    """Times by a strftime format; `%-d %-m %-H %-I` without leading zeros."""
    return [t.strftime(format) for t in times.astype("datetime64[s]").tolist()]


def table(header: Sequence[str], columns: Sequence[Sequence[object]], delimiter: str = ",", decimal: str = ".") -> str:
    """A table as text: header lines as they stand, then a row for each value."""

    def cell(x: object) -> str:
        if isinstance(x, str):
            return x
        text = f"{x:.10g}" if isinstance(x, float) else str(x)
        return text.replace(".", decimal)

    rows = (delimiter.join(map(cell, row)) for row in zip(*columns, strict=True))
    return "\n".join([*header, *rows]) + "\n"


def as_lists(*arrays: Floats) -> list[list[float]]:
    """Columns for `table`."""
    return [list(map(float, a)) for a in arrays]


Scale = Callable[[Floats], Floats]
