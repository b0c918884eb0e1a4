"""channels-swapped: unlike quantities within a day, like ones by order; onset; what is not decidable."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qc.case import Case
from qc.diagnosis import diagnose
from qc.faults import Suspect, channels_swapped, registry, unit_wrong
from qc.faults.unit_wrong.wind import _exchanged
from qc.mends import mended
from qc.physics import exchange
from qc.record import Record
from tests.faults import meadow
from tests.faults.dawn import healthy
from tests.faults.planted import unchecked
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


# ---- what tells an exchange where the look of one of the two does not


def test_one_that_suits_both_places_is_told_by_where_each_was_before() -> None:
    """A logger's temperature in the column of the wind looks like a storm; its wind like a cool enclosure."""
    case = meadow.case(12.0, 1, changed=swapped("ws", "t_log", 700))
    (suspect,) = named(FAULT, case)
    assert set(suspect.channels) == {"ws", "t_log"}
    assert next(c.weight for c in suspect.clues if c.name == "past") > 1.0


@pytest.mark.parametrize(("crossed", "at"), [(True, 700), (False, 700), (True, 699)])
def test_within_one_row_each_goes_on_where_the_other_stood(crossed: bool, at: int) -> None:
    """A dew point and a logger's temperature look alike in winter; only at the row of the exchange both leap."""
    case = meadow.case(12.0, 1)
    x, y = (case.values(next(c for c in case.channels if c.name == n)).copy() for n in ("t_log", "t_soil"))
    x += 8.0
    if crossed:
        x[700:], y[700:] = y[700:].copy(), x[700:].copy()
    else:
        x[700:] -= 20.0  # one of them alone
    known = exchange.pair(x, y, np.arange(1728) < 600, np.arange(1728) > 800)
    assert channels_swapped._crossed(case, x, y, known, at) is (crossed and at == 700)


@pytest.mark.parametrize(
    ("factor", "row", "first"),
    [
        (1 / 0.44704, 60, "unit-wrong"),
        (1 / 0.44704, 700, "unit-wrong"),
        (3.6, 60, "unit-wrong"),
        (3.6, 700, "unit-wrong"),
        (None, 700, "channels-swapped"),
    ],
)
def test_a_wind_in_another_unit_is_not_exchanged_with_its_gust(factor: float | None, row: int, first: str) -> None:
    """In light air a gust is more than twice its mean: a mean in miles an hour lies below it now and then."""
    _, found = meadow.weather(12.0, 1)
    calm = np.random.default_rng(7).random(1728) < 0.03
    gust = np.where(calm, np.round(3.0 * found["ws"] + 0.2, 2), found["gust"])
    ws = found["ws"].copy()
    if factor is None:
        ws[row:], gust[row:] = gust[row:].copy(), found["ws"][row:]
    else:
        ws[row:] = np.round(factor * ws[row:], 2)
    record = meadow.record(12.0, 1, changed={"ws": ws, "gust": gust})
    best = max(
        diagnose(unchecked(record), only=["channels-swapped", "unit-wrong"]).findings, key=lambda f: f.confidence
    )
    assert best.fault.id == first
    case = meadow.case(12.0, 1, changed={"ws": ws, "gust": gust})
    exchanges = [o for o in outcomes(FAULT, case) if isinstance(o, Suspect)]
    miles = [o for o in unit_wrong.test(case) if isinstance(o, Suspect) and o.evidence["unit_found"] == "mph"]
    if first == FAULT:
        assert any(c.name == "leap" for c in exchanges[0].clues) and not miles
    elif factor == 1 / 0.44704:
        assert not exchanges and miles


@pytest.mark.parametrize("offset", [-20.0, -35.0])
def test_a_temperature_with_an_offset_is_not_exchanged_with_the_dew_point(offset: float) -> None:
    record = healthy(days=14, channels=("air_temperature", "dew_point", "air_pressure", "wind_speed", "wind_gust"))
    table = record.tables["main"]
    x = table.channels["air_temperature"].values + np.where(np.arange(table.rows) < 900, 0.0, offset)
    channels = {**table.channels, "air_temperature": replace(table.channels["air_temperature"], values=x)}
    spoilt = replace(record, tables={"main": replace(table, channels=channels)})
    best = max(diagnose(unchecked(spoilt)).findings, key=lambda f: f.confidence)
    assert best.fault.id == "constants-wrong"


