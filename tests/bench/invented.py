"""Invented stations of a realistic kind, made by script: full stations in seven climates, as raw logger text.

`python -m tests.bench.invented` prints what the chain flags on a healthy month of each: next to nothing, or the
weather is not realistic. Groups A, B and C have other places, seasons, loggers and sensors: A is for tuning, B for
calibration, C for the report alone.

Weather is made at 1 min: regimes of days (settled, mixed, frontal), states of the sky by a chain with cloud edges and
enhancement, from these sun, temperature, humidity, pressure with its tide, wind, and rain that ends in a tipping
bucket. Then sensors with lag, noise and bounds, and a logger with averages and digits. Numbers without another word
are judgement: chosen so that the month looks like one.
"""

from __future__ import annotations

import tempfile
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from qc.physics import clear_sky, sun
from qc.read.tables import read_tables
from qc.record import Record
from qc.station import Station, parse

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
DAY = 1440  # minutes

SETTLED, MIXED, FRONTAL = 0, 1, 2
CLEAR, FEW, BROKEN, OVERCAST = 0, 1, 2, 3

ODD = ("fog", "snow", "storm", "heat", "dry", "inversion", "calm")
"""Healthy but odd weather that a window of a record can have."""


@dataclass(frozen=True)
class Climate:
    """What the weather of a place is like.

    `mean`, `year`, `day`, `air`: mean temperature, half its yearly swing, rise of a clear day, standard deviation from
    day to day, K. `dry`: dew point below the mean temperature, K. `regimes`: days a regime lasts (settled, mixed,
    frontal). `sky`: for each regime the shares of the four states of the sky. `rain`: mm/h of frontal rain; `showers`:
    afternoons with one, share of mixed days. `wind` m/s. `haze`: Linke turbidity. `synoptic` hPa.
    """

    rules: str
    mean: float
    year: float
    day: float
    air: float
    dry: float
    regimes: tuple[float, float, float]
    sky: tuple[tuple[float, float, float, float], ...]
    rain: float
    showers: float
    wind: float
    haze: float
    synoptic: float


_MIDDLE = ((0.5, 0.35, 0.1, 0.05), (0.15, 0.3, 0.35, 0.2), (0.0, 0.1, 0.25, 0.65))
_FAIR = ((0.85, 0.13, 0.02, 0.0), (0.45, 0.4, 0.12, 0.03), (0.1, 0.3, 0.4, 0.2))
_MOIST = ((0.25, 0.45, 0.25, 0.05), (0.1, 0.35, 0.4, 0.15), (0.0, 0.1, 0.35, 0.55))
CLIMATES: Mapping[str, Climate] = {
    "maritime": Climate("temperate", 10, 5.5, 6, 2.5, 4, (3, 2, 1.2), _MIDDLE, 2.0, 0.25, 4.0, 3.0, 9),
    "continental": Climate("continental", 7, 13, 9, 4, 5, (4, 2, 0.9), _MIDDLE, 1.8, 0.3, 2.8, 3.2, 8),
    "desert": Climate("arid", 23, 9, 13, 2.5, 18, (9, 2, 0.3), _FAIR, 2.0, 0.05, 3.0, 3.8, 4),
    "tropics": Climate("tropical", 26.5, 1, 7, 0.8, 3.5, (3, 4, 0.6), _MOIST, 3.0, 0.7, 1.8, 4.2, 1),
    "south": Climate("temperate", 14, 6, 9, 3, 7, (4, 2, 0.8), _MIDDLE, 2.0, 0.2, 3.2, 2.8, 7),
    "mountain": Climate("continental", 1, 8, 6, 3.5, 6, (3, 2, 1), _MIDDLE, 1.5, 0.35, 4.5, 2.2, 6),
    "arctic": Climate("polar", 1, 8, 4, 3.5, 3.5, (2.5, 2, 1.2), _MIDDLE, 1.2, 0.05, 5.0, 2.2, 11),
}


@dataclass(frozen=True)
class Site:
    """An invented station: where, when, which logger. `full`: direct and diffuse sun, PAR, soil too."""

    id: str
    kind: str
    latitude: float
    longitude: float
    elevation: float
    start: str
    minutes: int
    full: bool = False
    comma: bool = False
    clips: bool = False  # a logger that writes no sun below zero
    cup: float = 0.4  # m/s at which the cups begin to turn
    tip: float = 0.2
    zone_h: int = 0
    fine: bool = True  # two digits rather than one


