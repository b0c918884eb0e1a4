"""constants-wrong: jumps that stay, steps of a ratio; fronts, drift, tilt, twins that change."""

from __future__ import annotations

import numpy as np
import pytest

from qc.diagnosis import diagnose
from qc.faults import Cleared, Suspect, Untested, registry
from qc.limits import of_faults
from qc.logs import Logs, Visit
from qc.mends import mended
from tests.faults import meadow
from tests.faults.planted import unchecked
from tests.faults.said import named, outcomes, sane

FAULT = "constants-wrong"


def stepped(
    name: str, row: int, factor: float = 1.0, offset: float = 0.0, last: int | None = None
) -> dict[str, np.ndarray]:
    x = meadow.weather(24.0, 1)[1][name].copy()
    x[row:last] = np.round(x[row:last] * factor + offset, 2)
    return {name: x}


@pytest.mark.parametrize(("name", "offset"), [("p", 12.0), ("p", -40.0), ("t_air", 15.0), ("t_soil", -6.0)])
def test_an_offset(name: str, offset: float) -> None:
    case = meadow.case(24.0, 1, changed=stepped(name, 1500, offset=offset))
    (suspect,) = named(FAULT, case)
    sane(FAULT, suspect)
    assert suspect.channels == (name,)
    assert suspect.evidence["offset"] == pytest.approx(offset, rel=0.1)
    assert suspect.onset == (case.time[1499], case.time[1500])


@pytest.mark.parametrize(("name", "factor"), [("ghi", 1.3), ("ghi", 0.75), ("par", 1.4)])
def test_a_factor_of_irradiance(name: str, factor: float) -> None:
    case = meadow.case(24.0, 1, changed=stepped(name, 1500, factor=factor))
    found = named(FAULT, case)
    assert [s.channels for s in found] == [(name,)]
    assert found[0].evidence["factor"] == pytest.approx(factor, rel=0.03)
    assert found[0].onset[0] <= case.time[1500] <= found[0].onset[1] + np.timedelta64(6, "h")


@pytest.mark.parametrize(("share", "told"), [(0.9, False), (1.3, True)])
def test_the_least_jump_of_pressure(share: float, told: bool) -> None:
    least = of_faults().number(FAULT, "air-pressure-jump", 600.0)
    outcome = outcomes(FAULT, meadow.case(24.0, 1, changed=stepped("p", 1500, offset=least * share)), "p")[0]
    assert isinstance(outcome, Suspect if told else Cleared)


def test_an_offset_that_was_taken_back_ends() -> None:
    case = meadow.case(24.0, 1, changed=stepped("p", 1500, offset=20.0, last=2000))
    (suspect,) = named(FAULT, case)
    assert suspect.last == case.time[1999]
    assert suspect.mend is not None and suspect.mend.last == case.time[1999]


@pytest.mark.parametrize(("name", "factor", "offset"), [("p", 1.0, 45.0), ("ghi", 1.4, 0.0)])
def test_the_mend_takes_nine_tenths_of_it_out(name: str, factor: float, offset: float) -> None:
    changed = stepped(name, 1500, factor, offset)
    truth = meadow.weather(24.0, 1)[1][name]
    (suspect,) = named(FAULT, meadow.case(24.0, 1, changed=changed))
    assert suspect.mend is not None and suspect.mend.proposed
    back = mended(meadow.record(24.0, 1, changed=changed), suspect.mend).tables["ten"].channels[name].values
    assert np.abs(back - truth).sum() <= 0.1 * np.abs(changed[name] - truth).sum()


def test_a_front_moves_humidity_too_and_passes() -> None:
    changed = stepped("t_air", 1500, offset=-9.0, last=1560) | stepped("rh", 1500, offset=15.0, last=1560)
    assert named(FAULT, meadow.case(24.0, 1, changed=changed)) == []


def test_a_drift_is_none() -> None:
    x = meadow.weather(24.0, 1)[1]["p"] + np.linspace(0.0, 12.0, 3456)
    assert named(FAULT, meadow.case(24.0, 1, changed={"p": np.round(x, 2)})) == []


@pytest.mark.parametrize(
    ("factor", "level", "begin"), [(0.7, 0.0, 0), (0.7, 0.12, 1500), (0.84, 0.0, 1500), (0.8, 0.0, 0)]
)
def test_days_at_the_level_of_the_partner_after_a_step_are_the_mend(factor: float, level: float, begin: int) -> None:
    """Global stands low until a row: beside PAR the days after it are right. Where those are not (a ratio of e^0.12),
    or where the days before are hardly off (less than e^-0.2), it is told as a step like any other."""
    x = meadow.weather(24.0, 1)[1]["ghi"].copy()
    x[:1500] *= factor
    case = meadow.case(24.0, 1, changed={"ghi": np.round(x * np.exp(level), 1)})
    (suspect,) = named(FAULT, case)
    sane(FAULT, suspect)
    if begin:
        assert suspect.evidence["factor"] == pytest.approx(1.0 / factor, rel=0.03)
        assert suspect.last == case.last and suspect.mend is not None and suspect.mend.last is None
    else:
        assert suspect.evidence["factor"] == pytest.approx(factor, rel=0.03)
        assert suspect.onset == (case.first, case.first)
        assert abs(suspect.last - case.time[1499]) < np.timedelta64(6, "h")
        assert suspect.mend is not None and suspect.mend.last == suspect.last


