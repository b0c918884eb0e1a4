"""Seeded errors found, against the published limits taken literally: `python -m tests.bench.seeded`.

Errors are planted as text in the tables of open stations, where they are healthy, by `qc.injection`. Single values by
size; gross single values; stuck sensors by length, beside the table of windows. Baseline: `tests.bench.literal`, as
published, and loosened to our false flags.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qc import units
from qc.checks import registry
from qc.injection import Plant, Planted, TableText, inject, places
from qc.limits import in_force
from qc.read.tables import read_tables
from qc.record import Record
from qc.scene import Scene
from qc.sky import Sky
from qc.station import Channel, Station
from qc.verdicts import Found
from tests.bench import ground, literal

SIZES = (0.5, 1.0, 1.5, 2.0, 3.0, 5.0)
LENGTHS = (1, 2, 3, 6, 12, 18, 24, 36)
WINDOWS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 18.0, 24.0)
RARE = 0.0005
EACH, EACH_HOURLY, EACH_STUCK = 100, 60, 12
FILES = {
    "roof": "roof_10min.csv", "campus": "campus_2016_03.csv", "coast": "coast_hourly_2021.csv",
    "estuary": "estuary_15min_2016.csv",
    "hills": "hills_hourly_2021.csv", "plateau": "plateau_10min_2015.csv", "forest_2016": "forest_5min_2016_04.csv",
}  # fmt: skip
STUCK = (
    "air_temperature",
    "dew_point",
    "relative_humidity",
    "air_pressure",
    "wind_speed",
    "wind_gust",
    "wind_direction",
)
Bools = NDArray[np.bool_]


class Bench:
    """One table file of an open station: its text, its record, its healthy rows, what the chain leaves on it
    unspoilt.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.station: Station = ground.STATIONS[name].station
        path = ground.FOLDER / FILES[name]
        self.text = TableText(path.read_bytes(), self.station)
        self.record = _read(self.station, self.text.raw)
        self.table = ground.table_of(self.record)
        result = ground.check(self.record).checked.tables["main"]
        self.scene = _scene(self.record)
        self.base = {c: np.isin(codes, ground.BAD) for c, codes in result.codes.items()}
        whole = ground.table_of(ground.record_of(name))
        here = np.searchsorted(whole.time, self.table.time)
        self.healthy = {c: rows[here] for c, rows in ground.healthy(name).items() if rows[here].any()}
        for channel, values in self.table.channels.items():
            if len(self.text.values(channel)) != len(values.values):
                raise ValueError(f"{name}: rows of file and record differ")

    def channels(self, quantities: Sequence[str]) -> list[Channel]:
        """Healthy channels of some quantities."""
        return [c for c in self.station.channel if c.quantity in quantities and c.name in self.healthy]

    def quantum(self, channel: Channel) -> float:
        """Declared resolution at the median value, output unit; 0 where none is declared."""
        values = self.table.channels[channel.name].values
        quantum = self.scene.quantum(channel)[np.isfinite(values)]
        return float(np.median(quantum)) if len(quantum) else 0.0

    def spoilt(self, plants: Sequence[Plant]) -> tuple[Record, dict[str, Bools], tuple[Planted, ...]]:
        """The record with errors, what the chain flags that it did not flag before, and the truth."""
        record, truth = self.planted(plants)
        codes = ground.check(record).checked.tables["main"].codes
        return record, {c: np.isin(code, ground.BAD) & ~self.base[c] for c, code in codes.items()}, truth

    def planted(self, plants: Sequence[Plant]) -> tuple[Record, tuple[Planted, ...]]:
        """The record with errors, and the truth."""
        raw, truth = inject(self.text, plants)
        record = _read(self.station, raw)
        if ground.table_of(record).rows != self.table.rows:
            raise ValueError(f"{self.name}: planting changed the rows")
        return record, truth

    def usable(self, channel: Channel) -> NDArray[np.int64]:
        """Rows to plant a single value in: healthy with healthy neighbours; irradiance by day only."""
        mine = self.healthy[channel.name] & ~self.base[channel.name]
        rows = mine.copy()
        rows[1:] &= mine[:-1]
        rows[:-1] &= mine[1:]
        if channel.quantity == "global_irradiance":
            rows &= self.scene.sun_elevation > 10.0
        rows[0] = rows[-1] = False
        return np.flatnonzero(rows)