SITES: Mapping[str, Site] = {
    s.id: s
    for s in (
        Site("A-maritime", "maritime", 51.62, -4.08, 85, "2024-04-03", 10, full=True),
        Site("A-continental", "continental", 49.81, 27.34, 240, "2024-01-08", 10, fine=False, zone_h=2),
        Site("A-desert", "desert", 29.24, 34.12, 420, "2024-05-20", 5, full=True, zone_h=2),
        Site("A-tropics", "tropics", 3.42, 101.55, 45, "2024-03-01", 10, tip=0.5, zone_h=8),
        Site("A-south", "south", -36.88, 147.21, 310, "2024-11-15", 15, clips=True, comma=True, zone_h=10),
        Site("A-mountain", "mountain", 46.57, 10.12, 2310, "2024-06-10", 10, full=True, zone_h=1),
        Site("A-arctic", "arctic", 68.31, 15.62, 12, "2024-09-01", 60, cup=0.0, zone_h=1),
        Site("B-maritime", "maritime", 47.35, -1.62, 32, "2024-09-10", 5, clips=True, tip=0.1),
        Site("B-continental", "continental", 44.12, -98.4, 415, "2024-06-05", 10, full=True, tip=0.254, zone_h=-6),
        Site("B-desert", "desert", 24.6, 54.9, 110, "2024-02-10", 10, fine=False, zone_h=4),
        Site("B-tropics", "tropics", -6.2, 34.9, 1120, "2024-10-01", 15, full=True, zone_h=3),
        Site("B-south", "south", -33.1, -70.9, 520, "2024-05-05", 10, comma=True, zone_h=-4),
        Site("B-mountain", "mountain", 39.2, -106.1, 2890, "2024-08-01", 10, cup=0.0, zone_h=-7),
        Site("B-arctic", "arctic", 70.1, 27.8, 30, "2024-05-10", 10, full=True, zone_h=2),
        Site("C-maritime", "maritime", 53.27, -7.9, 61, "2024-06-20", 10, full=True, comma=True),
        Site("C-continental", "continental", 55.3, 37.2, 170, "2024-10-20", 10, zone_h=3),
        Site("C-desert", "desert", -23.4, 16.2, 1240, "2024-09-01", 10, full=True, tip=0.1, zone_h=2),
        Site("C-tropics", "tropics", 9.1, -79.6, 75, "2024-05-01", 5, clips=True, tip=0.254, zone_h=-5),
        Site("C-south", "south", -41.2, 174.9, 140, "2024-08-10", 10, cup=0.0, zone_h=12),
        Site("C-mountain", "mountain", 42.6, 0.9, 1980, "2024-03-05", 15, full=True, zone_h=1),
        Site("C-arctic", "arctic", 64.9, -22.3, 25, "2024-03-20", 10, fine=False),
    )
}
"""21 of them: ids are of no place that exists."""


@dataclass(frozen=True)
class Made:
    """A station file and its table as a logger wrote it."""

    site: Site
    station: Station
    text: str
    raw: bytes

    def write(self, folder: Path) -> tuple[Path, Path]:
        """Station file and table in a folder."""
        file, table = folder / f"{self.site.id}.station.toml", folder / f"{self.site.id}.csv"
        file.write_text(self.text, "utf-8")
        table.write_bytes(self.raw)
        return file, table

    def record(self) -> Record:
        """The table, read as any other."""
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / f"{self.site.id}.csv"
            path.write_bytes(self.raw)
            record, refused = read_tables(self.station, [path])
        if refused:
            raise refused[0]
        return record


