"""bus-dropout: bursts on the bound; visits, restarts, derived columns, torn rows."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Suspect
from qc.logs import Logs, Visit
from tests.faults import meadow
from tests.faults.said import named, outcomes, sane

FAULT = "bus-dropout"
PROBE = ("t_air", "rh")


def gone(names: tuple[str, ...], starts: list[int], length: int = 3) -> dict[str, np.ndarray]:
    _, found = meadow.weather(12.0, 1)
    out = {n: found[n].copy() for n in names}
    for x in out.values():
        for start in starts:
            x[start : start + length] = np.nan
    return out


STARTS = [200, 320, 460, 610, 700, 905, 1010, 1180]


@pytest.mark.parametrize(("bursts", "told"), [(4, False), (5, True), (8, True)])
def test_the_least_bursts(bursts: int, told: bool) -> None:
    outcome = outcomes(FAULT, meadow.case(12.0, 1, changed=gone(PROBE, STARTS[:bursts])), "rh")[0]
    assert isinstance(outcome, Suspect if told else Cleared)


def test_evidence() -> None:
    case = meadow.case(12.0, 1, changed=gone(PROBE, STARTS))
    (suspect,) = named(FAULT, case)
    sane(FAULT, suspect)
    assert suspect.evidence == {"bursts": 8, "share_together": 1.0}
    assert suspect.onset == (case.time[199], case.time[200])
    assert suspect.device == "probe"


def test_without_devices_the_gaps_tell_who_shares_one() -> None:
    both = gone((*PROBE, "ws", "gust", "wd"), STARTS)
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=both, devices=False))
    assert set(suspect.channels) == {*PROBE, "ws", "gust", "wd"} and suspect.device is None


def test_a_logger_that_restarts_is_none() -> None:
    every = tuple(n for n in meadow.CHANNELS)
    assert named(FAULT, meadow.case(12.0, 1, changed=gone(every, STARTS))) == []


def test_torn_rows_are_none() -> None:
    names = tuple(meadow.CHANNELS)
    changed = gone(PROBE, [])
    _, found = meadow.weather(12.0, 1)
    changed = {n: found[n].copy() for n in names}
    for i, start in enumerate(STARTS * 1):  # each row ends at another column
        for name in names[2 + i % 6 :]:
            changed[name][start] = np.nan
    assert named(FAULT, meadow.case(12.0, 1, changed=changed)) == []


def test_one_channel_of_the_device_is_another_fault() -> None:
    assert named(FAULT, meadow.case(12.0, 1, changed=gone(("rh",), STARTS))) == []


def test_a_visit_explains_its_own_gaps() -> None:
    changed = gone(PROBE, [500, 503, 506, 509, 512, 515], 1)
    time, _ = meadow.weather(12.0, 1)
    visit = Visit(1, time[495], time[520], ("all",), "disturbed", "plug moved")
    assert named(FAULT, meadow.case(12.0, 1, changed=changed))
    assert named(FAULT, meadow.case(12.0, 1, changed=changed, logs=Logs(visits=(visit,)))) == []


def test_gaps_at_low_voltage_have_a_rival() -> None:
    changed = gone(PROBE, STARTS)
    _, found = meadow.weather(12.0, 1)
    volts = found["batt"].copy()
    for start in STARTS:
        volts[start - 2 : start + 5] = 10.9
    changed["batt"] = volts
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=changed))
    assert suspect.rivals["brownout"] > 2.0
