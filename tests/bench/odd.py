"""Healthy but odd weather, made by script: `python -m tests.bench.odd`.

Ten scenarios of five days at 1, 10 and 60 min (the coarser tables are means, extremes and totals of the finest).
Promised: no value wrong, at most 0.1 % inconsistent or doubtful. Kinds of weather that national networks flag
wrongly: Fiebrich and Crawford 2001 (published) for cold pools, inversion breaks, gust fronts, heat bursts and snow
cover. The numbers of each scenario stand in its doc, with their standing.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc.physics import clear_sky, sun
from qc.read.tables import read_tables
from qc.station import parse
from tests.bench import ground

Floats = NDArray[np.float64]
DAYS, DAY = 5, 1440
INTERVALS = (1, 10, 60)
MOST = 0.001
CHANNELS = {
    "t": ("air_temperature", "degC", 0.1, "probe", "mean"), "td": ("dew_point", "degC", 0.1, "probe", "mean"),
    "rh": ("relative_humidity", "%", 0.1, "probe", "mean"), "p": ("air_pressure", "hPa", 0.1, "barometer", "mean"),
    "ws": ("wind_speed", "m/s", 0.1, "wind", "mean"), "gust": ("wind_gust", "m/s", 0.1, "wind", "max"),
    "wd": ("wind_direction", "degree", 1.0, "wind", "vector-mean"),
    "ghi": ("global_irradiance", "W/m2", 0.1, "sun", "mean"),
    "rain": ("precipitation", "mm", 0.2, "gauge", "total"),
}  # fmt: skip


@dataclass
class Weather:
    """One station at 1 min, before the logger: `t` and `td` degC, `p` hPa, `ws` m/s, `wd` degrees, `k` share of the
    clear sky, `rain` mm/min.
    """

    latitude: float
    elevation: float
    start: str
    rng: np.random.Generator
    minute: Floats = field(init=False)
    clear: Floats = field(init=False)
    t: Floats = field(init=False)
    td: Floats = field(init=False)
    p: Floats = field(init=False)
    ws: Floats = field(init=False)
    wd: Floats = field(init=False)
    k: Floats = field(init=False)
    rain: Floats = field(init=False)

    def __post_init__(self) -> None:
        """A quiet, fair day, again and again."""
        n = DAYS * DAY
        self.minute = np.arange(1.0, n + 1)
        middle = self.time - np.timedelta64(30, "s")
        position = sun.position(middle, self.latitude, 0.0, self.elevation)
        self.clear = clear_sky.ineichen(
            position.apparent_zenith, 3.0, self.elevation, sun.extraterrestrial_normal(middle)
        ).ghi
        self.p = 1013.25 * (1 - 2.25577e-5 * self.elevation) ** 5.2559 + self.wander(1440, 3.0) + self.wander(20, 0.05)
        self.p += 0.6 * np.cos(2 * np.pi * (self.minute / 720 - 10 / 12))  # the tide of the air, judgement
        self.ws = np.abs(2.5 + self.wander(360, 0.8) + self.wander(4, 0.4)) + self.clear / 500
        self.wd = 220 + self.wander(600, 20.0) + self.wander(60, 10.0)
        self.k = np.clip(0.97 + self.wander(300, 0.02), 0.0, 1.02)
        self.rain = np.zeros(n)
        self.day(12.0, 5.0, 7.0)

    @property
    def time(self) -> NDArray[np.datetime64]:
        """Stamps at the end of each minute, UTC, which is solar time here."""
        return np.datetime64(self.start, "us") + self.minute.astype(np.int64) * np.timedelta64(1, "m")

    def wander(self, minutes: int, size: float) -> Floats:
        """A series without jumps: noise at a node every so many minutes, straight between."""
        n = DAYS * DAY
        nodes = self.rng.normal(0.0, size, n // minutes + 2)
        return np.interp(np.arange(n), np.arange(len(nodes)) * minutes, nodes)

    def day(self, mean: float, swing: float, dew: float) -> None:
        """Temperature and dew point: warmest at three in the afternoon, restless by day."""
        turn = np.cos(2 * np.pi * (self.minute / DAY - 15 / 24))
        restless = 0.3 + np.minimum(self.clear / 600, 1.0)
        self.t = mean + swing * turn + self.wander(180, 0.4) + restless * self.wander(3, 0.15)
        moist = 1.2 * np.cos(2 * np.pi * (self.minute / DAY - 10 / 24))  # dries as the air is mixed (judgement)
        self.td = np.minimum(
            dew + moist + self.wander(240, 0.5) + self.wander(60, 0.3) + restless * self.wander(4, 0.1), self.t - 0.2
        )

    def ramp(self, at_h: float, minutes: float) -> Floats:
        """0 before, 1 after, a smooth rise over so many minutes from `at_h` hours after the start."""
        x = np.clip((self.minute - 60 * at_h) / minutes, 0.0, 1.0)
        return np.asarray(x * x * (3 - 2 * x))

    def spell(self, at_h: float, rise: float, hours: float, fall: float) -> Floats:
        """0, then 1 for so many hours, then 0: rise and fall in minutes."""
        return self.ramp(at_h, rise) - self.ramp(at_h + hours, fall)


def cold_pool(w: Weather) -> None:
    """Basin in winter: -5 by day, -24 at night; its edge sloshes over the mast, 5 K in 8 min (judgement); calm
    (judgement).
    """
    w.day(-12.0, 7.0, -17.0)
    night = np.clip(-np.cos(2 * np.pi * (w.minute / DAY - 14 / 24)) * 1.5, 0, 1)
    w.t -= 5.0 * night
    for d in range(DAYS):
        for h in (2.0, 3.5, 4.2, 22.5):
            w.t += 5.0 * w.spell(24 * d + h, 8, 0.35, 12)
    w.td = np.minimum(w.td - 4.0 * night, w.t - 1.0)
    w.ws = np.abs(w.wander(90, 0.5) + w.wander(10, 0.2)) + 0.3 * (1 - night)  # the drainage comes in surges
    w.wd = 180 + w.wander(20, 90.0)


def inversion_break(w: Weather) -> None:
    """Calm night under an inversion; mixed out at 09:30: +8 K in 12 min, humidity halves, wind 0.3 to 5 m/s
    (judgement).
    """
    w.day(6.0, 4.0, 1.0)
    w.ws = np.abs(w.wander(30, 0.3))
    for d in range(DAYS):
        mixed = w.spell(24 * d + 9.5, 12, 7.0, 300)
        w.t += 8.0 * mixed - 2.0
        w.td -= 3.0 * mixed
        w.ws += 5.0 * mixed * (1 + w.wander(3, 0.15))
    w.td = np.minimum(w.td, w.t - 0.4)


def gust_front(w: Weather) -> None:
    """Summer storms: -10 K in 10 min, +3.5 hPa in 8 min, 3 to 17 m/s, 25 m/s gusts, veer of 130 degrees, 12 mm
    (judgement).
    """
    w.day(26.0, 6.0, 16.0)
    for d, h in ((1, 16.2), (2, 19.5), (4, 14.0)):
        at = 24 * d + h
        cold = w.spell(at, 10, 2.5, 400)
        w.t -= 10.0 * cold
        w.td += 1.0 * cold
        w.p += 3.5 * w.spell(at, 8, 0.5, 40) - 1.0 * w.spell(at - 1.5, 80, 0.1, 90)
        w.ws += 14.0 * w.spell(at - 0.03, 3, 0.25, 40) * (1 + w.wander(3, 0.12))
        w.wd += 130 * w.spell(at - 0.03, 4, 3.0, 200)
        w.k *= 1 - 0.9 * w.spell(at - 0.6, 25, 2.0, 60)
        w.rain += 0.6 * w.spell(at + 0.15, 4, 0.3, 10) * np.abs(1 + w.wander(3, 0.5))
    w.td = np.minimum(w.td, w.t - 0.4)


def heat_burst(w: Weather) -> None:
    """Night below dying storms: +9 K in 12 min, dew point -12 K, -1.5 hPa, gusts 24 m/s, for an hour or two (from
    memory).
    """
    w.day(24.0, 4.0, 18.0)
    for d, h in ((1, 2.5), (3, 23.0)):
        burst = w.spell(24 * d + h, 12, 1.2, 45)
        w.t += 9.0 * burst
        w.td -= 12.0 * burst
        w.p -= 1.5 * burst
        w.ws += 13.0 * w.spell(24 * d + h, 6, 0.8, 30) * (1 + w.wander(3, 0.15))
        w.wd += 60 * burst
    w.td = np.minimum(w.td, w.t - 0.4)


def fog(w: Weather) -> None:
    """Three days of fog: 2 to 3 degC, saturated, under 1 m/s, a tenth of the clear sky (judgement)."""
    w.t = 2.5 + w.wander(400, 0.3) + w.wander(10, 0.04) + w.clear / 800
    thick = w.spell(12, 120, 80.0, 180)
    w.td = w.t - 0.05 - (1 - thick) * (2.0 + w.wander(200, 0.3)).clip(0.3)
    w.ws = np.abs(0.6 + w.wander(60, 0.3)) * (1 - 0.4 * thick)
    w.wd = 90 + w.wander(120, 40.0)
    w.k = 0.97 - thick * (0.87 + w.wander(60, 0.02))


def snow_cover(w: Weather) -> None:
    """Old snow melts: the air at 0 degC for nine hours a day, humid, the sky brightened by 6 % (judgement)."""
    w.day(-1.5, 3.0, -3.5)
    w.t = np.where(w.t > 0.05, 0.05 + 0.15 * np.tanh(w.t - 0.05) + w.wander(30, 0.04), w.t)
    w.td = np.minimum(w.t - 0.6 + w.wander(120, 0.2).clip(-0.5, 0.4), w.t - 0.1)
    w.k *= 1.06
    w.ws = np.abs(1.5 + w.wander(240, 0.6) + w.wander(4, 0.2))


def eclipse(w: Weather) -> None:
    """A total eclipse at noon of the third day: 80 min from first contact to totality, 2.5 min dark, -3 K, wind lulls
    (from memory).
    """
    w.day(20.0, 5.0, 10.0)
    middle = 60 * (48 + 12.3)
    apart = np.abs(w.minute - middle) / 80.0  # of the discs, in solar diameters; both of one size
    x = np.clip(apart, 0.0, 1.0)
    covered = (2 * np.arccos(x) - 2 * x * np.sqrt(1 - x * x)) / np.pi
    covered = np.where(np.abs(w.minute - middle) <= 1.25, 1.0, covered)
    w.k *= 1 - covered + 0.0002 * covered
    late = np.interp(w.minute - 12, w.minute, covered)
    w.t -= 3.0 * late
    w.ws *= 1 - 0.5 * late


def downpour(w: Weather) -> None:
    """Tropics: 60 mm in 35 min, up to 3 mm in a minute, -7 K in 12 min, 97 to 99 %, gusts 18 m/s (judgement; records
    lie far above).
    """
    w.day(28.0, 4.0, 24.0)
    for d, h in ((0, 15.5), (1, 16.5), (2, 15.0), (3, 17.2)):
        at = 24 * d + h
        wet = w.spell(at, 12, 1.5, 240)
        w.t -= 7.0 * wet * np.maximum(0.5, (w.t - 24) / 7).clip(0.5, 1.0)
        w.td = np.where(wet > 0.3, np.minimum(w.t - 0.3, w.td), w.td)
        w.ws += 9.0 * w.spell(at - 0.05, 4, 0.3, 20) * (1 + w.wander(3, 0.15))
        w.k *= 1 - 0.92 * w.spell(at - 0.5, 20, 1.8, 60)
        w.rain += 2.0 * w.spell(at + 0.05, 5, 0.5, 12) * np.abs(1 + w.wander(3, 0.4)).clip(0.2, 1.6)
    w.td = np.minimum(w.td, w.t - 0.3)


def foehn(w: Weather) -> None:
    """Foehn breaks through twice: +13 K in 25 min, 85 to 25 %, 2 to 14 m/s, gusts 28 m/s, -5 hPa in 8 h (judgement)."""
    w.day(2.0, 2.0, 0.0)
    for at, hours in ((30.0, 20.0), (60.0, 1.5), (63.0, 30.0)):
        on = w.spell(at, 25, hours, 30)
        w.t += 13.0 * on + on * w.wander(6, 0.4)
        w.td -= 3.0 * on
        w.ws += 12.0 * on * (1 + w.wander(5, 0.2))
        w.wd += -40 * on
    w.p -= 5.0 * w.spell(26.0, 480, 60.0, 480)
    w.td = np.minimum(w.td, w.t - 0.5)


def hurricane(w: Weather) -> None:
    """The eye passes: 962 hPa, -10 hPa an hour, means of 42 m/s, gusts of 58, a lull of 30 min, 25 mm/h (from
    memory).
    """
    w.day(26.0, 1.5, 24.5)
    lag = (w.minute - 60 * 64.0) / 60.0  # hours
    w.p -= 50.0 / (1 + (lag / 3.2) ** 2)
    ring = 42.0 * np.exp(1 - np.maximum(np.abs(lag), 0.02) / 1.2) * np.maximum(np.abs(lag), 0.02) / 1.2
    ring = np.where(
        np.abs(lag) < 1.2, 42.0 * np.clip((np.abs(lag) - 0.15) / 1.05, 0.08, 1.0), ring + 12 * np.exp(-np.abs(lag) / 15)
    )
    w.ws = w.ws + ring * (1 + w.wander(3, 0.06))
    w.wd = 70 + 180 / (1 + np.exp(-lag / 0.3)) + w.wander(30, 6.0)
    w.k *= 1 - 0.9 / (1 + (lag / 14) ** 4)
    w.rain = 0.4 / (1 + (lag / 4) ** 4) * np.clip(1 + w.wander(12, 0.8), 0, 3) * (np.abs(lag) > 0.35)
    w.td = np.minimum(w.td, w.t - 0.3)


SCENARIOS: dict[str, tuple[Callable[[Weather], None], float, float, str]] = {
    "cold pool": (cold_pool, 47.0, 900.0, "2025-01-10"),
    "inversion break": (inversion_break, 40.0, 400.0, "2025-10-05"),
    "gust front": (gust_front, 36.0, 300.0, "2025-06-10"), "heat burst": (heat_burst, 35.0, 350.0, "2025-06-20"),
    "day of fog": (fog, 48.0, 200.0, "2025-11-20"), "snow cover": (snow_cover, 50.0, 600.0, "2025-03-05"),
    "solar eclipse": (eclipse, 40.0, 150.0, "2025-08-10"), "tropical downpour": (downpour, -3.0, 60.0, "2025-03-12"),
    "foehn": (foehn, 47.0, 450.0, "2025-02-08"), "hurricane": (hurricane, 20.0, 5.0, "2025-09-12"),
}  # fmt: skip


def _station(w: Weather, interval: int) -> str:
    text = f"""