class Sky:
    """Chance of one station: series that wander, that switch, that last."""

    def __init__(self, minutes: int, seed: int) -> None:
        self.n, self.rng = minutes, np.random.default_rng(seed)

    def wander(self, memory: float, size: float = 1.0) -> Floats:
        """A series that forgets itself over so many minutes (first-order autoregression), standard deviation `size`."""
        a = np.exp(-1.0 / memory)
        noise = self.rng.normal(0.0, size * np.sqrt(1 - a * a), self.n)
        noise[0] = self.rng.normal(0.0, size)
        return np.asarray(lfilter([1.0], [1.0, -a], noise))

    def switch(self, on: float, off: float) -> Bools:
        """On and off by turns, so many minutes each on average."""
        count = int(2 * self.n / (on + off)) + 20
        lasts = np.empty(2 * count)
        lasts[::2] = self.rng.exponential(off, count) + 0.5
        lasts[1::2] = self.rng.exponential(on, count) + 0.5
        return (np.searchsorted(np.cumsum(lasts), np.arange(self.n)) % 2).astype(bool)

    def chain(self, lasts: tuple[float, ...], shares: tuple[float, ...]) -> NDArray[np.int64]:
        """States by turns, each for an exponential time of its own mean, minutes; never one twice in a row."""
        states, times = [int(self.rng.choice(len(lasts), p=np.array(shares) / sum(shares)))], []
        while sum(times) < self.n:
            times.append(float(self.rng.exponential(lasts[states[-1]])) + 5.0)
            p = np.array(shares)
            p[states[-1]] = 0.0 if (np.array(shares) > 0).sum() > 1 else p[states[-1]]
            states.append(int(self.rng.choice(len(lasts), p=p / p.sum())))
        return np.array(states)[np.minimum(np.searchsorted(np.cumsum(times), np.arange(self.n)), len(times))]


def smooth(x: Floats, minutes: float) -> Floats:
    """What lags behind by so many minutes (first order), begun in balance."""
    a = np.exp(-1.0 / minutes)
    return np.asarray(lfilter([1 - a], [1.0, -a], x, zi=[a * x[0]])[0])


def within(n: int, first: float, last: float, edge: float = 240.0) -> Floats:
    """1 from one day to another, 0 elsewhere, with soft edges of so many minutes."""
    m = np.arange(n)
    return np.clip((m - first * DAY) / edge, 0, 1) * np.clip((last * DAY - m) / edge, 0, 1)


def _vapour(t: Floats) -> Floats:
    return np.asarray(6.112 * np.exp(17.62 * t / (243.12 + t)))  # over water, WMO-8 (from memory)


def _dew(e: Floats) -> Floats:
    x = np.log(np.maximum(e, 1e-4) / 6.112)
    return np.asarray(243.12 * x / (17.62 - x))


