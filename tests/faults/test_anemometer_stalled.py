"""Anemometer that stalls: sunny hours at the floor; nights, fog, frost and dead heads say nothing."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Grade, Suspect, Untested
from tests.faults import showers
from tests.faults.planted import rehearsed

ID = "anemometer-stalled"


def stopped(first: str, last: str, speed: float = 0.0) -> dict[str, np.ndarray]:
    """Cups that stand from one time to another."""
    time, values = showers.values()
    rows = (time >= np.datetime64(first)) & (time <= np.datetime64(last))
    return {c: np.where(rows, speed, values[c]) for c in ("ws", "gust")}


@pytest.mark.parametrize(
    ("first", "last", "listed"),
    [
        ("2025-05-20T20:30", "2025-05-21T04:00", False),  # a calm night
        ("2025-05-20T11:00", "2025-05-20T13:00", False),  # two hours at noon
        ("2025-05-20T07:00", "2025-05-20T17:00", True),
        ("2025-05-20T07:00", "2025-05-24T17:00", True),
    ],
)
def test_when_the_cups_stand(first: str, last: str, listed: bool) -> None:
    assert (showers.odds(ID, showers.record(changed=stopped(first, last))) > 0) is listed


def test_blocked_cups_tell_their_hours() -> None:
    found = showers.outcome(ID, showers.record(changed=stopped("2025-05-20T09:00", "2025-05-23T15:00")))
    assert isinstance(found, Suspect)
    assert found.evidence["hours"] == pytest.approx(78.0, abs=2.0)
    assert not np.isfinite(found.evidence["threshold_m_s"])
    assert found.onset[0] <= np.datetime64("2025-05-20T09:00") <= found.onset[1]
    assert found.spoils == ("ws", "gust")


@pytest.mark.parametrize("threshold", [3.0, 4.0])
def test_a_worn_bearing_tells_where_it_starts(threshold: float) -> None:
    time, values = showers.values()
    late = time >= np.datetime64("2025-05-25")
    changed = {}
    for c in ("ws", "gust"):
        passed = np.sqrt(np.maximum(values[c] ** 2 - threshold**2, 0.0))
        changed[c] = np.where(late, np.round(passed, 1), values[c])
    found = showers.outcome(ID, showers.record(changed=changed))
    assert isinstance(found, Suspect) and showers.odds(ID, showers.record(changed=changed)) > 0
    assert found.evidence["threshold_m_s"] == pytest.approx(threshold, abs=0.6)
    assert found.onset[0] <= np.datetime64("2025-05-25T12:00") <= found.onset[1] + np.timedelta64(12, "h")


def test_a_dead_head_is_not_the_bearing() -> None:
    """Zeros of speed with directions around north are a head that sends zeros (measured: roof)."""
    alive = stopped("2025-05-20T07:00", "2025-05-20T18:00", 0.05)
    time, values = showers.values()
    rows = (time >= np.datetime64("2025-05-20T07:00")) & (time <= np.datetime64("2025-05-20T18:00"))
    dead = np.where(rows, np.mod(np.arange(len(time)) * 7.3 % 16.0 - 8.0, 360.0), values["wd"])
    odds = [showers.odds(ID, showers.record(changed=c)) for c in (alive, {**alive, "wd": dead})]
    assert odds[0] > 0 > odds[1] and odds[0] - odds[1] > 3


def test_ice_and_fog_are_left_out() -> None:
    time, values = showers.values(warmth=-12.0)
    rows = (time >= np.datetime64("2025-05-20")) & (time <= np.datetime64("2025-05-25"))
    cups = {c: np.where(rows, 0.0, values[c]) for c in ("ws", "gust")}
    icy = showers.record(changed={**cups, "rh": np.where(rows, 97.0, values["rh"])}, warmth=-12.0)
    assert isinstance(showers.outcome(ID, icy), Cleared | Untested)
    time, values = showers.values()
    dark = {**stopped("2025-05-20", "2025-05-25"), "ghi": np.where(rows, 0.1, 1.0) * values["ghi"]}
    assert isinstance(showers.outcome(ID, showers.record(changed=dark)), Cleared)


def test_a_sheltered_place_has_no_past_to_differ_from() -> None:
    time, _ = showers.values()
    always = np.where(np.arange(len(time)) % 5 < 2, 0.1, 0.8)
    assert showers.odds(ID, showers.record(changed={"ws": always, "gust": always * 1.5})) < 0.5


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", [0, 1, 2, 3])
def test_planted_ones_are_found(grade: Grade, seed: int) -> None:
    out = rehearsed(showers.record(), ID, grade, seed)
    if out is None:
        pytest.skip("cannot be made there")
    planted, diagnosis = out
    first = diagnosis.findings[0]
    assert first.fault.id == ID and first.log_odds > 1.39
    assert first.suspect.onset[0] <= planted.first <= first.suspect.onset[1]
    truth = planted.evidence["threshold_m_s"]
    if np.isfinite(truth):
        assert first.suspect.evidence["threshold_m_s"] == pytest.approx(truth, abs=1.0)
    assert first.suspect.evidence["hours"] == pytest.approx(planted.evidence["hours"], rel=0.2)
