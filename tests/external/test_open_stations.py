"""The whole chain on real stations: what is known to be wrong is flagged, and what is not is left alone.

What is known stands in `truth.toml` of the open data. The station files are those made by hand there.
"""

from __future__ import annotations

import tomllib
from functools import cache

import numpy as np
import pytest

from qc import run
from qc.read.tables import read_tables
from qc.run import Result
from qc.station import load
from qc.verdicts import DOUBTFUL, INCONSISTENT, WRONG
from tests.shared import shared

FILES = {
    "campus": "campus_*.csv", "coast": "coast_*.csv", "estuary": "estuary_*.csv", "forest": "forest_*.csv",
    "hills": "hills_*.csv", "plateau": "plateau_*.csv", "roof": "roof_*.csv",
}  # fmt: skip


@cache
def checked(name: str) -> Result:
    """A station through the chain, once for all tests."""
    station = load(shared(f"expected/{name}.toml"))
    record, refused = read_tables(station, sorted(shared().glob(FILES[name])))
    assert not refused
    return run.check_record(record, run.limits_of(station))


def test_roof_ten_days_of_frozen_wind() -> None:
    """Over 95 % of the rows of each channel flagged, in at most three episodes a channel and check."""
    known = next(k for k in tomllib.loads(shared("truth.toml").read_text())["known"] if k["file"].startswith("roof"))
    first, last = (np.datetime64(known[key].replace(tzinfo=None), "us") for key in ("from", "to"))
    result = checked("roof")
    table = result.checked.tables["main"]
    inside = (table.record.time >= first) & (table.record.time <= last)
    assert inside.sum() == 1476
    for channel in ("ws", "gust", "wd"):
        bad = np.isin(table.codes[channel][inside], (INCONSISTENT, DOUBTFUL, WRONG))
        assert bad.mean() > 0.95
        for check in table.verdicts[channel].failures:
            episodes = [e for e in result.episodes["main"] if e.channel == channel and e.check == check]
            assert len([e for e in episodes if e.end >= first and e.start <= last]) <= 3


def test_forest_second_pair_and_not_the_third() -> None:
    """Rows where the pairs differ by more than 3 K or 15 % have a channel of the second pair flagged; the third stays
    good."""
    table = checked("forest").checked.tables["main"]
    values = {name: c.values for name, c in table.record.channels.items()}
    differs = (np.abs(values["t_air_2"] - values["t_air_3"]) > 3.0) | (np.abs(values["rh_2"] - values["rh_3"]) > 15.0)
    assert differs.sum() > 20_000
    flagged = np.isin(table.codes["t_air_2"], (DOUBTFUL, WRONG)) | np.isin(table.codes["rh_2"], (DOUBTFUL, WRONG))
    assert flagged[differs].mean() >= 0.95
    third = np.isin(table.codes["t_air_3"], (DOUBTFUL, WRONG)) | np.isin(table.codes["rh_3"], (DOUBTFUL, WRONG))
    assert third.mean() <= 0.005


HEALTHY = {
    "roof": ("p", "t_air", "td", "rh", "rain", "ghi", "par", "t_log"),
    "coast": ("rain", "p", "ghi", "t_air", "td", "rh", "wd", "gust", "ws"),
    "hills": ("rain", "p", "ghi", "t_air", "td", "rh", "wd", "gust", "ws"),
    "campus": ("ghi", "dni", "dhi", "lwd", "t_air", "p", "rain"),
    "estuary": ("t_air", "rh", "p", "ws", "gust", "wd", "par"),
    "forest": ("t_air_3", "rh_3", "ghi", "rain", "battery"),
    "plateau": ("t_air", "rh", "ws"),
}
"""Channels with nothing in `truth.toml` against them. Plateau's pressure falls to 877.0 again and again, and is left
out for that."""


@pytest.mark.parametrize("name", HEALTHY)
def test_healthy_channels_are_left_alone(name: str) -> None:
    """At most 10 values per million wrong, and at most 0.1 % inconsistent or doubtful."""
    table = checked(name).checked.tables["main"]
    for channel in HEALTHY[name]:
        codes = table.codes[channel]
        values = int((codes != 7).sum())
        wrong, doubt = int((codes == WRONG).sum()), int(np.isin(codes, (INCONSISTENT, DOUBTFUL)).sum())
        assert wrong <= values * 10e-6, f"{name} {channel}: {wrong} wrong of {values}"
        assert doubt <= values * 0.001, f"{name} {channel}: {doubt} doubtful of {values}"