def weather(site: Site, days: int, odd: str | None = None, seed: int = 0) -> dict[str, Floats]:
    """True weather at 1 min: `t`, `td` degC, `rh` %, `p` hPa, `ws`, `gust` m/s, `wd` degrees, `ghi`, `dni`, `dhi`
    W/m2, `rain` mm/min (liquid), `mu` sine of the sun's elevation.
    """
    n, c = days * DAY, CLIMATES[site.kind]
    s = Sky(n, zlib.crc32(f"{site.id};{site.start};{seed}".encode()))
    time = np.datetime64(site.start, "us") + np.arange(n) * np.timedelta64(60, "s") + np.timedelta64(30, "s")
    at = sun.position(time, site.latitude, site.longitude, site.elevation)
    extra = sun.extraterrestrial_normal(time)
    haze = np.clip(c.haze + s.wander(3 * DAY, 0.35), 1.8, 6.5)
    clear = clear_sky.ineichen(at.apparent_zenith, haze, site.elevation, extra)
    mu = np.maximum(np.cos(np.radians(at.zenith)), 0.0)
    solar = (np.arange(n) / DAY + site.longitude / 360.0) % 1.0  # share of the day, by the sun
    spell = within(n, 1.0, days - 1.0) if odd else np.zeros(n)

    # regimes and the sky
    regime = s.chain(tuple(d * DAY for d in c.regimes), (0.45, 0.35, 0.2))
    if odd in ("heat", "dry", "inversion", "calm"):
        regime = np.where(spell > 0.5, SETTLED, regime)
    elif odd == "storm":
        regime = np.where(spell > 0.5, FRONTAL, regime)
    state = np.zeros(n, np.int64)
    for kind, shares in enumerate(c.sky):
        state = np.where(regime == kind, s.chain((300.0, 150.0, 90.0, 240.0), shares), state)
    if odd in ("heat", "inversion"):
        state = np.where(spell > 0.5, np.minimum(state, FEW), state)
    frontal = (regime == FRONTAL) & s.switch(90.0, 120.0)
    shower = np.zeros(n)
    for day in range(days):  # in the afternoon, where the day is a mixed one
        first = int((day + (0.6 - site.longitude / 360.0) % 1.0) * DAY + s.rng.uniform(-90, 180))
        last, amount = first + int(s.rng.uniform(12, 50)), s.rng.gamma(1.5, 9.0)
        if s.rng.random() < c.showers and last < n and regime[first] == MIXED and mu[first] > 0.15:
            m = np.arange(last - first) / (last - first)
            shower[first:last] = amount / 60 * 4 * m * (1 - m) ** 0.5
    drizzle = np.maximum(0.0, s.wander(25, 0.7) + 0.6) * c.rain / 60 * np.exp(s.wander(8, 0.5))
    rain = np.where(frontal, drizzle, 0.0) + shower
    if odd in ("heat", "dry", "inversion", "calm"):
        rain = rain * (spell < 0.05)
    wet = smooth((rain > 0).astype(float), 25.0)
    state = np.where((rain > 0) | (wet > 0.4), OVERCAST, state)

    # sun: clouds cover it by turns; where they do not, their sides send more
    few, broken = s.switch(4.0, 14.0), s.switch(9.0, 5.0)
    covered = np.where(state == CLEAR, 0.0, np.where(state == FEW, few, np.where(state == BROKEN, broken, 1.0)))
    thick = np.clip(0.75 + s.wander(20, 0.25), 0.15, 1.0)
    beam = smooth(1 - covered * np.where(state == OVERCAST, 1.0, thick), 0.7)
    beam = np.where(beam < 0.02, 0.0, beam)
    lit = np.choose(state, [1.0, 1.25, 1.7, 1.0]) * np.exp(s.wander(15, 0.08) * (state > 0))
    share = np.clip(0.26 * np.exp(s.wander(90, 0.4) + s.wander(6, 0.08)) * (1 - 0.5 * wet), 0.04, 0.6)
    diffuse = np.where(state == OVERCAST, share * clear.ghi, np.minimum(clear.dhi * lit, 0.55 * clear.ghi + 5))
    # clouds change the sky by and by, but the sun's own course must not lag: twilight would come 3 min late
    dhi = clear.ghi * smooth(np.where(clear.ghi > 1.0, diffuse / np.maximum(clear.ghi, 1.0), 0.5), 4.0)
    if odd == "fog":
        beam, dhi = beam * (1 - spell), dhi * (1 - spell) + spell * clear.ghi * (0.18 + s.wander(120, 0.02))
    dni = clear.dni * beam
    dhi = np.maximum(dhi, 0.0) * (mu > 0) + np.maximum(0.0, 1.5 - np.abs(at.zenith - 91) * 0.6) * (mu <= 0)
    dhi = np.minimum(dhi, 0.7 * extra * mu**1.2 + 25)
    ghi = dni * mu + dhi
    cloud = smooth(np.choose(state, [0.05, 0.25, 0.65, 1.0]), 60.0)
    if odd == "fog":
        cloud = np.maximum(cloud, spell)

    # wind: days are windier than nights, clear nights fall calm
    gale = smooth(np.choose(regime, [0.7, 1.0, 1.5]), 300.0) * np.exp(s.wander(600, 0.35))
    day = smooth(ghi / 700, 60.0)
    ws = c.wind * gale * (0.32 + 0.45 * cloud + 0.9 * np.minimum(day, 1.2)) * np.exp(s.wander(25, 0.15))
    if odd == "storm":
        ws = ws * (1 + 1.2 * spell) + 3 * spell
    elif odd in ("fog", "calm", "inversion"):
        ws = ws * (1 - (0.75 if odd == "fog" else 0.6) * spell)
    ws = ws * (1 + 1.5 * smooth((shower > 0.2).astype(float), 10.0))
    rough = 0.14 + 0.05 * s.wander(600) ** 2 / (1 + s.wander(600) ** 2)
    ws = np.maximum(0.0, ws * (1 + rough * s.wander(2.5)))
    gust = ws * (1 + rough * np.clip(1.7 + 0.45 * s.rng.normal(size=n), 0.8, 2.8)) + 0.05
    wd = (
        np.cumsum(s.rng.normal(0, 0.6, n))
        + 215
        + 60 * s.wander(900)
        + smooth(np.choose(regime, [40.0, 0.0, -30.0]), 90)
    )
    wd = wd + (6 + 22 / (ws + 0.6)) * s.wander(3)

    # air: yearly and daily swing, what blows in, what the sun and the sky do with it
    turn = (
        np.datetime64(site.start[:4] + "-07-20", "us")
        if site.latitude >= 0
        else np.datetime64(site.start[:4] + "-01-20", "us")
    )
    season = np.cos(2 * np.pi * (time - turn).astype(float) / (365.25 * DAY * 6e7))
    base = c.mean + c.year * season + smooth(np.choose(regime, [1.0, 0.0, -1.0]) * c.air * 0.6, 1.5 * DAY)
    base = base + s.wander(2.5 * DAY, c.air) - smooth((wet > 0.3) * 1.5, 120.0)
    heat = c.day * (smooth(1.7 * ghi / 700, 170.0) - 0.45)
    cool = c.day * 0.55 * smooth((1 - cloud) * (ghi < 5) / (0.6 + 0.5 * smooth(ws, 30.0)), 240.0)
    if odd == "snow":
        base = base - spell * (base + 3.0)
        heat = heat * (1 - 0.6 * spell)
    elif odd == "heat":
        base = base + 7.0 * spell
    elif odd == "inversion":
        cool = cool * (1 + 0.9 * spell)
    t = base + heat - cool - 4.0 * smooth((shower > 0.05).astype(float), 18.0)
    t = t + s.wander(40, 0.15) + s.wander(3, 0.12) * np.minimum(ghi / 500, 1.0) / (0.4 + 0.15 * ws)
    moist = base - c.dry - 0.35 * c.day + smooth(np.choose(regime, [-1.5, 0.0, 1.5]), 400.0) + s.wander(DAY, 1.2)
    moist = moist + s.wander(60, 0.25) + s.wander(8, 0.12) - 1.2 * smooth(ghi / 700, 240.0)
    if odd == "heat":
        moist = moist - 3 * spell
    falls = (rain > 0).astype(float)
    before = smooth(falls[::-1], 25.0)[::-1]  # the air is moist before the first drop: roof has no tip below 50 %
    near = np.clip(smooth(np.maximum(np.maximum(falls, wet), before), 12.0) * 1.25, 0, 0.93)
    if odd == "fog":
        near = np.maximum(near, 0.99 * spell)
    td = moist + np.maximum(t - moist, 0) * near + s.wander(30, 0.1)
    frost = np.minimum(t, _dew(_vapour(t) * np.exp(np.minimum(t, 0.0) * 0.0078)))  # ice holds less (from memory: WMO-8)
    cap = frost - 0.15 - 0.12 * np.abs(s.wander(90))  # what falls below takes its vapour along as dew and frost
    td = cap - np.logaddexp(0.0, (cap - td) / 0.25) * 0.25
    rh = np.clip(100 * _vapour(td) / _vapour(t), 3.0, 100.0)

    # pressure, with the tides of the air (from memory: Chapman and Lindzen 1970, 1.16 hPa cos^3 at 9.7 h)
    tide = 1.16 * np.cos(np.radians(site.latitude)) ** 3 * np.cos(4 * np.pi * (solar - 9.75 / 24))
    tide = tide + 0.4 * np.cos(np.radians(site.latitude)) * np.cos(2 * np.pi * (solar - 6.5 / 24))
    mean = 1013.25 * np.exp(-site.elevation / (29.27 * (base.mean() + 273.15 + 0.00325 * site.elevation)))
    swing = smooth(smooth(np.choose(regime, [0.6, 0.0, -1.3]) * c.synoptic, 700.0), 700.0) + s.wander(
        3 * DAY, 0.3 * c.synoptic
    )
    swing = smooth(swing, 120.0) + (-14 * smooth(spell, 500.0) if odd == "storm" else 0)
    p = mean * (1 + swing / 1013.25) + tide * mean / 1013.25 + s.wander(20, 0.03) - 0.0004 * ws**2
    snow = np.where(t < 0.8, rain, 0.0)
    pack, melt = np.cumsum(snow), np.maximum(t - 0.8, 0.0) * (0.002 + 0.00001 * ghi)
    free = np.minimum(
        np.maximum.accumulate(np.minimum(pack, np.cumsum(melt))), pack
    )  # what has left the funnel by then
    drip = np.diff(free, prepend=0.0)
    return {
        "t": t, "td": td, "rh": rh, "p": p, "ws": ws, "gust": gust, "wd": wd, "ghi": ghi, "dni": dni, "dhi": dhi,
        "rain": np.where(t < 0.8, 0.0, rain) + drip, "mu": mu, "cloud": cloud,
    }  # fmt: skip


