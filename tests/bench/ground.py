"""Ground truth for the benchmarks: the open stations, and what is known to be wrong in them.

A channel counts as healthy where neither `truth.toml` of the open data nor `tests/bench/truth_more.toml` speaks
against it. How each entry of `truth.toml` is taken is said here: a span, a whole channel, rows by a rule, or not at
all where it names no values.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from qc import run
from qc.limits import Limits
from qc.read.tables import read_tables
from qc.record import Record, TableRecord
from qc.run import Result
from qc.station import Station, load
from tests.shared import FOLDER

Bools = NDArray[np.bool_]
HERE = Path(__file__).parent
BAD = (1, 2, 3)


@dataclass(frozen=True)
class Open:
    """An open station: its station file, its table files, and whether limits were set on it (`tune`) or not
    (`report`).
    """

    name: str
    file: str
    glob: str
    role: str

    @property
    def station(self) -> Station:
        """The station file made by hand."""
        return load(FOLDER / "expected" / f"{self.file}.toml")

    @property
    def paths(self) -> list[Path]:
        """Its table files."""
        return sorted(FOLDER.glob(self.glob))


STATIONS = {
    s.name: s
    for s in (
        Open("roof", "roof", "roof_*.csv", "tune"), Open("campus", "campus", "campus_*.csv", "tune"),
        Open("coast", "coast", "coast_*.csv", "tune"),
        Open("forest_2016", "forest", "forest_5min_2016_*.csv", "tune (twin, windows)"),
        Open("estuary", "estuary", "estuary_*.csv", "report (drip, windows, icing: tune)"),
        Open("forest_2017", "forest", "forest_5min_2017_*.csv", "report"),
        Open("hills", "hills", "hills_*.csv", "report"),
        Open("plateau", "plateau", "plateau_*.csv", "report (closure: tune)"),
    )
}  # fmt: skip
"""Limits were set on roof, campus, coast and the sample station; single ones elsewhere, as the role says."""


@cache
def record_of(name: str) -> Record:
    """All files of a station, read."""
    record, refused = read_tables(STATIONS[name].station, STATIONS[name].paths)
    if refused:
        raise refused[0]
    return record


@cache
def checked(name: str) -> Result:
    """A station through the chain as shipped."""
    record = record_of(name)
    return run.check_record(record, run.limits_of(record.station))


def check(record: Record, limits: Limits | None = None) -> Result:
    """A record through the chain."""
    return run.check_record(record, limits or run.limits_of(record.station))


def table_of(record: Record) -> TableRecord:
    """The one table of an open station."""
    return record.tables["main"]


def known(name: str) -> dict[str, Bools]:
    """For each channel the rows that are known, or likely, to be wrong."""
    table = table_of(record_of(name))
    bad = {channel: np.zeros(table.rows, bool) for channel in table.channels}
    whole = {
        "campus": ("rh",),  # truth.toml: hygrometer-ceiling
        "plateau": ("dni", "dhi"),  # tracker-astray; global itself looks sound there, and counts as healthy
        "forest_2016": ("t_air_2", "rh_2"),  # channel-open
        "forest_2017": ("t_air", "rh", "t_air_2", "rh_2"),  # channel-open, both pairs
    }
    for channel in whole.get(name, ()):
        bad[channel][:] = True
    if (
        name == "campus"
    ):  # sensor-frozen: both repeat together for 3 min and more; the wake at 187 degrees spoils no single value
        repeats = _repeats(table, ("ws", "wd"), 3)
        bad["ws"] |= repeats
        bad["wd"] |= repeats
    if name == "estuary":
        for channel, rejected in _by_a_person(table).items():
            bad[channel] |= rejected
    for entry in tomllib.loads((HERE / "truth_more.toml").read_text("utf-8"))["known"]:
        if entry["station"] == name:
            first, last = (
                np.datetime64(entry[k].replace(tzinfo=None), "us") if k in entry else None for k in ("from", "to")
            )
            rows = np.ones(table.rows, bool) if first is None else (table.time >= first) & (table.time <= last)
            for channel in entry["channels"]:
                bad[channel] |= rows
    return bad


def _repeats(table: TableRecord, channels: Sequence[str], least: int) -> Bools:
    """Rows in runs of `least` and more in which all channels repeat their value."""
    same = np.zeros(table.rows, bool)
    same[1:] = np.all([table.channels[c].values[1:] == table.channels[c].values[:-1] for c in channels], axis=0)
    bad = np.zeros(table.rows, bool)
    starts = np.flatnonzero(~same)
    for start, stop in zip(starts, [*starts[1:], table.rows], strict=True):
        bad[start:stop] = stop - start >= least
    return bad


_COLUMNS = {
    "t_air": "F_ATemp",
    "rh": "F_RH",
    "p": "F_BP",
    "ws": "F_WSpd",
    "gust": "F_MaxWSpd",
    "wd": "F_Wdir",
    "par": "F_TotPAR",
    "rain": "F_TotPrcp",
}


@cache
def _flags() -> dict[str, tuple[NDArray[np.datetime64], Bools]]:
    import pandas as pd

    frame = pd.read_csv(STATIONS["estuary"].paths[0])
    time = pd.to_datetime(frame["DatetimeStamp"], format="%m/%d/%Y %H:%M").to_numpy().astype(
        "datetime64[us]"
    ) + np.timedelta64(5, "h")
    return {c: (time, ~frame[f].astype(str).str.strip().str.startswith("<0>").to_numpy()) for c, f in _COLUMNS.items()}


def _by_a_person(table: TableRecord) -> dict[str, Bools]:
    """Estuary: what a person did not flag good."""
    out = {}
    for channel, (time, rejected) in _flags().items():
        out[channel] = np.isin(table.time, time[rejected])
    return out


def healthy(name: str) -> dict[str, Bools]:
    """For each channel with healthy values the rows that hold one."""
    table, bad = table_of(record_of(name)), known(name)
    rows = {channel: np.isfinite(table.channels[channel].values) & ~bad[channel] for channel in table.channels}
    return {channel: some for channel, some in rows.items() if some.any()}