def _read(station: Station, raw: bytes) -> Record:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(raw)
        record, refused = read_tables(station, [path])
        if refused:
            raise refused[0]
        return record


def _scene(record: Record) -> Scene:
    site, table = record.station.station, ground.table_of(record)
    limits = in_force(site.climate, None, record.station.rules)
    return Scene(record.station, table, Sky(table.middle, site.latitude, site.longitude, site.elevation), limits, {})


@cache
def bench(name: str) -> Bench:
    """A station's bench, made once."""
    return Bench(name)


def spread(here: Bench, channels: Sequence[Channel], each: int, seed: int) -> list[tuple[Channel, int]]:
    """Rows for `each` errors in each channel, apart from one another."""
    out = []
    taken = places(here.table.rows, each * len(channels), seed, margin=2)
    room = here.table.rows // max(1, len(taken)) // 4
    usable = {c.name: here.usable(c) for c in channels}
    for number, row in enumerate(taken):
        channel = channels[number % len(channels)]
        rows = usable[channel.name]
        at = int(np.searchsorted(rows, row))
        if at < len(rows) and rows[at] - row <= room:
            out.append((channel, int(rows[at])))
    return out


def sized(here: Bench, channel: Channel, row: int, size: float, sign: float) -> Plant:
    """A single value off by `size` (output unit), to the side that the sensor's bounds leave open."""
    value = here.table.channels[channel.name].values[row]
    low = {"relative_humidity": 0.0, "wind_speed": 0.0, "global_irradiance": -5.0}.get(channel.quantity, -np.inf)
    high = 100.0 if channel.quantity == "relative_humidity" else np.inf
    if not low <= value + sign * size <= high and low <= value - sign * size <= high:
        sign = -sign
    factor = units.conversion(channel.quantity, channel.unit, here.table.table.interval_s).factor
    return Plant("value", channel.name, row, size=sign * size / factor)


def singles(name: str) -> list[dict[str, Any]]:
    """Single values by size, for each channel with a published step."""
    here = bench(name)
    channels = here.channels(tuple(literal.STEP))
    each = EACH_HOURLY if (here.table.table.interval_s or 0) >= 3600 else EACH
    rng = np.random.default_rng(7)
    out: list[dict[str, Any]] = []
    baselines = {}
    for c in channels:
        mine, interval = here.healthy[c.name], here.table.table.interval_s or 0.0
        allowed = int((here.base[c.name] & mine).sum())
        as_is = literal.published(c.quantity, interval)
        loose = literal.equal(here.table, c.name, c.quantity, mine, allowed)
        false = [int((literal.flags(here.table, c.name, c.quantity, b) & mine).sum()) for b in (as_is, loose)]
        baselines[c.name] = (as_is, loose, allowed, false, int(mine.sum()))
    for number, multiple in enumerate(SIZES):
        spots = spread(here, channels, each, 100 + number)
        signs = rng.choice([-1.0, 1.0], len(spots))
        plants = [
            sized(here, c, row, multiple * literal.STEP[c.quantity], s)
            for (c, row), s in zip(spots, signs, strict=True)
        ]
        record, fresh, truth = here.spoilt(plants)
        spoilt = ground.table_of(record)
        for c in channels:
            as_is, loose, allowed, false, values = baselines[c.name]
            size = multiple * literal.STEP[c.quantity]
            factor = units.conversion(c.quantity, c.unit, here.table.table.interval_s).factor
            mine = [p for p in truth if p.channel == c.name and len(p.row)]
            full = [p for p in mine if abs(abs(p.size[0]) * factor - size) <= max(0.05 * size, 0.51 * here.quantum(c))]
            rows = np.array([p.row[0] for p in full], np.int64)
            found = {
                "ours": int(fresh[c.name][rows].sum()),
                "literal": int(literal.flags(spoilt, c.name, c.quantity, as_is)[rows].sum()),
                "equal": int(literal.flags(spoilt, c.name, c.quantity, loose)[rows].sum()),
            }
            out.append(
                {
                    "station": name, "channel": c.name, "quantity": c.quantity, "multiple": multiple, "size": size,
                    "quanta": size / q if (q := here.quantum(c)) else None, "planted": len(full),
                    "clipped": len(mine) - len(full),
                    **found, "values": values, "false_ours": allowed, "false_literal": false[0],
                    "false_equal": false[1],
                    "equal_step": loose.step, "equal_longer": loose.longer,
                }
            )  # fmt: skip
    return out