def sensors(site: Site, w: Mapping[str, Floats], seed: int = 0) -> dict[str, tuple[Floats, str]]:
    """What the sensors say each minute, and how the logger takes it together: mean, total, max, vector, sample, min."""
    n = len(w["t"])
    s = Sky(n, zlib.crc32(f"{site.id};sensors;{seed}".encode()))
    warm = w["ghi"] / 1000 / (0.5 + 0.5 * w["ws"]) * 0.5  # of a naturally ventilated shield; roof: 0.54 K per kW/m2
    t = smooth(w["t"] + smooth(warm, 5.0), 1.5) + s.rng.normal(0, 0.015, n)
    rh = np.clip(
        smooth(100 * _vapour(w["td"]) / _vapour(smooth(w["t"] + smooth(warm, 5.0), 1.5)), 1.5) * 1.004
        + 0.2 * s.wander(4),
        1,
        100,
    )
    td = np.minimum(_dew(rh / 100 * _vapour(t)), t)
    turns = w["ws"] > site.cup
    ws = np.where(turns, w["ws"], 0.0)
    gust = np.where(w["gust"] > site.cup, w["gust"], ws)
    moved = np.maximum.accumulate(np.where(w["ws"] > 0.35, np.arange(n), 0))  # a vane keeps its angle in calm
    night = -1.6 * (1 - 0.8 * w["cloud"]) + s.wander(6, 0.15)  # of a thermopile under a clear sky; campus: -1.55
    ghi = smooth(w["ghi"], 0.4) * (1 + 0.004 * s.wander(600)) + night
    ghi = np.maximum(ghi, 0.0) * (ghi > 0.4) if site.clips else ghi
    tips = np.floor(np.cumsum(w["rain"]) / site.tip + s.rng.random())
    box = smooth(w["t"] + 6 * w["ghi"] / 800, 45.0) + 1.0
    charge = np.minimum(smooth(w["ghi"] / 250, 20.0), 1.0)
    dark = w["ghi"] < 15
    index = np.arange(n)
    since = index - np.maximum.accumulate(np.where(dark, 0, index))
    since = np.minimum(since, 960)  # a station of the polar night has a bank that lasts, or else it is no healthy one
    volts = 12.75 - 0.00035 * since + charge * (1.0 - 0.015 * (box - 20)) - 0.004 * (20 - box) + s.wander(30, 0.01)
    panel = np.where(w["ghi"] > 15, volts + 0.5 + 5.5 * smooth(np.clip(w["ghi"] / 120, 0, 1), 5.0), 0.3 + w["ghi"] / 5)
    out: dict[str, tuple[Floats, str]] = {
        "t": (t, "mean"), "rh": (rh, "mean"), "td": (td, "mean"),
        "p": (w["p"] + s.rng.normal(0, 0.02, n), "mean"),
        "ws": (ws, "mean"), "gust": (gust, "max"), "wd": (w["wd"][moved], "vector"), "ghi": (ghi, "mean"),
        "rain": (site.tip * np.diff(tips, prepend=tips[0]), "total"),
        "batt": (volts, "min"), "panel": (panel, "mean"), "tlog": (box, "sample"),
    }  # fmt: skip
    if site.full:
        soil = smooth(smooth(w["t"] + 2 * w["ghi"] / 800, 300.0), 500.0)
        fed = np.asarray(lfilter([0.0035], [1.0, -np.exp(-1 / (9.0 * DAY))], w["rain"]))
        out |= {
            "dni": (w["dni"] * (1 + 0.004 * s.wander(600)) + s.wander(6, 0.15) - 0.2, "mean"),
            "dhi": (smooth(w["dhi"], 0.4) * (1 + 0.006 * s.wander(600)) + 0.9 * night, "mean"),
            "par": (np.maximum(2.03 * w["ghi"] * (1 + 0.03 * w["cloud"]) + s.wander(6, 0.2), 0.0), "mean"),
            "tsoil": (soil + s.rng.normal(0, 0.01, n), "sample"),
            "msoil": (np.clip(0.16 + fed + s.wander(600, 0.0006), 0.04, 0.45), "sample"),
        }
    return out


