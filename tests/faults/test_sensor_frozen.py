"""sensor-frozen: stretches on the bound, calm and fog, short repeats, one channel."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Suspect, Untested
from tests.faults import meadow
from tests.faults.said import named, outcomes, sane

FAULT = "sensor-frozen"
WIND = ("ws", "gust", "wd")


def still(names: tuple[str, ...], row: int, count: int, **values: float) -> dict[str, np.ndarray]:
    """`count` rows that hold what row `row` holds (it is the first of them)."""
    _, found = meadow.weather(12.0, 1)
    out = {n: found[n].copy() for n in names}
    for name, x in out.items():
        x[row : row + count] = values.get(name, x[row])
    return out


def test_twelve_hours_are_found() -> None:
    case = meadow.case(12.0, 1, changed=still(WIND, 700, 73))
    (suspect,) = named(FAULT, case)
    sane(FAULT, suspect)
    assert suspect.channels == WIND and suspect.device == "wind"
    assert suspect.evidence["hours"] == pytest.approx(12.0)
    assert suspect.onset == (case.time[700], case.time[701])
    assert suspect.spoils == WIND


@pytest.mark.parametrize(("rows", "found"), [(22, False), (23, False), (24, True), (25, True)])
def test_the_least_stretch(rows: int, found: bool) -> None:
    case = meadow.case(12.0, 1, changed=still(WIND, 700, rows))
    suspects = [o for o in outcomes(FAULT, case, "ws") if isinstance(o, Suspect)]
    assert bool(suspects) == found


def test_a_step_of_the_resolution_is_no_life() -> None:
    changed = still(WIND, 700, 150)
    changed["ws"][760:800] += 0.01  # as the frozen head of the roof: 4.12 to 4.13
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=changed))
    assert suspect.evidence["hours"] == pytest.approx(149 / 6.0, abs=0.1)


def test_calm_is_none() -> None:
    changed = still(WIND, 700, 100, ws=0.0, gust=0.2)
    assert named(FAULT, meadow.case(12.0, 1, changed=changed)) == []


def test_fog_is_none() -> None:
    changed = still(("t_air", "rh"), 700, 100, rh=100.0)
    assert named(FAULT, meadow.case(12.0, 1, changed=changed)) == []


def test_the_same_air_below_saturation_is() -> None:
    changed = still(("t_air", "rh"), 700, 100, rh=88.0)
    assert [s.channels for s in named(FAULT, meadow.case(12.0, 1, changed=changed))] == [("t_air", "rh")]


def test_a_vane_that_stands_alone_is_not_the_device() -> None:
    assert named(FAULT, meadow.case(12.0, 1, changed=still(("wd",), 700, 200))) == []


def test_a_station_that_stands_still_as_a_whole_is_the_loggers_affair() -> None:
    every = tuple(n for n in meadow.CHANNELS if n != "rain")
    assert named(FAULT, meadow.case(12.0, 1, changed=still(every, 700, 100))) == []


def test_one_channel_needs_more() -> None:
    assert named(FAULT, meadow.case(12.0, 1, changed=still(("p",), 700, 30))) == []
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=still(("p",), 700, 300)))
    assert suspect.channels == ("p",)


def test_a_lone_channel_of_coarse_steps_is_not_tested() -> None:
    _, found = meadow.weather(12.0, 1)
    coarse = {"p": np.round(found["p"] / 3.0) * 3.0}
    (outcome,) = outcomes(FAULT, meadow.case(12.0, 1, changed=coarse), "p")
    assert isinstance(outcome, Untested) and "anyway" in outcome.why


def test_short_joint_repeats() -> None:
    rng = np.random.default_rng(3)
    _, found = meadow.weather(12.0, 1)
    changed = {n: found[n].copy() for n in WIND}
    starts = np.sort(rng.choice(np.arange(20, 1600, 12), 30, replace=False))
    for start in starts:
        for x in changed.values():
            x[start : start + 6] = x[start]
        changed["ws"][start : start + 6] = max(changed["ws"][start], 1.0)
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=changed))
    assert suspect.evidence["hours"] == pytest.approx(30 * 5 / 6.0, rel=0.1)
    assert suspect.spoils == (), "most of the values between are sound"


def test_without_another_device_nothing_is_said() -> None:
    case = meadow.case(12.0, 1, names=WIND, changed=still(WIND, 700, 100))
    assert all(isinstance(o, Untested) for o in outcomes(FAULT, case))
