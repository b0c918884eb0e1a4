"""The law of reach for wind and rain: a piece with the margin that a check claims gives what the whole gives."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from qc.checks import registry
from qc.limits import in_force
from qc.record import ReadChannel, TableRecord
from qc.scene import Scene
from qc.sky import Sky
from qc.station import Station
from qc.verdicts import Found

CHECKS = ("gust", "calm", "vane", "icing", "dry-rain", "tip-size", "rain-rate", "drip", "snow-melt")
PLACE = (50.0, 10.0, 200.0)
INTERVALS = {"1min": 4.0, "10min": 24.0, "15min": 30.0, "1h": 60.0}
"""Interval and length of the record in days."""

QUANTITIES = {
    "ws": ("wind_speed", 0.1),
    "gust": ("wind_gust", 0.1),
    "wd": ("wind_direction", 1.0),
    "t": ("air_temperature", 0.1),
    "rh": ("relative_humidity", 0.1),
    "g": ("global_irradiance", 0.1),
    "rain": ("precipitation", 0.2),
}


def station(interval: str) -> Station:
    layout = {"names": ["x"], "decimal": ".", "missing": [""], "time": {"columns": ["x"], "format": "%s"}}
    units = ("m/s", "m/s", "degree", "degC", "%", "W/m2", "mm")
    return Station.model_validate(
        {
            "station": {"id": "cut", "latitude": PLACE[0], "longitude": PLACE[1], "elevation": PLACE[2]},
            "clock": [{"utc_offset": "+00:00"}],
            "table": [{"id": "t", "interval": interval, "stamps": "end", "layout": [layout]}],
            "channel": [
                {
                    "name": n,
                    "column": n,
                    "quantity": q,
                    "unit": u,
                    "resolution": r,
                    "statistic": "max" if n == "gust" else None,
                }
                for (n, (q, r)), u in zip(QUANTITIES.items(), units, strict=True)
            ],
        }
    )


@cache
def whole(interval: str) -> tuple[Station, TableRecord]:
    """Weather in fits: calm and strong, frost and thaw, stuck and free, drip and dry, with rows and values missing."""
    of = station(interval)
    step = round((of.table[0].interval_s or 0) * 1e6)
    rows = round(INTERVALS[interval] * 86_400e6 / step)
    rng = np.random.default_rng(rows)
    time = np.datetime64("2026-03-10T00:00:00", "us") + np.arange(1, rows + 1) * np.timedelta64(step, "us")

    def phases(hours: float, *kinds: float) -> np.ndarray:
        length = np.maximum(1, rng.exponential(hours * 3600e6 / step, rows)).astype(int)
        return np.repeat(rng.choice(kinds, rows), length)[:rows]

    speed = np.round(np.where(phases(9.0, 0, 1) == 1, rng.uniform(2.0, 9.0, rows), rng.uniform(0.0, 0.3, rows)), 1)
    stuck = phases(12.0, 0, 0, 1) == 1
    drops = rng.choice([0.0, 0.0, 0.2, 0.4, 3.0, 20.1], rows)
    kind = phases(9.0, 0, 1, 2)
    every = max(1, round(900e6 / step))
    data = {
        "ws": speed,
        "gust": np.round(speed * rng.choice([0.8, 1.5, 4.0], rows, p=[0.02, 0.96, 0.02]), 1),
        "wd": np.where(stuck, 206.0, np.round(rng.uniform(0, 360, rows))),
        "t": np.round(phases(18.0, -6.0, -3.0, 1.0, 12.0, 12.0) + rng.uniform(0, 2.9, rows), 1),
        "rh": np.round(phases(5.0, 30.0, 60.0, 96.0) + rng.uniform(0, 4, rows), 1),
        "g": np.round(phases(8.0, 50.0, 500.0, 500.0) + rng.uniform(0, 9, rows), 1),
        "rain": np.where(kind == 1, np.where(np.arange(rows) % every == 0, 0.2, 0.0), np.where(kind == 2, drops, 0.0)),
    }
    data["rain"][data["t"] < -2.0] = 0.0  # an unheated gauge
    for values in data.values():
        values[rng.random(rows) < 2.0 / rows] = np.nan
    none = np.zeros(rows, bool)
    read = {name: ReadChannel(values, None, np.zeros(rows, np.uint8)) for name, values in data.items()}
    record = TableRecord(of.table[0], time, read, np.zeros(rows), none, none)
    keep = np.flatnonzero(rng.random(rows) > 3.0 / rows)
    return of, record.take(keep)


def found(check: str, of: Station, record: TableRecord) -> dict[str, Found]:
    limits = in_force(None)
    scene = Scene(of, record, Sky(record.middle, *PLACE), limits, {})
    out = {}
    for channel in scene.channels:
        if registry()[check].tests(channel):
            result = registry()[check].run(scene, channel)
            if isinstance(result, Found):
                out[channel.name] = result
    return out


@pytest.mark.parametrize("interval", INTERVALS)
@pytest.mark.parametrize("check", CHECKS)
def test_a_piece_with_its_margin_gives_what_the_whole_gives(check: str, interval: str) -> None:
    of, record = whole(interval)
    back, ahead = registry()[check].reach(in_force(None), of.table[0].interval_s or 0.0)
    assert max(back, ahead) <= 24 * 3600.0
    everywhere = found(check, of, record)
    rng = np.random.default_rng(5)
    for _ in range(12):
        first, after = sorted(rng.integers(0, record.rows, 2).tolist())
        if after == first:
            continue
        start, end = record.time[first], record.time[after - 1]
        margin = np.flatnonzero(
            (record.time >= start - np.timedelta64(round(back * 1e6), "us"))
            & (record.time <= end + np.timedelta64(round(ahead * 1e6), "us"))
        )
        piece = found(check, of, record.take(margin))
        assert piece.keys() == everywhere.keys()
        for name, result in piece.items():
            inside = slice(first - margin[0], after - margin[0])
            for part in ("applied", "verdict", "number", "limit"):
                cut, uncut = getattr(result, part)[inside], getattr(everywhere[name], part)[first:after]
                fails = everywhere[name].verdict[first:after] > 0
                if part in ("number", "limit"):  # told of failures only
                    cut, uncut = cut[fails], uncut[fails]
                np.testing.assert_array_equal(cut, uncut, err_msg=f"{name} {part}")


@pytest.mark.parametrize("check", CHECKS)
def test_the_fits_of_weather_fail_every_check(check: str) -> None:
    """Else the test above compares nothing."""
    failed = [result.verdict.any() for interval in INTERVALS for result in found(check, *whole(interval)).values()]
    assert any(failed)