def gross(name: str) -> list[dict[str, Any]]:
    """Gross single errors: markers that nobody declared, a lost first digit, ten published steps."""
    here = bench(name)
    channels = here.channels(tuple(literal.STEP))
    each = EACH_HOURLY if (here.table.table.interval_s or 0) >= 3600 else EACH
    out = []
    kinds = {
        "-9999": channels,
        "6999": channels,
        "first digit lost": [c for c in channels if c.quantity == "air_pressure"],
        "ten steps": channels,
    }
    for number, (kind, some) in enumerate(kinds.items()):
        declared = {m for layout in here.table.table.layout for m in layout.missing}
        if not some or kind in declared:
            continue
        plants = []
        for k, (c, row) in enumerate(spread(here, some, each, 200 + number)):
            if kind == "ten steps":
                plants.append(sized(here, c, row, 10 * literal.STEP[c.quantity], -1.0 if k % 2 else 1.0))
            elif kind == "first digit lost":
                plants.append(Plant("clipped", c.name, row, digits=-(len(here.text.cell(c.name, row)) - 1)))
            else:
                plants.append(Plant("marker", c.name, row, text=kind))
        _, fresh, truth = here.spoilt(plants)
        for c in some:
            factor = units.conversion(c.quantity, c.unit, here.table.table.interval_s).factor
            least = 5 * literal.STEP[c.quantity]  # a sensor's bounds may clip the ten steps
            rows = [p.row[0] for p in truth if p.channel == c.name and len(p.row) and abs(p.size[0]) * factor >= least]
            missed = [str(here.table.time[r])[:16] for r in rows if not fresh[c.name][r]]
            out.append(
                {
                    "station": name,
                    "channel": c.name,
                    "kind": kind,
                    "planted": len(rows),
                    "found": len(rows) - len(missed),
                    "missed": missed[:5],
                }
            )
    return out


def stuck(name: str) -> list[dict[str, Any]]:
    """Stuck sensors by length: found where any of its values is flagged."""
    here = bench(name)
    channels = here.channels(STUCK)
    interval = here.table.table.interval_s or 1.0
    out = []
    for length in LENGTHS:
        rows = round(length * 3600 / interval)
        fit = int(here.table.rows * interval / 3600 / (length + 24))
        tally: dict[str, list[float]] = {c.name: [] for c in channels}
        for turn in range(3):
            if rows < 2 or fit < 1 or all(len(t) >= EACH_STUCK for t in tally.values()):
                break
            plants = []
            for number, row in enumerate(
                places(here.table.rows - rows - 1, min(fit, EACH_STUCK * len(channels)), 300 + turn, margin=2)
            ):
                c = channels[(number + turn) % len(channels)]
                first = start(here, c, row)
                if first is not None and first + rows < here.table.rows and len(tally[c.name]) < EACH_STUCK:
                    plants.append(Plant("stuck", c.name, first, rows))
            _, fresh, truth = here.spoilt(plants)
            for p in truth:
                if len(p.row) >= 0.9 * rows:
                    tally[p.channel].append(float(fresh[p.channel][list(p.row)].mean()))
        for c in channels:
            if shares := tally[c.name]:
                out.append(
                    {
                        "station": name, "channel": c.name, "quantity": c.quantity, "hours": length,
                        "planted": len(shares),
                        "found": sum(s > 0 for s in shares), "share_of_rows": float(np.mean(shares)),
                    }
                )  # fmt: skip
    return out


def start(here: Bench, channel: Channel, row: int) -> int | None:
    """A row near by from which a sensor may stick at a value that no weather explains: not in calm, light air,
    saturation, at 0 degC.
    """
    values = here.table.channels[channel.name].values
    speed = here.table.channels["ws"].values if "ws" in here.table.channels else None
    for at in range(row, min(row + 40, len(values) - 1)):
        value = values[at - 1]
        fit = np.isfinite(value) and here.healthy[channel.name][at - 1]
        if channel.quantity in ("wind_speed", "wind_gust"):
            fit = fit and value > 1.5
        elif channel.quantity == "wind_direction":
            fit = fit and speed is not None and speed[at - 1] > 1.0
        elif channel.quantity == "relative_humidity":
            fit = fit and value < 90.0
        elif channel.quantity in ("air_temperature", "dew_point"):
            fit = fit and abs(value) > 1.0
        if fit:
            return at
    return None


