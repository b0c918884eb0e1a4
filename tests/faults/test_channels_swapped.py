"""channels-swapped: unlike quantities within a day, like ones by order; onset; what is not decidable."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Suspect
from qc.mends import mended
from tests.faults import meadow
from tests.faults.said import named, outcomes, sane

FAULT = "channels-swapped"


def swapped(a: str, b: str, row: int, days: float = 12.0, seed: int = 1) -> dict[str, np.ndarray]:
    _, found = meadow.weather(days, seed)
    x, y = found[a].copy(), found[b].copy()
    x[row:], y[row:] = found[b][row:], found[a][row:]
    return {a: x, b: y}


UNLIKE = [
    ("t_air", "rh"),
    ("rh", "wd"),
    ("p", "t_air"),
    ("ghi", "ws"),
    ("wd", "ghi"),
    ("p", "rh"),
    ("batt", "rh"),
    ("par", "p"),
]


@pytest.mark.parametrize(("a", "b"), UNLIKE)
def test_unlike_quantities_within_a_day(a: str, b: str) -> None:
    _, found = meadow.weather(4.0, 1)
    changed = {k: v[:] for k, v in swapped(a, b, 432, 4.0).items()}  # the last of four days
    (suspect,) = named(FAULT, meadow.case(4.0, 1, changed=changed))
    sane(FAULT, suspect)
    assert set(suspect.evidence["pair"]) == {a, b}
    assert set(suspect.channels) == {a, b}
    del found


@pytest.mark.parametrize(("a", "b"), [("ws", "gust"), ("ghi", "par")])
def test_like_quantities_by_their_order(a: str, b: str) -> None:
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=swapped(a, b, 300)))
    assert set(suspect.channels) == {a, b}


def test_from_the_first_row_on() -> None:
    case = meadow.case(12.0, 1, changed=swapped("t_air", "rh", 0))
    (suspect,) = named(FAULT, case)
    assert suspect.onset == (case.first, case.first)
    assert suspect.mend is not None and suspect.mend.first is None


@pytest.mark.parametrize("row", [701, 790, 850])
def test_the_onset_is_found_to_the_row(row: int) -> None:
    case = meadow.case(12.0, 1, changed=swapped("p", "rh", row))
    (suspect,) = named(FAULT, case)
    assert suspect.onset[0] <= case.time[row] <= suspect.onset[1] + np.timedelta64(10, "m")
    assert suspect.onset[1] - suspect.onset[0] <= np.timedelta64(1, "h")


def test_the_mend_brings_the_values_back() -> None:
    _, found = meadow.weather(12.0, 1)
    record = meadow.record(12.0, 1, changed=swapped("p", "rh", 700))
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=swapped("p", "rh", 700)))
    assert suspect.mend is not None
    back = mended(record, suspect.mend).tables["ten"].channels
    for name in ("p", "rh"):
        before = np.abs(record.tables["ten"].channels[name].values - found[name]).sum()
        assert np.abs(back[name].values - found[name]).sum() <= 0.1 * before


def test_two_sensors_of_one_kind_are_not_told_apart() -> None:
    _, found = meadow.weather(12.0, 1)
    rng = np.random.default_rng(4)
    other = found["t_air"] + rng.normal(0.0, 0.2, 1728)
    changed = {"t_air": other, "t_air_2": found["t_air"]}
    assert named(FAULT, meadow.case(12.0, 1, names=(*meadow.CHANNELS, "t_air_2"), changed=changed)) == []


def test_a_frozen_head_is_no_exchange() -> None:
    _, found = meadow.weather(12.0, 1)
    changed = {n: found[n].copy() for n in ("ws", "gust", "wd")}
    for x in changed.values():
        x[500:1400] = x[500]
    assert named(FAULT, meadow.case(12.0, 1, changed=changed)) == []


def test_a_dead_pair_is_no_exchange_where_a_twin_contradicts() -> None:
    """As in the forest: dead humidity around 3 and a wild temperature look like each other's."""
    rng = np.random.default_rng(4)
    n = 1728
    changed = {"t_air": 30.0 + 12.0 * np.abs(rng.normal(0, 1, n)), "rh": 3.0 + rng.normal(0.0, 0.8, n)}
    names = (*meadow.CHANNELS, "t_air_2", "rh_2")
    assert named(FAULT, meadow.case(12.0, 1, names=names, changed=changed)) == []