[station]
id = "odd"
latitude = {w.latitude}
longitude = 0.0
elevation = {w.elevation}
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "t"
interval = "{interval}min"
stamps = "end"
[[table.layout]]
names = ["Time", "t"]
decimal = "."
missing = [""]
time = {{ columns = ["Time"], format = "%Y-%m-%d %H:%M" }}
"""
    for name, (quantity, unit, resolution, device, statistic) in CHANNELS.items():
        text += f'[[channel]]\nname = "{name}"\nquantity = "{quantity}"\ncolumn = "{name}"\nunit = "{unit}"\n'
        text += f'resolution = {resolution}\ndevice = "{device}"\nstatistic = "{statistic}"\n'
    return text


def logged(w: Weather, interval: int) -> dict[str, Floats]:
    """What a logger of that interval writes."""
    es = 6.112 * np.exp(17.62 * w.t / (243.12 + w.t))  # over water, WMO-8 (from memory)
    rh = np.clip(100 * 6.112 * np.exp(17.62 * w.td / (243.12 + w.td)) / es, 3.0, 100.0)
    ws = np.maximum(w.ws, 0.0)
    gust = ws * (1.25 + np.abs(w.wander(1, 0.12))) + 0.1  # 3 s in 1 min, WMO/TD-No. 1555 (published): 1.23 to 1.49
    wd = np.radians(w.wd + w.wander(1, 1.0) * (4 + 20 / (ws + 0.5)))
    tips = np.floor(np.cumsum(w.rain) / 0.2 + 1e-9)
    ghi = w.clear * w.k - 1.0 * (w.clear <= 0) + w.wander(3, 0.3)

    def mean(x: Floats) -> Floats:
        return np.asarray(x.reshape(-1, interval).mean(axis=1))

    u, v = mean(ws * np.sin(wd) + 1e-6), mean(ws * np.cos(wd))
    return {
        "t": mean(w.t), "td": mean(w.td), "rh": mean(rh), "p": mean(w.p), "ws": mean(ws),
        "gust": gust.reshape(-1, interval).max(axis=1), "wd": np.mod(np.degrees(np.arctan2(u, v)), 360.0),
        "ghi": mean(ghi),
        "rain": 0.2 * np.diff(tips[interval - 1 :: interval], prepend=0.0),
    }  # fmt: skip


def measure() -> dict[str, Any]:
    """Each scenario at each interval: values, verdicts, and which check spoke on which channel."""
    out = []
    for number, (name, (make, latitude, elevation, start)) in enumerate(SCENARIOS.items()):
        w = Weather(latitude, elevation, start, np.random.default_rng(number))
        make(w)
        for interval in INTERVALS:
            written = logged(w, interval)
            stamps = np.char.replace(np.datetime_as_string(w.time[interval - 1 :: interval], "m"), "T", " ")
            steps = {c: CHANNELS[c][2] for c in written}
            cells = [
                np.char.mod("%.0f" if steps[c] >= 1 else "%.1f", np.round(v / steps[c]) * steps[c])
                for c, v in written.items()
            ]
            rows = "\n".join(",".join(cell) for cell in zip(stamps, *cells, strict=True))
            station = parse(_station(w, interval).encode())
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "odd.csv"
                path.write_text("Time," + ",".join(written) + "\n" + rows + "\n", "utf-8")
                record, refused = read_tables(station, [path])
            if refused:
                raise refused[0]
            table = ground.check(record).checked.tables["t"]
            codes = np.concatenate(list(table.codes.values()))
            wrong, doubt = int((codes == 3).sum()), int(np.isin(codes, (1, 2)).sum())
            spoke = {
                f"{channel}: {check}": int(np.isin(f.verdict, ground.BAD).sum())
                for channel, verdicts in table.verdicts.items()
                for check, f in verdicts.failures.items()
                if np.isin(f.verdict, ground.BAD).any()
            }
            kept = wrong == 0 and doubt <= MOST * len(codes)
            out.append(
                {
                    "scenario": name,
                    "minutes": interval,
                    "values": len(codes),
                    "wrong": wrong,
                    "doubtful": doubt,
                    "checks": spoke,
                    "kept": kept,
                }
            )
    return {"rows": out}


def main() -> None:
    """Print the table."""
    for row in measure()["rows"]:
        told = ", ".join(f"{k} {n}" for k, n in row["checks"].items())
        print(
            f"{row['scenario']:18}{row['minutes']:3} min {row['values']:6} values  wrong {row['wrong']:3}  "
            f"doubtful {row['doubtful']:4}"
            f"  {'' if row['kept'] else 'MISSED '}{told}"
        )


if __name__ == "__main__":
    main()