CHANNELS: Mapping[str, tuple[str, str, str, str, tuple[float, float], str]] = {
    "t": ("air_temperature", "degC", "probe", "mean", (-50.0, 60.0), "Air"),
    "rh": ("relative_humidity", "%", "probe", "mean", (0.0, 100.0), "Humidity"),
    "td": ("dew_point", "degC", "probe", "mean", (-60.0, 60.0), "Dew"),
    "p": ("air_pressure", "hPa", "barometer", "mean", (500.0, 1100.0), "Pressure"),
    "ws": ("wind_speed", "m/s", "wind", "mean", (0.0, 75.0), "Wind"),
    "gust": ("wind_gust", "m/s", "wind", "max", (0.0, 75.0), "Gust"),
    "wd": ("wind_direction", "degree", "wind", "vector-mean", (0.0, 360.0), "From"),
    "ghi": ("global_irradiance", "W/m2", "pyranometer", "mean", (-10.0, 2000.0), "Global"),
    "rain": ("precipitation", "mm", "gauge", "total", (0.0, 200.0), "Rain"),
    "batt": ("battery_voltage", "V", "logger", "min", (0.0, 20.0), "Battery"),
    "panel": ("charge_voltage", "V", "logger", "mean", (0.0, 30.0), "Panel"),
    "tlog": ("logger_temperature", "degC", "logger", "sample", (-40.0, 85.0), "Box"),
    "dni": ("direct_irradiance", "W/m2", "pyrheliometer", "mean", (-10.0, 2000.0), "Direct"),
    "dhi": ("diffuse_irradiance", "W/m2", "shaded-pyranometer", "mean", (-10.0, 2000.0), "Diffuse"),
    "par": ("par", "umol/m2/s", "quantum", "mean", (0.0, 4000.0), "Quanta"),
    "tsoil": ("soil_temperature", "degC", "soil", "sample", (-40.0, 60.0), "Soil"),
    "msoil": ("soil_moisture", "m3/m3", "soil-water", "sample", (0.0, 0.6), "Water"),
}  # fmt: skip


