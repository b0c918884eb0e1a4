"""supply-disturbed: jumps of many channels for one row; fronts, single spikes, clouds are none."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Suspect, Untested
from tests.faults import meadow
from tests.faults.said import named, outcomes, sane

FAULT = "supply-disturbed"
JUMPS = {"t_air": 9.0, "rh": -35.0, "p": 15.0, "t_soil": 6.0, "batt": -2.5, "t_log": 8.0}
ROWS = [200, 330, 480, 650, 811, 960, 1110, 1290, 1440, 1600]


def jumping(rows: list[int], names: tuple[str, ...] = tuple(JUMPS), lasts: int = 1) -> dict[str, np.ndarray]:
    _, found = meadow.weather(12.0, 1)
    out = {n: found[n].copy() for n in names}
    for name, x in out.items():
        for row in rows:
            x[row : row + lasts] += JUMPS[name]
    return out


def test_evidence() -> None:
    case = meadow.case(12.0, 1, changed=jumping(ROWS))
    (suspect,) = named(FAULT, case)
    sane(FAULT, suspect)
    assert suspect.evidence == {"events": 10}
    assert set(suspect.channels) == set(JUMPS)
    assert suspect.onset == (case.time[199], case.time[200])
    assert suspect.spoils == ()


@pytest.mark.parametrize(("events", "told"), [(2, False), (3, True)])
def test_the_least_events(events: int, told: bool) -> None:
    outcome = outcomes(FAULT, meadow.case(12.0, 1, changed=jumping(ROWS[:events])))[0]
    assert isinstance(outcome, Suspect if told else Cleared)


def test_two_devices_may_jump_by_chance() -> None:
    assert named(FAULT, meadow.case(12.0, 1, changed=jumping(ROWS, ("t_air", "rh", "p")))) == []


def test_a_front_stays() -> None:
    assert named(FAULT, meadow.case(12.0, 1, changed=jumping(ROWS, lasts=8))) == []


def test_spikes_of_one_channel_are_none() -> None:
    assert named(FAULT, meadow.case(12.0, 1, changed=jumping(ROWS, ("t_soil",)))) == []


def test_the_minute_at_which_something_switches_is_told() -> None:
    _, found = meadow.weather(12.0, 1, minutes=5)
    rows = [12 * k + 5 for k in range(10, 22)]
    changed = {n: found[n].copy() for n in JUMPS}
    for name, x in changed.items():
        x[rows] += JUMPS[name]
    (suspect,) = named(FAULT, meadow.case(12.0, 1, minutes=5, changed=changed))
    assert "of the hour" in suspect.summary


def test_few_devices_or_long_intervals_are_not_tested() -> None:
    few = outcomes(FAULT, meadow.case(12.0, 1, names=("t_air", "rh", "p")))
    assert isinstance(few[0], Untested) and "devices" in few[0].why
    slow = outcomes(FAULT, meadow.case(12.0, 1, minutes=120))
    assert isinstance(slow[0], Untested) and "shower" in slow[0].why


def test_a_copy_is_no_further_witness() -> None:
    """The humidity stands in the barometer's column and under the soil too: one sensor jumps, not three."""
    rh = jumping(ROWS, ("rh",))["rh"]
    case = meadow.case(12.0, 1, changed={"rh": rh, "p": rh.copy(), "t_soil": rh.copy()})
    assert named(FAULT, case) == []