def test_one_of_two_that_goes_on_as_it_was_was_not_exchanged() -> None:
    """A humidity of 24 to 34 % day by day looks like a temperature, a temperature in Fahrenheit like a humidity."""
    _, found = meadow.weather(12.0, 1)
    t = np.where(np.arange(1728) < 500, found["t_air"], 1.8 * found["t_air"] + 32.0)
    rh = np.round(29.0 - 5.0 * np.cos(2.0 * np.pi * np.arange(1728) / 144.0), 1)
    assert not [s for s in named(FAULT, meadow.case(12.0, 1, changed={"t_air": t, "rh": rh})) if "t_air" in s.channels]


def in_kilojoules() -> Record:
    """Light in kJ/m2 of an hour: 3.6 for each W/m2."""
    record = meadow.record(20.0, 1, minutes=60)
    channels = [c.model_copy(update={"unit": "kJ/m2"}) if c.name == "ghi" else c for c in record.station.channel]
    return replace(record, station=record.station.model_copy(update={"channel": channels}))


def test_columns_of_other_units_are_read_with_the_units_of_their_new_places() -> None:
    record = in_kilojoules()
    table = record.tables["ten"]
    light, air = (table.channels[n].values for n in ("ghi", "t_air"))
    late = np.arange(table.rows) >= 200
    changed = {  # as the table is read: kilojoules as degrees, degrees as kilojoules
        "t_air": np.where(late, 3.6 * light, air), "ghi": np.where(late, air / 3.6, light),
    }  # fmt: skip
    spoilt = replace(record, tables={"ten": replace(table, channels={
        **table.channels, **{n: replace(table.channels[n], values=v) for n, v in changed.items()}
    })})  # fmt: skip
    (finding,) = [f for f in diagnose(unchecked(spoilt)).findings if f.fault.id == FAULT]
    assert set(finding.suspect.channels) == {"ghi", "t_air"}
    assert finding.suspect.mend is not None
    back = mended(spoilt, finding.suspect.mend).tables["ten"].channels
    np.testing.assert_allclose(back["ghi"].values, light, atol=1e-6)
    np.testing.assert_allclose(back["t_air"].values, air, atol=1e-6)


def test_what_does_not_look_like_itself_is_not_planted() -> None:
    """A panel in the polar night, a dead humidity: exchanged, no one could know them."""
    dead = {"rh": np.full(1728, 1.5) + 0.1 * (np.arange(1728) % 3)}
    for changed, able in ((dead, False), (None, True)):
        case = meadow.case(12.0, 1, names=("t_air", "rh", "p"), changed=changed)
        pairs = [registry()[FAULT].inject(case, "typical", np.random.default_rng(seed)) for seed in range(12)]
        assert any(p is not None and "rh" in p.channels for p in pairs) is able


def test_a_hot_thermometer_in_the_column_of_the_vane() -> None:
    """At 33 to 52 degC it suits neither column by its look: where each goes on tells."""
    hot = meadow.weather(12.0, 1)[1]["t_air"] + 32.0
    wd = meadow.weather(12.0, 1)[1]["wd"].copy()
    t = hot.copy()
    t[700:], wd[700:] = wd[700:].copy(), hot[700:]
    (suspect,) = named(FAULT, meadow.case(12.0, 1, changed={"t_air": t, "wd": wd}))
    assert set(suspect.channels) == {"t_air", "wd"}


def sign_of(case: Case, a: str, b: str) -> channels_swapped._Sign:
    one, other = (next(c for c in case.channels if c.name == n) for n in (a, b))
    none = np.zeros(12)
    return channels_swapped._Sign(one, other, none, none, none, none, "order")


