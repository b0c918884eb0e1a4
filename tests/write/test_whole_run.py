"""One whole run over the sample station: planted faults leave their flags, days without one leave none.

What is asked of a fault stands in `sample_data/truth.toml`; entries that ask for checks that do not exist yet wait.
"""

from __future__ import annotations

import tomllib
from functools import cache
from typing import Any

import numpy as np
import pytest

from qc import run
from qc.checks import registry
from qc.places import folder
from qc.run import Result
from qc.station import load
from qc.verdicts import BIT, MISSING


def _truth() -> dict[str, Any]:
    return tomllib.loads((folder("sample_data") / "truth.toml").read_text("utf-8"))


PLANTED = _truth()["planted"]


@cache
def whole() -> Result:
    where = folder("sample_data")
    return run.check(load(where / "otter-fell.station.toml"), sorted(where.glob("otter-fell_*.csv")))


def _utc(moment: Any) -> np.datetime64:
    return np.datetime64(moment.replace(tzinfo=None), "us")


def _inside(time: np.ndarray, stretches: list[list[Any]]) -> np.ndarray:
    found = np.zeros(len(time), bool)
    for first, last in stretches:
        found |= (time >= _utc(first)) & (time <= _utc(last))
    return found


def _name(entry: dict[str, Any]) -> str:
    return f"{entry['fault']} {';'.join(entry['channels'])} {entry['from']:%m-%d %H:%M} {'/'.join(entry['checks'])}"


@pytest.mark.parametrize("entry", [e for e in PLANTED if e["checks"]], ids=_name)
def test_a_planted_fault_leaves_its_flags(entry: dict[str, Any]) -> None:
    there = [check for check in entry["checks"] if check in registry()]
    if not there:
        pytest.skip(f"no check yet: {', '.join(entry['checks'])}")
    table = whole().checked.tables["ten"]
    if there == ["gap"]:
        (gap,) = [e for e in whole().episodes["ten"] if e.check == "gap" and e.start == _utc(entry["from"])]
        assert gap.end == _utc(entry["to"])
        assert gap.values == entry["planted"]["rows"]
        return
    rows = _inside(table.record.time, entry["count"])
    mask = np.uint64(sum(1 << BIT[check] for check in there))
    for channel in entry["channels"]:
        failed = (table.verdicts[channel].failed[rows] & mask) > 0
        assert len(failed)
        assert failed.mean() >= entry["min_share"], f"{channel}: {failed.mean():.2f} of its values"


def _touched(channel: str, day: np.datetime64) -> bool:
    """Whether a fault was planted on the day: on any channel, or, where it lasts for a week and more, on this one."""
    for entry in PLANTED:
        first, last = _utc(entry["from"]), _utc(entry["to"])
        long = last - first > np.timedelta64(7, "D")
        if (not long or channel in entry["channels"]) and first <= day + np.timedelta64(1, "D") and last > day:
            return True
    return False


def test_days_without_a_fault_leave_no_flag() -> None:
    """Of 92 days and 12 channels: more than half, and none of their values is called 1, 2 or 3."""
    table = whole().checked.tables["ten"]
    # a stamp at 00:00 closes the day before
    days = (table.record.time - np.timedelta64(1, "us")).astype("datetime64[D]")
    clean = 0
    for channel, code in table.codes.items():
        for day in np.unique(days):
            if _touched(channel, day.astype("datetime64[us]")):
                continue
            here = days == day
            flagged = here & (code > 0) & (code < MISSING)
            told = [
                f"{table.record.time[r]} {table.record.channels[channel].values[r]}" for r in np.flatnonzero(flagged)
            ]
            assert not told, f"{channel}: {told[:5]}"
            clean += 1
    assert clean > 92 * 12 / 2


def test_the_healthy_stretch_is_long_and_silent() -> None:
    healthy = _truth()["healthy"]
    table = whole().checked.tables["ten"]
    rows = _inside(table.record.time, [[healthy["from"], healthy["to"]]])
    assert rows.sum() > 2000
    for channel, code in table.codes.items():
        assert not ((code[rows] > 0) & (code[rows] < MISSING)).any(), channel


def test_every_planted_marker_and_gross_value_is_told_in_words() -> None:
    messages = " ".join(e.message for e in whole().episodes["ten"])
    for word in ("'-9999'", "'NAN'", "'8?,1'", "84.7", "hPa"):
        assert word in messages
