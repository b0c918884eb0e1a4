"""supply-disturbed: jumps of many channels for one row; fronts, single spikes, clouds are none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qc import chain
from qc.diagnosis import case_of, diagnose
from qc.faults import Cleared, Suspect, Untested
from qc.run import limits_of
from tests.bench.invented import made
from tests.faults import meadow
from tests.faults.planted import unchecked
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


NOON, MIDNIGHT = ([36 + hour + 144 * k for k in range(1, 10)] for hour in (36, -36))
"""Rows of 10 min, of nine days, at 12 and 0 UTC."""
CLOUD = {"ghi": -900.0, "par": -1800.0}
"""More than twice the jumps that the clouds of this weather make."""


def leaping(sizes: dict[str, float], rows: list[int]) -> dict[str, np.ndarray]:
    _, found = meadow.weather(12.0, 1)
    out = {n: found[n].copy() for n in sizes}
    for name, size in sizes.items():
        out[name][rows] += size
    return out


@pytest.mark.parametrize(
    ("sizes", "rows", "told"),
    [
        (CLOUD | {"t_log": -7.0}, NOON, False),  # a cloud, and the box cools under it
        (CLOUD | {"t_log": -7.0}, MIDNIGHT, True),  # no cloud does that
        (CLOUD | {"batt": -0.6, "rh": 25.0}, NOON, False),  # it charges less meanwhile
        (CLOUD | {"t_log": -7.0, "t_soil": -2.0}, NOON, False),
        (CLOUD | {"t_log": 7.0, "t_soil": -2.0}, NOON, True),  # warmer under a cloud: no weather
        (CLOUD | {"t_soil": 2.0, "p": 3.0}, NOON, True),  # the light is one, the soil and the barometer are two more
    ],
)
def test_what_sees_one_sun_is_one_witness(sizes: dict[str, float], rows: list[int], told: bool) -> None:
    assert bool(named(FAULT, meadow.case(12.0, 1, changed=leaping(sizes, rows)))) == told


@pytest.mark.parametrize("names", [("t_air", "ws", "t_log", "rh"), ("t_air", "ws", "t_log", "rh", "ghi")])
@pytest.mark.parametrize(("rows", "told"), [(NOON, False), (MIDNIGHT, True)])
def test_by_day_the_box_is_calm_only_against_the_light(names: tuple[str, ...], rows: list[int], told: bool) -> None:
    """A squall: a cloud too small to count as a jump, or seen by no sensor, and air, wind and box after it."""
    changed = leaping({"t_air": -5.0, "ws": 12.0, "t_log": -7.0}, rows)
    if "ghi" in names:
        _, found = meadow.weather(12.0, 1)
        changed["ghi"] = found["ghi"].copy()
        changed["ghi"][rows] = (found["ghi"][np.subtract(rows, 1)] + found["ghi"][np.add(rows, 1)]) / 2.0 - 5.0
    case = meadow.case(12.0, 1, names=names, changed=changed)
    assert bool(named(FAULT, case)) == told


def test_a_cloud_over_a_desert_station_disturbs_no_supply() -> None:
    """As an invented year has it: one dense cloud in a clear sky, on each of nine days, and the box 0.22 K cooler."""
    record = made("A-desert", 12, seed=5).record()
    ((name, table),) = record.tables.items()
    case, box = case_of(unchecked(record), name), table.channels["tlog"].values
    days = np.unique(case.solar_day)[2:11]
    rows = np.array([int(np.argmax(np.where(case.solar_day == d, box, -90.0))) for d in days])
    assert (case.elevation[rows] > 20.0).all()
    channels = dict(table.channels)
    for channel, inside in (("ghi", 0.42), ("dni", 0.3), ("par", 0.42), ("tlog", 1.0)):
        x = channels[channel].values.copy()
        x[rows] = inside * (x[rows - 1] + x[rows + 1]) / 2.0 - (0.22 if channel == "tlog" else 0.0)
        channels[channel] = replace(channels[channel], values=np.round(x, 2))
    spoilt = replace(record, tables={name: replace(table, channels=channels)})
    assert FAULT not in [f.fault.id for f in diagnose(chain.run(spoilt, limits_of(record.station))).findings]