def span_of(case: Case, row: int) -> channels_swapped._Stretch:
    onset = (case.time[row - 1], case.time[row])
    return channels_swapped._Stretch(row, case.rows - 1, onset, True, None, None, False)


@pytest.mark.parametrize(("share", "broken"), [(0.0, False), (0.001, False), (0.02, True)])
def test_no_gust_lies_below_its_mean_after_an_exchange(share: float, broken: bool) -> None:
    changed = swapped("ws", "gust", 700)
    odd = np.random.default_rng(5).random(1728) < share
    changed["gust"] = np.where(odd, 1.2 * changed["ws"] + 1.0, changed["gust"])
    case = meadow.case(12.0, 1, changed=changed)
    assert channels_swapped._broken(case, sign_of(case, "ws", "gust"), span_of(case, 700)) is broken


@pytest.mark.parametrize(("both", "low", "high"), [(True, -0.5, 2.0), (False, -4.0, -1.0)])
def test_both_must_leap(both: bool, low: float, high: float) -> None:
    changed = swapped("ws", "gust", 700) if both else {"ws": meadow.weather(12.0, 1)[1]["ws"].copy()}
    if not both:
        changed["ws"][700:] *= 3.6
    case = meadow.case(12.0, 1, changed=changed)
    clue = channels_swapped._leapt(case, sign_of(case, "ws", "gust"), span_of(case, 700).onset)
    assert clue is not None and low <= clue.weight <= high


def test_a_daily_course_is_no_wind_that_moves_with_its_gust() -> None:
    gust = meadow.weather(12.0, 1)[1]["gust"] + 0.5 * meadow.weather(12.0, 1)[1]["t_log"]
    case = meadow.case(12.0, 1, names=("ws", "gust", "t_log"), changed={"gust": gust})
    able, days = case.channels, channels_swapped._days(case)
    term = channels_swapped._Term("moves", 0, 1, "")
    sound = channels_swapped._fit(case, able, days, term, 0, 1)
    odd = channels_swapped._fit(case, able, days, term, 2, 1)
    assert np.median(sound) == 0.0
    assert np.mean(odd) < -0.2


@pytest.mark.parametrize(("factor", "exchanged"), [(1 / 0.44704, False), (None, True)])
def test_a_mean_that_never_falls_below_its_gust_is_none_in_miles(factor: float | None, exchanged: bool) -> None:
    _, found = meadow.weather(12.0, 1)
    calm = np.random.default_rng(7).random(1728) < 0.04
    gust = np.where(calm, 3.0 * found["ws"] + 0.2, found["gust"])
    ws = found["ws"].copy()
    if factor is None:
        ws[720:], gust[720:] = gust[720:].copy(), found["ws"][720:]
    else:
        ws[720:] *= factor
    case = meadow.case(12.0, 1, changed={"ws": ws, "gust": gust})
    channel = next(c for c in case.channels if c.name == "ws")
    reading = next(r for r in unit_wrong.readings(case, channel) if r.unit == "mph")
    days = np.unique(case.solar_day).astype(float)
    assert _exchanged(case, channel, ws, days, 6, reading) is exchanged


def test_glitches_of_the_supply_are_no_exchange_of_a_gust() -> None:
    """41 rows in which many channels jump and return: a wind still moves with its gust between them."""
    _, found = meadow.weather(24.0, 1)
    rng = np.random.default_rng(3)
    rows = rng.choice(np.arange(1200, 3400), 41, replace=False)
    changed = {n: found[n].copy() for n in ("ws", "t_air", "t_log", "rh", "p")}
    for name, size in (("ws", 14.0), ("t_air", 18.0), ("t_log", 18.0), ("rh", -40.0), ("p", 20.0)):
        changed[name][rows] += size
    assert named(FAULT, meadow.case(24.0, 1, changed=changed)) == []
    case = meadow.case(24.0, 1, names=("ws", "gust"), changed={"ws": changed["ws"]})
    term = channels_swapped._Term("moves", 0, 1, "")
    assert np.mean(channels_swapped._fit(case, case.channels, channels_swapped._days(case), term, 0, 1)) > -0.1
