"""channel-open: rails, noise, dead by day; the bound; scales, units, snow and twins are none."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Suspect, Untested
from qc.limits import of_faults
from tests.faults import meadow
from tests.faults.said import named, outcomes, sane

FAULT = "channel-open"


def put(name: str, row: int, values: object, count: int | None = None) -> dict[str, np.ndarray]:
    _, found = meadow.weather(12.0, 1)
    x = found[name].copy()
    x[row : None if count is None else row + count] = values
    return {name: x}


@pytest.mark.parametrize(
    ("name", "level"),
    [("t_air", 6553.5), ("t_air", -99.0), ("rh", 0.0), ("p", 1400.0), ("t_soil", 90.0), ("ghi", -150.0)],
)
def test_six_hours_at_a_rail_are_found(name: str, level: float) -> None:
    case = meadow.case(12.0, 1, changed=put(name, 700, level, 36))
    (suspect,) = named(FAULT, case)
    sane(FAULT, suspect)
    assert suspect.channels == (name,) and suspect.spoils == (name,)
    assert suspect.evidence["level"] == pytest.approx(level)
    assert suspect.onset == (case.time[699], case.time[700])


@pytest.mark.parametrize(("rows", "told"), [(5, False), (6, True), (7, True)])
def test_the_least_number_of_values(rows: int, told: bool) -> None:
    outcome = outcomes(FAULT, meadow.case(12.0, 1, changed=put("t_air", 700, 80.0, rows)), "t_air")[0]
    assert isinstance(outcome, Suspect if told else Cleared)


@pytest.mark.parametrize(
    ("name", "key", "beyond"),
    [
        ("t_air", "air-temperature-high", 0.01),
        ("t_air", "air-temperature-low", -0.01),
        ("rh", "relative-humidity-high", 0.1),
    ],
)
def test_on_the_edge_is_possible(name: str, key: str, beyond: float) -> None:
    edge = of_faults().number(FAULT, key)
    assert isinstance(outcomes(FAULT, meadow.case(12.0, 1, changed=put(name, 700, edge, 40)), name)[0], Cleared)
    over = outcomes(FAULT, meadow.case(12.0, 1, changed=put(name, 700, edge + beyond, 40)), name)[0]
    assert isinstance(over, Suspect)


def test_noise_without_any_course() -> None:
    rng = np.random.default_rng(2)
    noise = put("rh", 700, np.clip(rng.normal(50.0, 30.0, 1028), 0.0, 100.0))
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=noise))
    assert suspect.channels == ("rh",)
    assert suspect.evidence["level"] == pytest.approx(50.0, abs=5.0)


def test_a_pyranometer_that_sees_nothing() -> None:
    rng = np.random.default_rng(2)
    dead = put("ghi", 700, rng.normal(0.0, 0.3, 1028))
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed=dead))
    assert suspect.channels == ("ghi",)
    light = next(c for c in suspect.clues if c.name == "light")
    assert light.log_odds > 0 and "others show" in light.said


def test_snow_on_the_domes_is_none() -> None:
    dark = put("ghi", 700, 1.0, 144 * 3) | put("par", 700, 1.0, 144 * 3)
    _, found = meadow.weather(12.0, 1)
    cold = {"t_air": found["t_air"] - 20.0}
    assert named(FAULT, meadow.case(12.0, 1, changed=dark | cold)) == []


def test_another_unit_is_none() -> None:
    _, found = meadow.weather(12.0, 1)
    hot = {"t_air": found["t_air"] * 1.8 + 62.0}  # smooth, with the day's course
    assert named(FAULT, meadow.case(12.0, 1, changed=hot)) == []


def test_the_sound_one_of_a_pair_is_not_blamed() -> None:
    rng = np.random.default_rng(2)
    bad = put("t_air", 0, rng.normal(40.0, 25.0, 1728))
    case = meadow.case(12.0, 1, names=(*meadow.CHANNELS, "t_air_2", "rh_2"), changed=bad)
    found = named(FAULT, case)
    assert [s.channels for s in found] == [("t_air",)]
    assert found[0].onset == (case.first, case.first)


def test_a_few_wild_values_among_many_and_a_twin() -> None:
    _, found = meadow.weather(12.0, 1)
    rng = np.random.default_rng(2)
    x = found["t_air"] + 8.0 * np.abs(rng.normal(0.0, 1.0, 1728))
    x[rng.choice(1728, 60, replace=False)] = rng.uniform(65.0, 140.0, 60)
    case = meadow.case(12.0, 1, names=(*meadow.CHANNELS, "t_air_2"), changed={"t_air": np.round(x, 2)})
    (suspect,) = named(FAULT, case)
    assert suspect.channels == ("t_air",)
    assert suspect.onset[0] == case.first, "nobody knows when it began"


@pytest.mark.parametrize("factor", [-1.0, 0.001, 3.0])
def test_what_follows_the_sun_has_a_sensor(factor: float) -> None:
    """A wrong sign or scale: the values cannot be, yet they rise and fall with the sun."""
    _, found = meadow.weather(12.0, 1)
    assert named(FAULT, meadow.case(12.0, 1, changed={"ghi": found["ghi"] * factor})) == []


def test_light_at_other_hours_has_a_sensor() -> None:
    """Wrong coordinates: hundreds of watts at night, but days that rise from the dark and fall back into it."""
    from qc.diagnosis import WITHHELD, score
    from qc.faults import registry

    _, found = meadow.weather(12.0, 1)
    case = meadow.case(12.0, 1, changed={"ghi": np.roll(found["ghi"], 38)})
    for one in outcomes(FAULT, case, "ghi"):
        assert isinstance(one, Suspect)
        assert any("those of light" in clue.said for clue in one.clues)
        assert score(registry()[FAULT], one, case) < min(0.0, WITHHELD[FAULT])


def test_what_moves_with_its_twin_is_no_open_input() -> None:
    """40 K too high: no air is so, but it moves as the thermometer beside it does."""
    names = (*meadow.CHANNELS, "t_air_2")
    rng = np.random.default_rng(3)
    for extra, alive in (
        (meadow.weather(12.0, 1)[1]["t_air"][700:] + 55.0, True),
        (75.0 + rng.normal(0, 1.5, 1028), False),
    ):
        case = meadow.case(12.0, 1, names=names, changed=put("t_air", 700, extra))
        suspect = next(o for o in outcomes(FAULT, case, "t_air") if isinstance(o, Suspect))
        twin = next(c for c in suspect.clues if c.name == "twin")
        assert (twin.weight == -4.0) is alive


@pytest.mark.parametrize(("moves", "told"), [(0, True), (2, True), (3, False), (20, False)])
def test_what_shows_the_numbers_of_another_is_not_told(moves: int, told: bool) -> None:
    """Six hours of the pressure in the thermometer's column, with some changes; two that rest at one number do not
    move."""
    _, found = meadow.weather(12.0, 1)
    p = found["p"].copy()
    p[700:736] = 977.0 + 0.01 * np.minimum(np.arange(36), moves)
    case = meadow.case(12.0, 1, changed={"p": p} | put("t_air", 700, p[700:736], 36))
    (outcome,) = outcomes(FAULT, case, "t_air")
    assert isinstance(outcome, Suspect) is told
    if not told:
        assert isinstance(outcome, Untested) and "moves as p does" in outcome.why


def test_a_dead_input_that_twitches_beside_a_night_without_light_is_open() -> None:
    _, found = meadow.weather(12.0, 1)
    dark = slice(720, 745)  # midnight to four
    zero, rh = found["ghi"].copy(), np.zeros(25)
    zero[dark] = 0.0
    rh[12] = 0.2
    case = meadow.case(12.0, 1, changed={"ghi": zero} | put("rh", 720, rh, 25))
    assert [s.channels for s in named(FAULT, case)] == [("rh",)]


def test_two_that_float_together_are_open() -> None:
    noise = np.round(np.random.default_rng(2).normal(85.0, 5.0, 72), 2)
    case = meadow.case(12.0, 1, changed=put("t_air", 700, noise, 72) | put("t_soil", 700, noise, 72))
    assert {s.channels for s in named(FAULT, case)} == {("t_air",), ("t_soil",)}


@pytest.mark.parametrize("back", [0, 144])
def test_an_exchange_is_no_open_input_from_its_first_hours_on(back: int) -> None:
    """Humidity and irradiance from noon to the end of a day; then the humidity alone, with the light of the day before
    in its place: nothing tells where that comes from."""
    _, found = meadow.weather(12.0, 1)
    rows = slice(144 * 8 + 68, 144 * 9)
    rh, ghi = found["rh"].copy(), found["ghi"].copy()
    rh[rows] = found["ghi"][rows.start - back : rows.stop - back]
    if not back:
        ghi[rows] = found["rh"][rows]
    cut = {n: np.where(np.arange(len(x)) < rows.stop, x, np.nan) for n, x in (found | {"rh": rh, "ghi": ghi}).items()}
    (outcome,) = outcomes(FAULT, meadow.case(12.0, 1, changed=cut), "rh")
    if back:
        assert isinstance(outcome, Suspect)
    else:
        assert isinstance(outcome, Cleared) and "lies where ghi lay before" in outcome.why
