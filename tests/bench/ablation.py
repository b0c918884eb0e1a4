"""What each check earns: `python -m tests.bench.ablation`.

Seeded errors (single values of one and two published steps, gross ones, sensors stuck for a day) and the faults known
in the open data are run through the chain; then without each check: finds lost, and false flags that vanish. Where a
check changes which values are wrong when later stages look at them, the whole chain is run again without it; elsewhere
taking its failures out of the merging is the same.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any
from unittest.mock import patch

import numpy as np
from numpy.typing import NDArray

from qc.chain import CheckedTable
from qc.checks import registry
from qc.injection import Plant, places
from qc.record import Record
from qc.station import Station
from qc.verdicts import WRONG, merge
from tests.bench import ground, literal, seeded

Bools = NDArray[np.bool_]
STATIONS = ("roof", "coast", "hills", "estuary", "plateau", "forest_2016", "campus")
_OF_A_RECORD = (
    "gap",
    "marker",
    "unreadable",
    "timing",
)  # they say what is missing or cannot be read: nothing to lose here
_OF_OTHERS = ("neighbour", "visit", "decision")  # no open station has neighbours within 80 km, or logs


def without(table: CheckedTable, channel: str, check: str | None) -> Bools:
    """Rows of a channel that are called inconsistent, doubtful or wrong when a check is left out."""
    verdicts = table.verdicts[channel]
    failures = [f for name, f in verdicts.failures.items() if name != check]
    return np.isin(merge(np.isfinite(table.record.channels[channel].values), verdicts.applied, failures), ground.BAD)


def left(record: Record, table: CheckedTable, check: str) -> dict[str, Bools]:
    """For each channel the rows that are called inconsistent, doubtful or wrong by a chain without a check."""
    if not _condemns(table, check):
        return {channel: without(table, channel, check) for channel in table.verdicts}
    rest = {name: c for name, c in registry().items() if name != check}
    with patch("qc.chain.registry", lambda: rest):
        codes = ground.check(record).checked.tables[table.record.table.id].codes
    return {channel: np.isin(code, ground.BAD) for channel, code in codes.items()}


def _condemns(table: CheckedTable, check: str) -> bool:
    """Whether later stages would see other values without a check: those that are wrong by then are missing there."""
    stage = registry()[check].stage
    if stage == max(c.stage for c in registry().values()):
        return False
    for channel, verdicts in table.verdicts.items():
        if check in verdicts.failures:
            seen = [f for name, f in verdicts.failures.items() if registry()[name].stage <= stage]
            rest = [f for f in seen if f.check != check]
            there = np.isfinite(table.record.channels[channel].values)
            wrong, still = (merge(there, verdicts.applied, some) == WRONG for some in (seen, rest))
            if (wrong != still).any():
                return True
    return False


def _plants(here: seeded.Bench) -> Sequence[Plant]:
    """Single values and stuck sensors in one table, apart from each other."""
    channels = here.channels(tuple(literal.STEP))
    each = seeded.EACH_HOURLY if (here.table.table.interval_s or 0) >= 3600 else seeded.EACH
    plants, day = [], round(86400 / (here.table.table.interval_s or 1))
    for number, (channel, row) in enumerate(seeded.spread(here, channels, each, 400)):
        multiple = (1.0, 2.0, 10.0)[number // len(channels) % 3]
        plants.append(seeded.sized(here, channel, row, multiple * literal.STEP[channel.quantity], (-1.0) ** number))
    taken = sorted(p.row for p in plants)
    movers = here.channels(seeded.STUCK)
    for number, row in enumerate(places(here.table.rows - day, 14, 401, margin=2)):
        start = seeded.start(here, movers[number % len(movers)], row)
        if start is not None and start + day < here.table.rows:
            plants = [
                p
                for p in plants
                if p.channel != movers[number % len(movers)].name or not start - 2 <= p.row <= start + day + 2
            ]
            plants.append(Plant("stuck", movers[number % len(movers)].name, start, day))
    return plants if taken else []


def _rows(here: seeded.Bench, mask: Bools, count: int, length: int = 1) -> list[int]:
    """The first row of `count` stretches of `length` rows in which a mask holds throughout, two days apart."""
    held = np.convolve(mask, np.ones(length), "valid") == length
    apart, out = 2 * 86400 / (here.table.table.interval_s or 1), list[int]()
    for row in np.flatnonzero(held).tolist():
        if row > 2 and (not out or row - out[-1] >= apart):
            out.append(row)
    step = max(1, len(out) // count)
    return out[::step][:count]


def _cells(channel: str, rows: Sequence[int], text: str, length: int = 1) -> list[Plant]:
    return [Plant("marker", channel, row, length, text=text) for row in rows]


def made_for(check: str, name: str) -> Sequence[Plant]:
    """The error that a check is there for, a dozen times, in healthy data of one station; sizes are judgement."""
    here = seeded.bench(name)
    v = {c: column.values for c, column in here.table.channels.items()}
    sun = here.scene.sun_elevation
    hour = round(3600 / (here.table.table.interval_s or 1))
    dozen = 12
    air, rain = (v.get(c, np.full(here.table.rows, np.nan)) for c in ("t_air", "rain"))
    frost = (air < 0.0) & (v.get("rh", air) > 88)
    windy = (
        r for r in range(hour, here.table.rows - 4 * hour) if frost[r : r + 4 * hour].all() and v["ws"][r - 1] > 3.0
    )
    blown = [r for k, r in enumerate(windy) if k % (8 * hour) == 0][:dozen]
    thaw = (air > 0.5) & (air < 3) & (sun > 10) & (rain == 0)
    noon = (sun > 25) & (v.get("ws", air) > 0.5)
    exposed = _rows(here, (sun > 35) & (v["ghi"] > 450), dozen, hour) if check == "shield" else []
    makers: dict[str, Callable[[], Sequence[Plant]]] = {
        "climate": lambda: [
            Plant("run", "t_air", row, 6 * hour, size=30.0) for row in _rows(here, air > 19, dozen, 6 * hour)
        ],
        "dropout": lambda: [
            plant
            for row in _rows(here, v["ws"] > 0, dozen)
            for c in ("ws", "gust", "wd")
            for plant in _cells(c, [row], "")
        ],
        "shield": lambda: [  # 8 K for 1000 W/m2, over the day to which the hour belongs
            Plant("value", "t_air", row, size=0.008 * float(v["ghi"][row]))
            for start in exposed
            for row in range(max(start - 6 * hour, 0), min(start + 6 * hour, here.table.rows))
            if v["ghi"][row] > 20
        ],
        "calm": lambda: _cells("ws", _rows(here, noon, dozen, 4 * hour), "0.0", 4 * hour),
        "saturation": lambda: _cells("rh", _rows(here, v["rh"] > 60, dozen), "103.5"),
        "sea-level": lambda: [Plant("step", "p", 10, here.table.rows // 2, size=93.0)],
        "tendency": lambda: [
            Plant("drift", "p", row, 3 * hour, size=25.0) for row in _rows(here, v["p"] > 0, dozen, 3 * hour)
        ],
        "gust": lambda: _cells("gust", _rows(here, v["ws"] > 3.0, dozen), "1.5"),
        "vane": lambda: [  # stiff: it creeps within 2.5 degrees; one that stands is seen by persistence
            plant
            for row in _rows(here, (v["ws"] > 2.0) & (v["wd"] > 3) & (v["wd"] < 357), dozen, 4 * hour)
            for k in range(4 * hour)
            for plant in _cells("wd", [row + k], f"{v['wd'][row] + 0.5 * (k % 6):.1f}")
        ],
        "icing": lambda: _cells("ws", blown, "0.0", 4 * hour),
        "night": lambda: _cells("ghi", _rows(here, sun < -12, dozen), "25"),
        "dark-day": lambda: [
            plant
            for row in _rows(here, (sun > 30) & (v["ghi"] > 200), dozen, 2 * hour)
            for k in range(2 * hour)
            for plant in _cells("ghi", [row + k], f"{1.5 + 0.9 * (k % 4):.1f}")
        ],
        "dry-rain": lambda: _cells("rain", _rows(here, (sun > 30) & (v["rh"] < 45) & (v["ghi"] > 600), dozen), "0.6"),
        "tip-size": lambda: _cells("rain", _rows(here, v["rain"] > 0, dozen), "0.4"),
        "rain-rate": lambda: _cells("rain", _rows(here, v["rain"] >= 0, dozen), "120"),
        "snow-melt": lambda: _cells("rain", _rows(here, thaw, dozen), "0.5"),
        "supply": lambda: [
            Plant("drift", "battery", row, 12 * hour, size=-4.0)
            for row in _rows(here, v["battery"] > 12, dozen, 12 * hour)
        ],
        "common-mode": lambda: [
            Plant("value", c, row, size=size)
            for row in _rows(here, v["rh"] < 80, dozen)
            for c, size in (("p", 0.55), ("t_air", 1.8), ("rh", 8.0), ("ws", 4.5), ("t_log", 1.8))
        ],
    }  # fmt: skip
    return makers[check]()


MADE_FOR = {
    "climate": "roof", "dropout": "roof", "shield": "roof", "calm": "roof", "saturation": "roof", "sea-level": "hills",
    "tendency": "roof", "gust": "roof", "vane": "roof", "icing": "estuary", "night": "roof", "dark-day": "roof",
    "dry-rain": "roof", "tip-size": "forest_2016", "rain-rate": "roof", "snow-melt": "estuary",
    "supply": "forest_2016", "common-mode": "roof",
}  # fmt: skip
"""On which station each is tried. Roof is given a climate and the devices that no open station file names."""


_LASTING = ("sea-level", "dark-day", "supply", "icing", "climate", "calm")
"""Found where half of the rows are flagged: others see the edge of such an error, not its level."""


def _special(rows: dict[str, dict[str, Any]]) -> None:
    for check, name in MADE_FOR.items():
        here = seeded.bench(name)
        plants = made_for(check, name)
        record, truth = here.planted(plants)
        record = replace(record, station=_with_climate_and_devices(record.station)) if name == "roof" else record
        table = ground.check(record).checked.tables["main"]
        whole, rest = {c: without(table, c, None) for c in table.verdicts}, left(record, table, check)
        if check == "dropout":  # it speaks of missing values
            whole, rest = _told_of(table, None), _told_of(table, check)
        found = lost = planted = 0
        least = 0.5 if check in _LASTING else 0.0
        for p in truth:
            if len(p.row):
                planted += 1
                seen, still = (
                    bool((rows[p.channel] & ~here.base[p.channel])[list(p.row)].mean() > least)
                    for rows in (whole, rest)
                )
                found += seen
                lost += seen and not still
        rows[check] |= {"made_for": planted, "made_for_found": found, "made_for_lost": lost, "made_for_station": name}


def _with_climate_and_devices(station: Station) -> Station:
    """The station in a temperate climate, its wind head and its probe one device each."""
    devices = dict.fromkeys(("ws", "gust", "wd"), "wind") | dict.fromkeys(("t_air", "td", "rh"), "probe")
    return station.model_copy(
        update={
            "station": station.station.model_copy(update={"climate": "temperate"}),
            "channel": [c.model_copy(update={"device": devices.get(c.name, c.device)}) for c in station.channel],
        }
    )


def _told_of(table: CheckedTable, check: str | None) -> dict[str, Bools]:
    """For each channel the rows of which a check but those of the record family, and but one, says something."""
    out = {}
    for channel, verdicts in table.verdicts.items():
        out[channel] = np.zeros(table.record.rows, bool)
        for name, failure in verdicts.failures.items():
            if name not in (*_OF_A_RECORD, check):
                out[channel][failure.rows] = True
    return out


def measure() -> dict[str, Any]:
    """For each check: seeded finds and known bad values lost, false flags gone, of how many in all."""
    checks = [c for c in registry() if c not in (*_OF_A_RECORD, *_OF_OTHERS)]
    rows = {c: {"check": c, "seeded_lost": 0, "known_lost": 0, "false_gone": 0, "alone": {}} for c in checks}
    total = {"seeded": 0, "seeded_found": 0, "known": 0, "known_found": 0, "healthy": 0, "false": 0}
    for name in ground.STATIONS:
        _known(name, checks, rows, total)
    for name in STATIONS:
        _seeded(name, checks, rows, total)
    _special(rows)
    return {"rows": list(rows.values()), "total": total}


def _known(name: str, checks: Sequence[str], rows: dict[str, dict[str, Any]], total: dict[str, int]) -> None:
    table, bad, healthy = ground.checked(name).checked.tables["main"], ground.known(name), ground.healthy(name)
    spoke = {check for v in table.verdicts.values() for check in v.failures if check in checks}
    rest = {check: left(ground.record_of(name), table, check) for check in spoke}
    for channel in table.verdicts:
        mine = bad[channel] & np.isfinite(table.record.channels[channel].values)
        good = healthy.get(channel, np.zeros(table.record.rows, bool))
        whole = without(table, channel, None)
        total["known"] += int(mine.sum())
        total["known_found"] += int((whole & mine).sum())
        total["healthy"] += int(good.sum())
        total["false"] += int((whole & good).sum())
        for check in spoke:
            lost = whole & ~rest[check][channel]
            if lost.any():
                rows[check]["known_lost"] += int((lost & mine).sum())
                rows[check]["false_gone"] += int((lost & good).sum())
                rows[check]["alone"][f"{name} {channel}"] = int(lost.sum())


def _seeded(name: str, checks: Sequence[str], rows: dict[str, dict[str, Any]], total: dict[str, int]) -> None:
    here = seeded.bench(name)
    record, truth = here.planted(_plants(here))
    table = ground.check(record).checked.tables["main"]
    spoke = {check for v in table.verdicts.values() for check in v.failures if check in checks}
    rest = {check: left(record, table, check) for check in spoke}
    for channel in table.verdicts:
        planted = [list(p.row) for p in truth if p.channel == channel and len(p.row) and np.abs(p.size).max() > 0]
        whole = without(table, channel, None) & ~here.base[channel]
        found = [r for r in planted if whole[r].any()]
        total["seeded"] += len(planted)
        total["seeded_found"] += len(found)
        for check in spoke:
            rows[check]["seeded_lost"] += sum(not rest[check][channel][r].any() for r in found)


def main() -> None:
    """Print the table."""
    found = measure()
    print(found["total"])
    for row in found["rows"]:
        alone = ", ".join(f"{k} {n}" for k, n in row["alone"].items())
        made = (
            f"  made for it {row['made_for_found']} of {row['made_for']} found, {row['made_for_lost']} by it alone"
            if "made_for" in row
            else ""
        )
        print(
            f"{row['check']:13} seeded lost {row['seeded_lost']:4}  known lost {row['known_lost']:6}  false gone "
            f"{row['false_gone']:4}  {alone}{made}"
        )


if __name__ == "__main__":
    main()