@pytest.mark.parametrize(("a", "b"), [("p", "wd"), ("wd", "ghi"), ("ghi", "rh"), ("gust", "batt"), ("t_air", "p")])
@pytest.mark.parametrize("row", [650, 777])
def test_the_mend_begins_at_the_row_and_stays_open(a: str, b: str, row: int) -> None:
    case = meadow.case(12.0, 1, changed=swapped(a, b, row))
    (suspect,) = named(FAULT, case)
    assert suspect.mend is not None and suspect.mend.proposed
    assert suspect.mend.first == case.time[row] == suspect.first
    assert suspect.mend.last is None


@pytest.mark.parametrize("stop", [1000, 1111])
def test_the_mend_ends_at_the_row(stop: int) -> None:
    _, found = meadow.weather(12.0, 1)
    changed = swapped("p", "rh", 500)
    for name in ("p", "rh"):
        changed[name][stop:] = found[name][stop:]
    case = meadow.case(12.0, 1, changed=changed)
    (suspect,) = named(FAULT, case)
    assert suspect.mend is not None and suspect.mend.proposed
    assert (suspect.mend.first, suspect.mend.last) == (case.time[500], case.time[stop - 1])


def test_a_second_stretch_keeps_the_mend_from_being_proposed() -> None:
    _, found = meadow.weather(16.0, 1)
    changed = swapped("p", "rh", 300, 16.0)
    for name in ("p", "rh"):
        changed[name][1000:1600] = found[name][1000:1600]
    (suspect,) = named(FAULT, meadow.case(16.0, 1, changed=changed))
    assert suspect.mend is not None and not suspect.mend.proposed


def test_wind_and_gust_are_exchanged_from_an_unsure_row_on() -> None:
    (suspect,) = named(FAULT, meadow.case(12.0, 2, changed=swapped("ws", "gust", 300, seed=2)))
    assert suspect.mend is not None and not suspect.mend.proposed
    assert suspect.onset[0] <= np.datetime64("2025-05-03T02:00") <= suspect.onset[1]


def test_one_column_alone_that_turns_into_another_is_no_exchange() -> None:
    """Humidity turns into what the pressure would be; the pressure goes on as it was."""
    _, found = meadow.weather(12.0, 1)
    rh = found["rh"].copy()
    rh[700:] = found["p"][700:]
    assert named(FAULT, meadow.case(12.0, 1, changed={"rh": rh})) == []


def test_a_battery_in_the_column_of_the_mean_wind_is_not_the_gust() -> None:
    suspects = named(FAULT, meadow.case(12.0, 1, changed=swapped("ws", "batt", 700)))
    assert [set(s.channels) for s in suspects] == [{"ws", "batt"}]


def test_where_one_of_two_goes_on_as_it_was_no_exchange_is_proposed() -> None:
    """PAR falls below the irradiance: its scale may be wrong."""
    _, found = meadow.weather(12.0, 1)
    par = found["par"].copy()
    par[500:] *= 0.25
    (suspect,) = [s for s in outcomes(FAULT, meadow.case(12.0, 1, changed={"par": par})) if isinstance(s, Suspect)]
    assert set(suspect.channels) == {"ghi", "par"}
    assert suspect.mend is not None and not suspect.mend.proposed


def test_a_wind_that_does_not_move_with_its_gust_is_not_exchanged_with_it() -> None:
    still = 16.0 + np.random.default_rng(1).normal(0.0, 0.2, 1728)
    assert named(FAULT, meadow.case(12.0, 1, changed={"ws": still})) == []
