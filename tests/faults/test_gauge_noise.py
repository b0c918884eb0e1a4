"""Gauge that counts without rain: tips in dry, sunny air; visits, drips, thaw and sprinklers are something else."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Grade, Suspect, Untested
from qc.logs import Logs, Visit
from tests.faults import showers
from tests.faults.planted import rehearsed

ID = "gauge-noise"
NOONS = [f"2025-05-{day:02}T13:10" for day in (4, 8, 12, 16, 21, 25, 28)]


def dry_noons(record: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Every afternoon dry and sunny enough for the test."""
    return {**record, "rh": np.minimum(record["rh"], 45.0)}


def tipped(moments: list[str], tips: int = 1, rows: int = 1) -> dict[str, np.ndarray]:
    time, values = showers.values(every_h=0.0)
    rain = values["rain"]
    for moment in moments:
        at = showers.at(time, moment)
        rain[at : at + rows] = tips * showers.TIP
    return {"rain": rain, "rh": np.minimum(values["rh"], 45.0)}


@pytest.mark.parametrize(("occasions", "listed"), [(0, False), (1, False), (2, False), (3, True), (7, True)])
def test_how_many_days(occasions: int, listed: bool) -> None:
    made = showers.record(changed=tipped(NOONS[:occasions]), every_h=0.0)
    assert (showers.odds(ID, made) > 0) is listed


def test_tips_and_times() -> None:
    found = showers.outcome(ID, showers.record(changed=tipped(NOONS, 2), every_h=0.0))
    assert isinstance(found, Suspect)
    assert found.evidence["tips"] == 14
    assert found.onset[0] <= np.datetime64(NOONS[0]) <= found.onset[1]
    assert np.datetime64(NOONS[-1]) <= found.last <= np.datetime64(NOONS[-1]) + np.timedelta64(20, "m")


@pytest.mark.parametrize(
    ("humidity", "sunny", "seen"), [(49.0, False, True), (51.0, False, False), (59.0, True, True), (61.0, True, False)]
)
def test_how_dry(humidity: float, sunny: bool, seen: bool) -> None:
    """A hygrometer that reaches 100 %: below 50 % at any hour, below 60 % under a bright sun."""
    time, _ = showers.values(every_h=0.0)
    moments = NOONS if sunny else [m.replace("T13", "T01") for m in NOONS]
    changed = tipped(moments)
    rh = np.where(np.arange(len(time)) % 40 < 4, 100.0, humidity)  # so that its highest is 100 %
    for moment in moments:
        at = showers.at(time, moment)
        rh[at - 12 : at + 12] = humidity
    made = showers.record(changed={**changed, "rh": rh}, every_h=0.0)
    found = showers.outcome(ID, made)
    assert isinstance(found, Suspect) is seen


def test_visits_are_tests_of_the_gauge() -> None:
    visits = tuple(
        Visit(n, t - np.timedelta64(20, "m"), t + np.timedelta64(20, "m"), ("rain",), "cleaned", "")
        for n, t in enumerate(np.array(NOONS, "datetime64[us]"))
    )
    logs = Logs(visits=visits)
    changed = tipped(NOONS)
    assert isinstance(showers.outcome(ID, showers.record(changed=changed, every_h=0.0, logs=logs)), Cleared)
    assert isinstance(showers.outcome(ID, showers.record(changed=changed, every_h=0.0)), Suspect)


def test_a_sprinkler_comes_at_one_hour_and_lasts() -> None:
    water = tipped(NOONS, 3, rows=4)
    assert showers.odds(ID, showers.record(changed=water, every_h=0.0)) < 0


def test_thaw_in_the_sun() -> None:
    made = showers.record(changed=tipped(NOONS), every_h=0.0, warmth=3.0)
    assert isinstance(showers.outcome(ID, made), Untested | Cleared)


def test_a_drip_after_rain_is_none() -> None:
    time, values = showers.values(every_h=0.0)
    rain, rh = values["rain"], np.minimum(values["rh"], 45.0)
    for moment in NOONS:
        at = showers.at(time, moment)
        rh[at - 36 : at - 6], rain[at - 36 : at - 6] = 98.0, 0.4  # five hours of rain until noon
        rain[at - 6 : at + 12] = 0.2
    assert isinstance(showers.outcome(ID, showers.record(changed={"rain": rain, "rh": rh}, every_h=0.0)), Cleared)


def test_humid_places_are_not_tested() -> None:
    _, values = showers.values()
    made = showers.record(changed={"rh": np.maximum(values["rh"], 85.0)})
    got = showers.outcome(ID, made)
    assert isinstance(got, Untested) and got.decidable_after == "30 h of dry sunshine"


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_planted_ones_are_found(grade: Grade, seed: int) -> None:
    out = rehearsed(showers.record(), ID, grade, seed)
    assert out is not None
    planted, diagnosis = out
    first = diagnosis.findings[0]
    assert first.fault.id == ID and first.log_odds > 1.39
    assert first.suspect.evidence["tips"] == pytest.approx(planted.evidence["tips"], rel=0.1, abs=1)
    assert first.suspect.onset[0] <= planted.first <= first.suspect.onset[1]
