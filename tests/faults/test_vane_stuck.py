"""Vane that is stuck: windy hours in one arc; a whole head that freezes, frost and calm are something else."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Grade, Suspect, Untested
from tests.faults import showers
from tests.faults.planted import rehearsed

ID = "vane-stuck"
FROM = "2025-05-20T06:00"


def held(hours: float, arc: float = 0.0, centre: float = 200.0, **other: np.ndarray) -> dict[str, np.ndarray]:
    """Directions that keep to an arc, degrees, for so many hours."""
    time, values = showers.values()
    first = showers.at(time, FROM)
    rows = np.arange(first, min(first + round(hours * 6), len(time)))
    wd = values["wd"]
    wd[rows] = np.mod(centre + np.where(np.arange(len(rows)) % 2 == 0, arc / 2, -arc / 2), 360.0)
    return {"wd": wd, **other}


@pytest.mark.parametrize(
    ("hours", "arc", "listed"),
    [(3, 0.0, False), (6, 0.0, True), (48, 0.0, True), (48, 2.0, True), (48, 3.0, True), (48, 6.0, False)],
)
def test_how_long_and_how_still(hours: float, arc: float, listed: bool) -> None:
    assert (showers.odds(ID, showers.record(changed=held(hours, arc))) > 0) is listed


@pytest.mark.parametrize("centre", [0.0, 1.0, 90.0, 200.0, 359.0])
def test_direction_and_times(centre: float) -> None:
    found = showers.outcome(ID, showers.record(changed=held(30, 2.0, centre)))
    assert isinstance(found, Suspect)
    assert abs((found.evidence["direction_deg"] - centre + 180.0) % 360.0 - 180.0) <= 1.0
    begin = np.datetime64(FROM)
    assert found.onset[0] <= begin <= found.onset[1] <= begin + np.timedelta64(6, "h")
    assert abs(found.last - begin - np.timedelta64(30, "h")) <= np.timedelta64(1, "h")
    assert found.spoils == ("wd",)


def test_a_frozen_head_is_not_blamed_on_the_vane() -> None:
    made = showers.record(changed={**held(48), "ws": held_speed(48, 4.0)})
    assert isinstance(showers.outcome(ID, made), Cleared | Untested)


def held_speed(hours: float, speed: float) -> np.ndarray:
    time, values = showers.values()
    first = showers.at(time, FROM)
    ws = values["ws"]
    ws[first : first + round(hours * 6)] = speed
    return ws


def test_calm_holds_no_vane() -> None:
    """In calm the logger keeps the last angle: nothing is proved."""
    _, values = showers.values()
    made = showers.record(changed={**held(48), "ws": np.minimum(held_speed(48, 0.2), values["ws"])})
    assert showers.odds(ID, made) < 0


def test_ice_is_named_as_such() -> None:
    time, values = showers.values(warmth=-12.0)
    first = showers.at(time, FROM)
    wd = values["wd"]
    wd[first : first + 60] = 200.0  # ten hours
    rh = np.maximum(values["rh"], 96.0)
    icy = showers.record(changed={"wd": wd, "rh": rh}, warmth=-12.0)
    dry = showers.record(changed={"wd": wd, "rh": np.minimum(values["rh"], 60.0)}, warmth=-12.0)
    assert showers.odds(ID, icy) < 0 < showers.odds(ID, dry)


def test_needs_wind() -> None:
    got = showers.outcome(ID, showers.record(changed={**held(48), "ws": np.full(8640, 1.0)}))
    assert isinstance(got, Untested) and got.decidable_after == "4 h of wind"


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_planted_ones_are_found(grade: Grade, seed: int) -> None:
    out = rehearsed(showers.record(), ID, grade, seed)
    assert out is not None
    planted, diagnosis = out
    first = diagnosis.findings[0]
    assert first.fault.id == ID and first.log_odds > 2.2
    away = first.suspect.evidence["direction_deg"] - planted.evidence["direction_deg"]
    assert abs((away + 180.0) % 360.0 - 180.0) <= 1.5
    assert first.suspect.onset[0] <= planted.first <= first.suspect.onset[1]
