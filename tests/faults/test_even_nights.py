"""Nights at one level: an offset of the nights keeps a pyranometer still in the dark, and is no frozen one; one that
holds what it read by day is no offset."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from qc import chain, diagnosis
from qc.run import limits_of
from qc.verdicts import Floats
from tests.bench.invented import made
from tests.bench.nights import Planned, Plant, lines

DAYS = 28


@pytest.mark.parametrize(
    ("name", "first", "last", "spoil", "faults"),
    [
        ("an offset", 16, DAYS, lambda x, s: x + 25.0, {"pyranometer-zero"}),
        ("an offset that was mended", 3, 14, lambda x, s: x + 25.0, {"pyranometer-zero"}),
        ("an offset since before, that was mended", 0, 13, lambda x, s: x + 25.0, {"pyranometer-zero"}),
        ("held by day and night", 20, 23, lambda x, s: np.full(len(x), 312.0), {"sensor-frozen", "channel-open"}),
    ],
)
def test_which_of_the_two(
    name: str, first: int, last: int, spoil: Callable[[Floats, Floats], Floats], faults: set[str]
) -> None:
    """At a station whose healthy nights lie at 0."""
    station = made("B-maritime", DAYS, start="2024-05-01")
    plan = Planned("B-maritime", Plant(name, (), "ghi", last - first, spoil), first, last)
    head, days = lines(station, [plan], DAYS)
    text = "\n".join([head, *(line for day in days for line in day)]) + "\n"
    record = replace(station, raw=text.encode()).record()
    (found,) = diagnosis.diagnose(chain.run(record, limits_of(record.station))).findings
    assert found.fault.id in faults
    assert found.suspect.channels == ("ghi",)
    begin = np.datetime64("2024-05-01", "us")
    assert abs(found.suspect.last - (begin + np.timedelta64(last, "D"))) <= np.timedelta64(12, "h")