def _digits(site: Site, name: str) -> tuple[int, float]:
    """Digits behind the decimal sign, and the step."""
    if name == "rain":
        return (3, site.tip) if site.tip == 0.254 else (1, site.tip)
    if name == "msoil":
        return 3, 0.001
    coarse = {"wd": 0, "ghi": 0, "dni": 0, "dhi": 0, "par": 0}
    fine = {"rh": 1, "wd": 1, "ghi": 1, "dni": 1, "dhi": 1, "par": 1}
    digits = fine.get(name, 2) if site.fine else coarse.get(name, 1)
    return digits, 10.0**-digits


def station_text(site: Site, names: tuple[str, ...]) -> str:
    """The station file."""
    sign, decimal = "-" if site.zone_h < 0 else "+", "," if site.comma else "."
    time = "%d.%m.%Y %H:%M" if site.comma else "%Y-%m-%d %H:%M:%S"
    text = f"""[station]
id = "{site.id}"
latitude = {site.latitude}
longitude = {site.longitude}
elevation = {float(site.elevation)}
climate = "{CLIMATES[site.kind].rules}"

[[clock]]
utc_offset = "{sign}{abs(site.zone_h):02}:00"

[[table]]
id = "main"
interval = "{site.minutes}min"
stamps = "end"

[[table.layout]]
names = ["Stamp", "Air"]
decimal = "{decimal}"
missing = ["", "{"-9999" if site.comma else "NAN"}"]
time = {{ columns = ["Stamp"], format = "{time}" }}
"""
    for name in names:
        quantity, unit, device, statistic, (low, high), column = CHANNELS[name]
        text += f'\n[[channel]]\nname = "{name}"\nquantity = "{quantity}"\ncolumn = "{column}"\nunit = "{unit}"\n'
        text += f'statistic = "{statistic}"\nrange = [{low}, {high}]\nresolution = {_digits(site, name)[1]!r}\n'
        text += f'device = "{device}-1"\n'
    return text


