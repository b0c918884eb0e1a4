"""The benchmarks measure what they say: the literal baseline, the ground truth, the odd weather."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest

from qc.read.tables import read_tables
from qc.record import TableRecord
from qc.station import parse
from tests.bench import ablation, ground, literal, odd, seeded, tables
from tests.shared import shared

STATION = """
[station]
id = "small"
latitude = 50.0
longitude = 0.0
elevation = 10.0
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "t"
interval = "{interval}"
stamps = "end"
[[table.layout]]
names = ["Time", "v"]
decimal = "."
missing = [""]
time = {{ columns = ["Time"], format = "%Y-%m-%dT%H:%M" }}
[[channel]]
name = "v"
quantity = "{quantity}"
column = "v"
unit = "{unit}"
"""


def small(tmp_path, values: list[float], quantity: str, unit: str, minutes: int) -> TableRecord:  # type: ignore[no-untyped-def]
    """A table of one channel."""
    station = parse(STATION.format(interval=f"{minutes}min", quantity=quantity, unit=unit).encode())
    time = np.datetime64("2026-01-01T00:00") + np.arange(len(values)) * np.timedelta64(minutes, "m")
    lines = ["Time,v", *(f"{t},{v}" for t, v in zip(time, values, strict=True))]
    (tmp_path / "v.csv").write_text("\n".join(lines) + "\n")
    record, _ = read_tables(station, [tmp_path / "v.csv"])
    return record.tables["t"]


CASES = [
    # what, quantity, unit, minutes, values, rows flagged
    ("a step on the limit", "air_temperature", "degC", 10, [10.0, 13.0, 10.5, 10.9, 10.0, 10.4, 10.0], []),
    ("a step above it", "air_temperature", "degC", 10, [10.0, 13.1, 10.5, 10.9, 10.0, 10.4, 10.0], [1]),
    ("the hour's own step", "air_temperature", "degC", 60, [10.0, 14.0, 18.1], [2]),
    ("range", "air_temperature", "degC", 60, [58.0, 60.0, 60.1], [2]),
    ("an hour without 0.1 K", "air_temperature", "degC", 20, [10.0, 10.05, 10.0, 10.05, 10.5], [0, 1, 2, 3]),
    ("an hour with 0.1 K", "air_temperature", "degC", 20, [10.0, 10.1, 10.0, 10.1], []),
    ("saturated air may stand", "relative_humidity", "%", 20, [95.0, 95.0, 95.0, 95.0, 95.0], []),
    ("just below it may not", "relative_humidity", "%", 20, [94.9, 94.9, 94.9, 94.9], [0, 1, 2, 3]),
]


@pytest.mark.parametrize(
    ("quantity", "unit", "minutes", "values", "rows"), [c[1:] for c in CASES], ids=[c[0] for c in CASES]
)
def test_literal_limits(  # type: ignore[no-untyped-def]
    tmp_path, quantity: str, unit: str, minutes: int, values: list[float], rows: list[int]
) -> None:
    table = small(tmp_path, values, quantity, unit, minutes)
    found = literal.flags(table, "v", quantity, literal.published(quantity, minutes * 60.0))
    assert np.flatnonzero(found).tolist() == rows


def test_baseline_at_equal_false_flags(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """Loosened to what is allowed and no further: the largest healthy changes but `allowed` pass."""
    rng = np.random.default_rng(1)
    values = np.round(15 + np.cumsum(rng.normal(0, 2.0, 400)) * 0.2 + rng.normal(0, 2.0, 400), 1).tolist()
    table = small(tmp_path, values, "air_temperature", "degC", 10)
    healthy = np.ones(400, bool)
    change = np.sort(np.abs(np.diff(values)))[::-1]
    assert (change > 3.0).sum() > 20
    for allowed in (0, 5, 20):
        loose = literal.equal(table, "v", "air_temperature", healthy, allowed)
        assert loose.step == pytest.approx(change[allowed])
        assert literal.flags(table, "v", "air_temperature", loose).sum() <= allowed


def test_spread_of_windows_is_that_of_each_window() -> None:
    values = np.random.default_rng(2).normal(size=50)
    for size in (1, 2, 3, 7, 16, 50):
        naive = [np.ptp(values[i : i + size]) for i in range(51 - size)]
        np.testing.assert_array_equal(literal._spread(values, size), naive)


def test_more_truth_speaks_of_rows_that_are_there() -> None:
    """Stations, channels and spans exist, and each has its evidence."""
    shared()
    entries = tomllib.loads((ground.HERE / "truth_more.toml").read_text("utf-8"))["known"]
    assert len(entries) > 10
    for entry in entries:
        table = ground.table_of(ground.record_of(entry["station"]))
        assert set(entry["channels"]) <= set(table.channels)
        assert entry["grade"] in ("sure", "likely")
        assert len(entry["note"]) > 20
        if "from" in entry:
            first, last = (np.datetime64(entry[k].replace(tzinfo=None), "us") for k in ("from", "to"))
            assert ((table.time >= first) & (table.time <= last)).any()


def test_what_a_person_rejected_is_not_healthy() -> None:
    shared()
    bad, healthy = ground.known("estuary")["rain"], ground.healthy("estuary")["rain"]
    assert bad.sum() >= 424  # truth.toml
    assert not (bad & healthy).any()


@pytest.mark.parametrize("name", odd.SCENARIOS)
def test_odd_weather_is_weather(name: str) -> None:
    """Five days, no number missing, nothing that cannot be."""
    make, latitude, elevation, start = odd.SCENARIOS[name]
    w = odd.Weather(latitude, elevation, start, np.random.default_rng(0))
    make(w)
    for interval in odd.INTERVALS:
        logged = odd.logged(w, interval)
        assert {len(v) for v in logged.values()} == {5 * 1440 // interval}
        assert all(np.isfinite(v).all() for v in logged.values())
        assert (logged["gust"] >= logged["ws"]).all()
        assert (logged["td"] <= logged["t"]).all()
        assert logged["rh"].min() >= 0
        assert logged["rh"].max() <= 100
        assert logged["rain"].min() >= -1e-9
        assert len(w.time) == 5 * 1440


def test_results_hold_every_table() -> None:
    """README is made from these; every check has its row."""
    from qc.checks import registry

    found = tables.kept()
    assert {r["station"] for r in found["healthy"]["rows"]} == set(ground.STATIONS)
    assert {r["station"] for r in found["seeded"]["singles"]} == set(seeded.FILES)
    assert {r["scenario"] for r in found["odd"]["rows"]} == set(odd.SCENARIOS)
    measured = {r["check"] for r in found["ablation"]["rows"]}
    assert measured <= set(registry())
    assert set(ablation.MADE_FOR) <= measured
