"""The law of reach with neighbours (contract 1): pieces that see the margin of both, and no more, come out alike."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from qc import chain, run
from qc.station import Station, parse
from qc.verdicts import BIT
from qc.write.text import stamp
from tests.test_neighbours import station

NETWORK = np.uint64(1 << BIT["neighbour"])
HOURS = 190
START = np.datetime64("2026-03-01T00:00", "us")


def _station(name: str, minutes: int, side: str) -> Station:
    return parse(station(name, latitude=54.6 if name == "fell" else 54.7, interval=minutes, stamps=side).encode())


@cache
def frame(name: str, minutes: int, seed: int) -> pd.DataFrame:
    """Days with a front, single errors, short runs of errors, and rows and values that are missing."""
    rng = np.random.default_rng([seed, minutes, *name.encode()])
    rows = HOURS * 60 // minutes
    hours = np.arange(rows) * minutes / 60.0
    t = 10.0 + 5.0 * np.sin(hours * 2 * np.pi / 24) - 8.0 / (1 + np.exp(-(hours - 95 - rng.uniform(0, 1)) * 4))
    t = np.round(t + rng.normal(0, 0.15, rows), 1)
    for size in (2.0, 3.0, 5.0, 40.0, 99.0):
        t[rng.integers(0, rows, 6)] += size
    at = int(rng.integers(10, rows - 10))
    t[at : at + 3] += 4.0
    t[rng.random(rows) < 0.02] = np.nan
    ws = np.round(np.abs(9.0 + 3.0 * np.sin(hours / 11.0) + rng.normal(0, 0.7, rows)), 1)
    index = pd.DatetimeIndex(START + np.arange(rows) * np.timedelta64(minutes * 60_000_000, "us"), tz="UTC")
    out = pd.DataFrame({"top": t + 0.5, "t": t, "ws": ws}, index=index)
    return out[rng.random(rows) > 0.02]


def written(
    where: Path, name: str, minutes: int, side: str, seed: int, first: np.datetime64 | None, last: np.datetime64 | None
) -> Path:
    """The flagged table of a neighbour, or the part of it in a period."""
    told = [None if t is None else stamp(t) for t in (first, last)]
    result = run.check(_station(name, minutes, side), {"ten": frame(name, minutes, seed)}, first=told[0], last=told[1])
    run.write(result, where, replace=True)
    return where / f"{name}.ten.flagged.csv"


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    minutes=st.sampled_from([10, 30, 60]),
    near=st.lists(
        st.tuples(st.sampled_from([10, 30, 60]), st.sampled_from(["start", "end", "instant"])), min_size=2, max_size=3
    ),
    side=st.sampled_from(["start", "end", "instant"]),
    seed=st.integers(0, 3),
    cut=st.integers(70 * 60, 120 * 60),
)
def test_cuts_change_nothing(minutes: int, near: list[tuple[int, str]], side: str, seed: int, cut: int) -> None:
    own, of = frame("fell", minutes, seed), _station("fell", minutes, side)
    limits = run.limits_of(of)
    reach = chain.reach(of, limits)
    names = ["mill", "weir", "barn"][: len(near)]
    with tempfile.TemporaryDirectory() as folder:
        paths = [written(Path(folder), n, m, s, seed, None, None) for n, (m, s) in zip(names, near, strict=True)]
        whole = run.check(of, {"ten": own}, neighbours=paths)
    table = whole.checked.tables["ten"]
    assert (table.verdicts["t"].failed & NETWORK).any()
    at = START + np.timedelta64(cut * 60_000_000, "us")
    back, ahead = (np.timedelta64(round(s * 1e6), "us") for s in (reach.back_s, reach.ahead_s))
    us = np.timedelta64(1, "us")
    pieces = []
    for first, last in ((own.index[0].to_datetime64(), at - us), (at, own.index[-1].to_datetime64())):
        low, high = np.datetime64(first, "us") - back, np.datetime64(last, "us") + ahead
        mine = own[(own.index >= pd.Timestamp(low, tz="UTC")) & (own.index <= pd.Timestamp(high, tz="UTC"))]
        with tempfile.TemporaryDirectory() as folder:
            paths = [written(Path(folder), n, m, s, seed, low, high) for n, (m, s) in zip(names, near, strict=True)]
            told = [stamp(np.datetime64(t, "us")) for t in (first, last)]
            pieces.append(run.check(of, {"ten": mine}, first=told[0], last=told[1], neighbours=paths))
        assert len(mine) < len(own)
    pd.testing.assert_frame_equal(pd.concat([p.flagged["ten"] for p in pieces]), whole.flagged["ten"], check_exact=True)
    joined = chain.join([p.checked for p in pieces]).tables["ten"]
    for name, verdicts in table.verdicts.items():
        assert (joined.verdicts[name].applied == verdicts.applied).all()
        for check, failure in verdicts.failures.items():
            assert joined.verdicts[name].failures[check].number.tobytes() == failure.number.tobytes()
            assert joined.verdicts[name].failures[check].limit.tobytes() == failure.limit.tobytes()
