"""battery-failing: sag night by night; dips, cold, other voltages, too few nights."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Suspect, Untested
from qc.faults.battery_failing import _begin
from tests.faults import meadow
from tests.faults.said import named, outcomes, sane

FAULT = "battery-failing"


def sagging(final: float, nights: int, days: float = 20.0, times: float = 1.0) -> dict[str, np.ndarray]:
    case = meadow.case(days, 1)
    volts = meadow.weather(days, 1)[1]["batt"].copy()
    noon = case.solar_day - (case.solar_hour < 12.0)
    grown = np.clip((noon - (noon[-1] - nights)) / nights, 0.0, 1.0)
    depth = np.where(case.elevation < 0, np.clip(((case.solar_hour - 18.0) % 24.0) / 9.5, 0, 1), 0.0)
    return {"batt": np.round((volts - final * grown * depth) * times, 2)}


def test_evidence_onset_and_words() -> None:
    case = meadow.case(20.0, 1, changed=sagging(2.0, 8))
    (suspect,) = named(FAULT, case)
    sane(FAULT, suspect)
    assert suspect.evidence["night_sag_v"] == pytest.approx(
        2.0 * 6.5 / 8.0 * 0.79, rel=0.2
    )  # a fifth of it is there at dusk
    assert suspect.onset[0] >= case.last - np.timedelta64(10, "D")
    assert "chemistry is not declared" in suspect.summary
    assert suspect.go == "drive"


def test_days_left_are_told_where_it_falls() -> None:
    (suspect,) = named(FAULT, meadow.case(20.0, 1, changed=sagging(1.0, 8)))
    assert "days" in suspect.summary and "11.5 V in about" in suspect.summary


@pytest.mark.parametrize("times", [0.5, 2.0, 4.0])
def test_batteries_of_other_voltage(times: float) -> None:
    (suspect,) = named(FAULT, meadow.case(20.0, 1, changed=sagging(2.0, 8, times=times)))
    assert f"{12 * times:.0f} V lead battery" in suspect.summary


@pytest.mark.parametrize(("sag", "told"), [(0.15, False), (0.9, True)])
def test_the_least_rise(sag: float, told: bool) -> None:
    outcome = outcomes(FAULT, meadow.case(20.0, 1, changed=sagging(sag, 6)))[0]
    assert isinstance(outcome, Suspect if told else Cleared)


def test_dips_while_the_radio_sends_are_none() -> None:
    volts = meadow.weather(20.0, 1)[1]["batt"].copy()
    volts[1400::36] -= 2.0
    assert named(FAULT, meadow.case(20.0, 1, changed={"batt": volts})) == []


def test_a_sag_that_was_always_there_is_none() -> None:
    case = meadow.case(20.0, 1)
    depth = np.where(case.elevation < 0, np.clip(((case.solar_hour - 18.0) % 24.0) / 9.5, 0, 1), 0.0)
    volts = meadow.weather(20.0, 1)[1]["batt"] - 0.55 * depth  # as in the forest
    assert named(FAULT, meadow.case(20.0, 1, changed={"batt": np.round(volts, 2)})) == []


def test_one_bad_night_is_none() -> None:
    volts = meadow.weather(20.0, 1)[1]["batt"].copy()
    volts[144 * 15 - 20 : 144 * 15 + 20] -= 1.5
    assert named(FAULT, meadow.case(20.0, 1, changed={"batt": volts})) == []


def test_too_few_nights() -> None:
    (outcome,) = outcomes(FAULT, meadow.case(3.1, 1))
    assert isinstance(outcome, Untested) and outcome.decidable_after is not None


def test_without_charge_it_says_so() -> None:
    case = meadow.case(20.0, 1)
    day = (case.last - case.time) / np.timedelta64(1, "D")
    volts = np.where(day < 7.0, 12.5 - 0.16 * (7.0 - day), meadow.weather(20.0, 1)[1]["batt"])
    night = np.where((day < 7.0) & (case.elevation < 0), 0.5 * ((case.solar_hour - 18.0) % 24.0) / 9.5, 0.0)
    (suspect,) = named(FAULT, meadow.case(20.0, 1, changed={"batt": np.round(volts - night, 2)}))
    assert "look at panel, fuse and regulator" in suspect.summary


@pytest.mark.parametrize("times", [0.5, 2.0])
def test_a_sound_battery_of_other_voltage_is_none(times: float) -> None:
    volts = np.round(meadow.weather(20.0, 1)[1]["batt"] * times, 2)
    (outcome,) = outcomes(FAULT, meadow.case(20.0, 1, changed={"batt": volts}))
    assert isinstance(outcome, Cleared)


def test_a_rise_that_outgrows_the_few_nights_before_it() -> None:
    """Sags of fourteen nights, V: the later ones raise the usual of those before them, the first five do not."""
    sags = np.array([0.25, 0.26, 0.27, 0.28, 0.23, 0.38, 0.5, 0.64, 0.78, 0.89, 1.03, 1.16, 1.31, 1.43])
    start, usual = _begin(meadow.case(14.0, 1), sags, 1.0)
    assert start in (6, 7) and usual < 0.3
    assert _begin(meadow.case(14.0, 1), np.tile(sags[:5], 3), 1.0)[0] is None


def test_a_sound_fortnight_is_none() -> None:
    (outcome,) = outcomes(FAULT, meadow.case(14.0, 1))
    assert isinstance(outcome, Cleared)