def logged(site: Site, said: Mapping[str, tuple[Floats, str]]) -> dict[str, Floats]:
    """Averages, extremes and totals of the logger's interval, on its digits."""
    out = {}
    for name, (x, how) in said.items():
        by = x.reshape(-1, site.minutes)
        if how == "vector":
            speed = np.maximum(said["ws"][0].reshape(-1, site.minutes), 0.01)
            a = np.radians(by)
            y = np.degrees(np.arctan2((speed * np.sin(a)).mean(axis=1), (speed * np.cos(a)).mean(axis=1))) % 360.0
        else:
            whole = {"mean": by.mean, "max": by.max, "min": by.min, "total": by.sum}.get(how)
            y = by[:, -1] if whole is None else whole(axis=1)
        digits, step = _digits(site, name)
        low, high = CHANNELS[name][4]
        y = np.round(np.clip(np.round(y / step) * step, low, high), digits) + 0.0
        out[name] = np.where(y >= 360.0, 0.0, y) if how == "vector" else y
    return out


@cache
def made(
    name: str,
    days: int = 30,
    odd: str | None = None,
    seed: int = 0,
    minutes: int | None = None,
    start: str | None = None,
) -> Made:
    """An invented station with so many days of healthy data.

    Parameters
    ----------
    name : str
        of `SITES`.
    days : int
    odd : str, optional
        of `ODD`: weather of that kind from the second day to the last but one.
    seed : int
        another one gives other weather.
    minutes : int, optional
        another interval: 1, 5, 10, 15 or 60.
    start : str, optional
        another first day, ISO 8601.
    """
    site = SITES[name]
    site = replace(site, minutes=minutes or site.minutes, start=start or site.start)
    said = sensors(site, weather(site, days, odd, seed), seed)
    values = logged(site, said)
    rows = days * DAY // site.minutes
    stamps = np.datetime64(site.start, "m") + (np.arange(rows) + 1) * np.timedelta64(site.minutes, "m")
    stamps = stamps + np.timedelta64(site.zone_h, "h")
    text = np.char.replace(np.datetime_as_string(stamps.astype("datetime64[s]")), "T", " ")
    if site.comma:
        text = np.array([f"{x[8:10]}.{x[5:7]}.{x[:4]} {x[11:16]}" for x in text.tolist()])
    cells = [text.tolist()]
    none = np.random.default_rng(seed).random(rows) < 0.0004  # a reading lost now and then
    for channel, column in values.items():
        told = np.char.mod(f"%.{_digits(site, channel)[0]}f", column)
        told = np.char.replace(told, ".", ",") if site.comma else told
        cells.append(np.where(none, "-9999" if site.comma else "NAN", told).tolist())
    delimiter = ";" if site.comma else ","
    head = delimiter.join(["Stamp", *(CHANNELS[c][5] for c in values)])
    raw = "\n".join([head, *map(delimiter.join, zip(*cells, strict=True))]) + "\n"
    toml = station_text(site, tuple(values))
    return Made(site, parse(toml.encode(), where=site.id), toml, raw.encode())


def group(letter: str) -> tuple[str, ...]:
    """Names of a group: A, B or C."""
    return tuple(name for name in SITES if name.startswith(f"{letter}-"))


def main() -> None:
    """Print what the chain flags on a healthy month of each, and in odd weather."""
    from tests.bench import ground

    for name in SITES:
        for odd in (None, *ODD) if name.startswith("A") else (None,):
            one = made(name, 30 if odd is None else 8, odd)
            table = ground.check(one.record()).checked.tables["main"]
            codes = np.concatenate(list(table.codes.values()))
            told = ", ".join(
                f"{c}: {check} {n}"
                for c, verdicts in table.verdicts.items()
                for check, f in verdicts.failures.items()
                if (n := int(np.isin(f.verdict, ground.BAD).sum()))
            )
            wrong, doubt = int((codes == 3).sum()), int(np.isin(codes, (1, 2)).sum())
            print(
                f"{name:14}{odd or '':10}{len(codes):7} values  wrong {wrong:4}  doubtful {doubt:4}  {told}", flush=True
            )


if __name__ == "__main__":
    main()