def test_a_single_day_the_other_way_does_not_end_it() -> None:
    for days, ended in ((1, False), (3, True)):
        x = meadow.weather(24.0, 1)[1]["ghi"].copy()
        x[1500:] *= 0.7
        x[144 * 17 : 144 * (17 + days)] /= 0.7
        (suspect,) = named(FAULT, meadow.case(24.0, 1, changed={"ghi": np.round(x, 1)}))
        assert (suspect.mend is not None and suspect.mend.last is not None) is ended
        assert suspect.onset[0] <= suspect.first <= suspect.last


def test_its_picture_shows_the_days_with_the_factor() -> None:
    x = meadow.weather(24.0, 1)[1]["ghi"].copy()
    x[: 144 * 10] *= 0.7
    case = meadow.case(24.0, 1, changed={"ghi": np.round(x, 1)})
    (suspect,) = named(FAULT, case)
    (axes,) = registry()[FAULT].picture(case, suspect).axes
    lines = {line.get_label(): line.get_ydata() for line in axes.get_lines()}
    assert len(lines["with the factor"]) == 10 and np.allclose(lines["with the factor"], 0.7, atol=0.03)
    assert len(lines["other days"]) == 14


def test_a_tilt_changes_morning_and_afternoon_against_each_other() -> None:
    case = meadow.case(24.0, 1)
    x = meadow.weather(24.0, 1)[1]["ghi"].copy()
    x[1500:] *= np.where(case.solar_hour < 12.0, 0.6, 1.25)[1500:]
    assert named(FAULT, meadow.case(24.0, 1, changed={"ghi": np.round(x, 1)})) == []


def test_the_one_that_changed_is_blamed_and_not_its_partner() -> None:
    case = meadow.case(24.0, 1, changed=stepped("par", 1500, factor=1.5))
    (other,) = outcomes(FAULT, case, "ghi")
    assert isinstance(other, Cleared)


def test_too_few_days_of_light() -> None:
    (outcome,) = outcomes(FAULT, meadow.case(4.0, 1), "ghi")
    assert isinstance(outcome, Untested) and outcome.decidable_after is not None


def test_a_step_within_the_scatter_is_none() -> None:
    (outcome,) = outcomes(FAULT, meadow.case(24.0, 1, changed=stepped("ghi", 1500, factor=1.03)), "ghi")
    assert isinstance(outcome, Cleared)


def test_a_temperature_that_turns_back_within_the_day_is_weather() -> None:
    changed = stepped("t_air", 1500, offset=-9.0, last=1545)
    (outcome,) = outcomes(FAULT, meadow.case(24.0, 1, changed=changed), "t_air")
    assert isinstance(outcome, Cleared)


def visited(effect: str, row: int = 1500) -> Logs:
    at = meadow.case(40.0, 1).time[row]
    return Logs(visits=(Visit(1, at, at + np.timedelta64(1, "h"), ("ghi",), effect, "new sensor"),))


@pytest.mark.parametrize(("effect", "weight"), [("", -2.0), ("cleaned", -2.0), ("replaced", 0.0)])
def test_a_pyranometer_comes_before_its_constants_unless_the_log_tells(effect: str, weight: float) -> None:
    case = meadow.case(24.0, 1, changed=stepped("ghi", 1500, factor=1.3), logs=visited(effect) if effect else Logs())
    (suspect,) = named(FAULT, case)
    clue = next(c for c in suspect.clues if c.name == "sensor or program")
    assert clue.weight == weight
    assert suspect.rivals["pyranometer-scale"] == pytest.approx(suspect.log_odds - weight)


@pytest.mark.parametrize(("effect", "first"), [("", "pyranometer-scale"), ("replaced", "constants-wrong")])
def test_both_stand_beside_each_other(effect: str, first: str) -> None:
    x = meadow.weather(40.0, 1)[1]["ghi"].copy()
    x[2500:] = np.round(1.3 * x[2500:], 1)
    record = meadow.record(40.0, 1, changed={"ghi": x}, logs=visited(effect, 2500) if effect else Logs())
    found = diagnose(unchecked(record), only=["constants-wrong", "pyranometer-scale"]).findings
    best = max(found, key=lambda f: f.confidence)
    assert best.fault.id == first
    other = ({"pyranometer-scale", "constants-wrong"} - {first}).pop()
    assert next(r.confidence for r in best.rivals if r.fault == other) >= 0.1


