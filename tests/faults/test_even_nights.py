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
from tests.bench.nights import Planned, Truth, lines, placed
from tests.bench.plants import Plant, spoilt

DAYS = 28


@pytest.mark.parametrize(
    ("name", "first", "last", "spoil", "faults"),
    [
        ("an offset", 16, DAYS, lambda x, s: x + 25.0, {"pyranometer-zero"}),
        ("held by day and night", 20, 23, lambda x, s: np.full(len(x), 312.0), {"sensor-frozen", "channel-open"}),
    ],
)
def test_which_of_the_two(
    name: str, first: int, last: int, spoil: Callable[[Floats, Floats], Floats], faults: set[str]
) -> None:
    """At a station whose healthy nights lie at 0."""
    station = made("B-maritime", DAYS, start="2024-05-01")
    truth = Truth(station, DAYS)
    plan = placed(truth, Plant(name, (), last - first, spoilt(spoil, "ghi")), first)
    assert isinstance(plan, Planned)
    head, days = lines(truth, [plan])
    text = "\n".join([head, *(line for day in days for line in day)]) + "\n"
    record = replace(station, raw=text.encode()).record()
    (found,) = diagnosis.diagnose(chain.run(record, limits_of(record.station))).findings
    assert found.fault.id in faults
    assert found.suspect.channels == ("ghi",)
