"""Diagnosis on the open stations, whole files: the natural faults that are known are named, and nothing else is.

What is known to be wrong stands in the shared `truth.toml`, more of it in `tests/bench/truth_more.toml`.
"""

from __future__ import annotations

import numpy as np
import pytest

import qc
from qc import chain
from qc.diagnosis import Diagnosis, diagnose
from qc.run import limits_of
from tests.shared import shared

Found = set[tuple[str, tuple[str, ...]]]

STATIONS: list[tuple[str, tuple[str, ...], Found]] = [
    ("roof", ("roof_10min.csv",), {("sensor-frozen", ("ws", "gust", "wd"))}),
    (
        "campus",
        ("campus_2024_12.csv", "campus_2025_01.csv"),
        {
            ("sensor-frozen", ("ws", "wd")),
            ("bus-dropout", ("ws", "wd", "t_air", "rh", "p", "rain")),
            ("hygrometer-ceiling", ("rh",)),
        },
    ),
    ("campus", ("campus_2016_03.csv",), {("hygrometer-ceiling", ("rh",))}),
    ("plateau", ("plateau_10min_2015.csv",), {("tracker-astray", ("dni", "dhi"))}),
    (
        "forest",
        ("forest_5min_2016_03.csv", "forest_5min_2016_04.csv"),
        {("channel-open", ("rh_2",)), ("channel-open", ("t_air_2",))},
    ),
    (
        "forest",
        ("forest_5min_2017_10.csv",),
        {("channel-open", (name,)) for name in ("t_air", "rh", "t_air_2", "rh_2")},
    ),
    ("coast", ("coast_hourly_2021.csv",), set()),
    ("hills", ("hills_hourly_2021.csv",), set()),
    ("estuary", ("estuary_15min_2016.csv",), {("gauge-clogged", ("rain",))}),
]


def diagnosed(station: str, files: tuple[str, ...]) -> Diagnosis:
    about = qc.read_station(shared(f"expected/{station}.toml"))
    record = qc.read_tables(about, [shared(name) for name in files])
    return diagnose(chain.run(record, limits_of(about)))


@pytest.mark.parametrize(("station", "files", "known"), STATIONS, ids=[f"{s}-{f[0]}" for s, f, _ in STATIONS])
def test_what_is_known_is_named_and_nothing_else(station: str, files: tuple[str, ...], known: Found) -> None:
    found = diagnosed(station, files)
    assert {(f.fault.id, f.suspect.channels) for f in found.findings} == known
    assert not [u.why for _, u in found.not_tested if "broke" in u.why]


def test_the_frozen_wind_head_of_roof_from_the_right_hour() -> None:
    """truth.toml: from 2024-06-30 03:10 UTC to 07-10 09:00; 246 h."""
    (found,) = diagnosed(*STATIONS[0][:2]).findings
    early, late = found.suspect.onset
    assert early <= np.datetime64("2024-06-30T03:10") <= late or abs(
        late - np.datetime64("2024-06-30T03:10")
    ) <= np.timedelta64(20, "m")
    assert found.suspect.evidence["hours"] == pytest.approx(246, abs=4)


def test_the_clogged_funnel_of_estuary_is_one_event_of_its_two_days() -> None:
    """truth.toml: 2016-09-28 to 29."""
    (found,) = diagnosed(*STATIONS[-1][:2]).findings
    assert found.suspect.evidence["events"] == 1
    assert np.datetime64("2016-09-27") <= found.suspect.first <= np.datetime64("2016-09-29T12:00")