def test_global_irradiance_is_not_planted() -> None:
    """Its factor is what pyranometer-scale plants: no log, no difference."""
    case = meadow.case(24.0, 1, names=("ghi", "par"))
    for seed in range(12):
        injection = registry()[FAULT].inject(case, "typical", np.random.default_rng(seed))
        assert injection is not None and injection.channels == ("par",)


def test_a_jump_of_the_soil_needs_no_cool_day_after_it() -> None:
    """The day after was as much warmer: the median of the day hardly moves, but no soil falls by 5 K in a row."""
    x = meadow.weather(24.0, 1)[1]["t_soil"].copy()
    warmer = np.clip((np.arange(3456) - 1500) / 20.0, 0.0, 4.5)
    x[1500:] += np.round(warmer[1500:] - 5.5, 2)
    (suspect,) = named(FAULT, meadow.case(24.0, 1, changed={"t_soil": x}))
    assert suspect.evidence["offset"] == pytest.approx(-5.5, abs=0.3)


def test_a_warmer_day_is_taken_off_where_another_temperature_had_it_too() -> None:
    warmer = np.clip((np.arange(3456) - 1500) / 30.0, 0.0, 9.0) * (np.arange(3456) >= 1500)
    found = meadow.weather(24.0, 1)[1]
    changed = {n: np.round(found[n] + warmer, 2) for n in ("t_air", "t_log")}
    assert named(FAULT, meadow.case(24.0, 1, changed=dict(changed))) == []
    changed["t_air"] = np.round(changed["t_air"] - 11.0 * (np.arange(3456) >= 1500), 2)
    (suspect,) = named(FAULT, meadow.case(24.0, 1, changed=changed))
    assert suspect.channels == ("t_air",)


@pytest.mark.parametrize(
    ("offset", "others", "weight"), [(3.3, ["rh"], -3.0), (30.0, ["rh"], 0.0), (30.0, ["rh", "ws"], -3.0)]
)
def test_one_other_channel_that_moves_by_chance_is_no_front(offset: float, others: list[str], weight: float) -> None:
    changed = stepped("p", 1500, offset=offset)
    for name, size in zip(others, (30.0, 12.0), strict=False):
        changed |= {name: np.clip(stepped(name, 1500, offset=size, last=1501)[name], 0.0, 100.0)}
    suspect = next(o for o in outcomes(FAULT, meadow.case(24.0, 1, changed=changed), "p") if isinstance(o, Suspect))
    assert next(c for c in suspect.clues if c.name == "others").weight == pytest.approx(weight, abs=0.4)


def test_a_pressure_that_jumped_is_no_height() -> None:
    """Near the sea: what stands 20 hPa lower from one row on is kept from the tests of site facts."""
    record = meadow.record(24.0, 1, changed=stepped("p", 800, offset=-22.0))
    found = diagnose(unchecked(record)).findings
    assert found[0].fault.id == FAULT
    assert not [f for f in found if f.fault.id in ("site-facts", "barometer-reduced")]


def test_a_factor_is_planted_only_where_there_is_light_on_both_sides() -> None:
    time, found = meadow.weather(24.0, 1)
    night = {n: np.where(np.arange(3456) < 144 * 19, 0.0, found[n]) for n in ("ghi", "par")}
    for changed, able in ((None, True), (night, False)):
        case = meadow.case(24.0, 1, names=("ghi", "par"), changed=changed)
        got = registry()[FAULT].inject(case, "gross", np.random.default_rng(1))
        assert (got is not None) is able
        if got is not None:
            assert np.datetime64("2025-05-04") <= got.first <= np.datetime64("2025-05-22")
    del time


def test_nothing_is_planted_on_what_the_chain_condemned() -> None:
    from qc import chain
    from qc.diagnosis import case_of
    from qc.run import limits_of

    for extra, able in ((0.0, True), (80.0, False)):
        hot = meadow.weather(12.0, 1)[1]["t_air"] + extra
        record = meadow.record(12.0, 1, names=("t_air", "rh"), changed={"t_air": hot})
        seen = case_of(chain.run(record, limits_of(record.station)), "ten")
        assert (registry()[FAULT].inject(seen, "gross", np.random.default_rng(1)) is not None) is able


def test_what_jumps_to_the_numbers_of_another_column_has_no_wrong_constant() -> None:
    """A pressure in the thermometer's column: 970 K is a jump that stays, but no constant copies."""
    _, found = meadow.weather(24.0, 1)
    t = found["t_air"].copy()
    t[3000:] = found["p"][3000:]
    (outcome,) = outcomes(FAULT, meadow.case(24.0, 1, changed={"t_air": t}), "t_air")
    assert isinstance(outcome, Cleared) and "numbers of p" in outcome.why
    t[3000:] += np.random.default_rng(1).normal(0.0, 0.1, len(t) - 3000)
    assert isinstance(outcomes(FAULT, meadow.case(24.0, 1, changed={"t_air": t}), "t_air")[0], Suspect)
