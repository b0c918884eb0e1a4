"""Nights at one level: an offset of the nights keeps a pyranometer still in the dark, and is no frozen one; one that
holds what it read by day is no offset."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qc import chain, diagnosis
from qc.run import limits_of
from tests.bench.invented import made
from tests.bench.nights import spoilt_table
from tests.bench.plants import Spoil

DAYS = 28


@pytest.mark.parametrize(
    ("first", "last", "spoil", "faults"),
    [
        (16, DAYS, lambda x, s: x + 25.0, {"pyranometer-zero"}),
        (3, 14, lambda x, s: x + 25.0, {"pyranometer-zero"}),
        (0, 13, lambda x, s: x + 25.0, {"pyranometer-zero"}),
        (20, 23, lambda x, s: np.full(len(x), 312.0), {"sensor-frozen", "channel-open"}),
    ],
    ids=["an offset", "one that was mended", "one since before, that was mended", "held by day and night"],
)
def test_which_of_the_two(first: int, last: int, spoil: Spoil, faults: set[str]) -> None:
    """At a station whose healthy nights lie at 0."""
    station = made("B-maritime", DAYS, start="2024-05-01")
    raw = spoilt_table(station, DAYS, ("ghi", first, last, spoil))
    record = replace(station, raw=raw).record()
    (found,) = diagnosis.diagnose(chain.run(record, limits_of(record.station))).findings
    assert found.fault.id in faults
    assert found.suspect.channels == ("ghi",)
    begin = np.datetime64("2024-05-01", "us")
    assert abs(found.suspect.last - (begin + np.timedelta64(last, "D"))) <= np.timedelta64(12, "h")