def windows(name: str) -> list[dict[str, Any]]:
    """How much of healthy data each window would flag at the declared resolution, the shortest rare one, and the one
    in force.
    """
    record = ground.record_of(name)
    healthy, table = ground.healthy(name), ground.table_of(record)
    site, station = record.station.station, record.station
    shipped = in_force(site.climate, None, station.rules)
    names = [n for n in shipped if n.startswith("persistence.") and ".to_" in n]
    sky, check = Sky(table.middle, site.latitude, site.longitude, site.elevation), registry()["persistence"]
    channels = [c for c in station.channel if c.quantity in STUCK and c.name in healthy]
    rates: dict[str, list[float | None]] = {c.name: [] for c in channels}
    for hours in WINDOWS:
        limits = in_force(site.climate, None, {n: {"value": hours, "reason": "bench"} for n in names})
        scene = Scene(station, table, sky, limits, {})
        for c in channels:
            found = check.run(scene, c)
            rate = float((found.verdict > 0)[healthy[c.name]].mean()) if isinstance(found, Found) else None
            rates[c.name].append(rate)
    out = []
    for c in channels:
        scene = Scene(station, table, sky, shipped, {})
        quanta = scene.quantum(c)[np.isfinite(table.channels[c.name].values)]
        told = rates[c.name]
        rare = None
        for hours, rate in zip(reversed(WINDOWS), reversed(told), strict=True):
            if rate is None or rate >= RARE:
                break
            rare = hours
        coarse = float(quanta.max()) if len(quanta) else 0.0
        force = sorted(
            (float(n.split(".to_")[1]), shipped[n]) for n in names if n.startswith(f"persistence.{c.quantity}.to_")
        )
        now = next((limit.at(table.table.interval_s) for finest, limit in force if coarse <= finest * (1 + 1e-9)), None)
        out.append(
            {
                "station": name, "channel": c.name, "quantity": c.quantity, "resolution": coarse,
                "interval_s": table.table.interval_s,
                "rates": dict(zip(map(str, WINDOWS), told, strict=True)), "shortest_rare": rare, "in_force": now,
            }
        )  # fmt: skip
    return out


def measure() -> dict[str, Any]:
    """All of it, for all stations."""
    return {
        "singles": [row for name in FILES for row in singles(name)],
        "gross": [row for name in FILES for row in gross(name)],
        "stuck": [row for name in FILES for row in stuck(name)],
        "windows": [row for name in FILES for row in windows(name)],
    }


def main() -> None:
    """Print the tables."""
    found = measure()
    for row in found["singles"]:
        print(
            f"{row['station']:12}{row['channel']:8}x{row['multiple']:<4}{row['size']:7.2f} "
            f"({row['quanta'] or 0:.0f} quanta) {row['planted']:4} planted:"
            f" ours {row['ours']:4} literal {row['literal']:4} equal {row['equal']:4}; false {row['false_ours']} "
            f"{row['false_literal']} {row['false_equal']} of {row['values']}"
        )
    for row in found["gross"]:
        print(
            f"{row['station']:12}{row['channel']:8}{row['kind']:18}{row['found']:4} of {row['planted']:4} "
            f"{row['missed']}"
        )
    for row in found["stuck"]:
        print(
            f"{row['station']:12}{row['channel']:8}{row['hours']:3} h {row['found']:3} of {row['planted']:3}, "
            f"{row['share_of_rows']:.0%} of rows"
        )
    for row in found["windows"]:
        rates = " ".join("-" if r is None else f"{100 * r:.2f}" for r in row["rates"].values())
        print(
            f"{row['station']:12}{row['channel']:8}{row['resolution']:7} {rates}  rare from {row['shortest_rare']} "
            f"h, in force {row['in_force']} h"
        )


if __name__ == "__main__":
    main()
