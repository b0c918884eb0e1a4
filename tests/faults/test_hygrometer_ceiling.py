"""Hygrometer with a low ceiling: long liquid rains decide, frost and dry air never do."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Grade, Suspect, Untested
from tests.faults import showers
from tests.faults.planted import rehearsed
from tests.shared import shared

ID = "hygrometer-ceiling"


def capped(ceiling: float, since: str = "2025-04-01", **weather: float) -> Suspect | Cleared | Untested:
    time, values = showers.values(**weather)
    rh = np.where(time >= np.datetime64(since, "us"), np.minimum(values["rh"], ceiling), values["rh"])
    return showers.outcome(ID, showers.record(changed={"rh": rh}, **weather))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("ceiling", "listed"), [(99.0, False), (94.0, False), (93.0, False), (91.0, True), (90.0, True), (84.0, True)]
)
def test_how_low(ceiling: float, listed: bool) -> None:
    _, values = showers.values()
    made = showers.record(changed={"rh": np.minimum(values["rh"], ceiling)})
    assert (showers.odds(ID, made) > 0) is listed


def test_evidence_and_begin() -> None:
    found = capped(88.0, "2025-05-25T03:00")
    assert isinstance(found, Suspect)
    assert found.evidence["ceiling_percent"] == pytest.approx(88.0, abs=0.2)
    assert found.onset[0] <= np.datetime64("2025-05-25T03:00") <= found.onset[1]
    assert found.onset[1] - found.onset[0] < np.timedelta64(8, "D")


def test_a_night_of_saturation_after_all_rains_clears_it() -> None:
    time, values = showers.values()
    rh = np.minimum(values["rh"], 88.0)
    night = (time >= np.datetime64("2025-06-28T00:00")) & (time <= np.datetime64("2025-06-28T05:00"))
    assert isinstance(showers.outcome(ID, showers.record(changed={"rh": np.where(night, 99.5, rh)})), Cleared)
    assert showers.odds(ID, showers.record(changed={"rh": rh})) > 0


@pytest.mark.parametrize("rains", [2, 3])
def test_three_rains_are_needed(rains: int) -> None:
    time, values = showers.values()
    starts = np.flatnonzero((values["rain"] > 0) & (np.diff(np.cumsum(values["rain"] > 0), prepend=0) > 0))
    gaps = np.flatnonzero(np.diff(time[starts]) > np.timedelta64(12, "h"))
    end = time[starts[gaps[rains]]] - np.timedelta64(6, "h")  # before the rain after them
    rain = np.where(time < end, values["rain"], 0.0)
    got = showers.outcome(ID, showers.record(changed={"rh": np.minimum(values["rh"], 88.0), "rain": rain}))
    seen = [g for g in (starts[np.append(0, gaps + 1)]) if time[g] < end]
    if isinstance(got, Untested):
        assert got.decidable_after == "2 h of rain" and len(seen) <= 4
    else:
        assert rains == 3
    if rains == 2:
        assert isinstance(got, Untested)


@pytest.mark.parametrize(("ceiling", "tested"), [(59.0, False), (61.0, True)])
def test_a_dead_channel_has_no_ceiling(ceiling: float, tested: bool) -> None:
    assert isinstance(capped(ceiling), Untested) is not tested


def test_frost_and_deserts_are_not_judged() -> None:
    for weather in ({"warmth": -8.0}, {"every_h": 0.0}):
        got = capped(88.0, **weather)
        assert isinstance(got, Untested) and got.decidable_after == "2 h of rain"


def test_sunshine_is_no_rain() -> None:
    """A gauge that counts all the time says nothing of saturation."""
    time, _ = showers.values(every_h=0.0)
    rain = np.where(np.arange(len(time)) % 2 == 0, 0.2, 0.0)
    made = showers.record(changed={"rain": rain}, every_h=0.0)
    assert showers.odds(ID, made) < 0


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_planted_ones_are_found(grade: Grade, seed: int) -> None:
    out = rehearsed(showers.record(), ID, grade, seed)
    assert out is not None
    planted, diagnosis = out
    first = diagnosis.findings[0]
    assert first.fault.id == ID and first.confidence > 0.6
    truth, told = planted.evidence["ceiling_percent"], first.suspect.evidence["ceiling_percent"]
    assert abs(truth - told) <= 1.0
    assert first.suspect.onset[0] <= planted.first <= first.suspect.onset[1]


def test_campus_is_named_and_the_others_are_not() -> None:
    import qc

    for name, files, low in (("campus", ["campus_2016_03.csv"], True), ("roof", ["roof_10min.csv"], False)):
        place = qc.read_station(shared(f"expected/{name}.toml"))
        made = qc.read_tables(place, [shared(file) for file in files])
        found = showers.diagnosed(made, (ID,)).findings
        assert [f.fault.id for f in found] == [ID] * low
        if low:
            assert found[0].suspect.evidence["ceiling_percent"] == pytest.approx(86.0, abs=3.0)  # truth.toml
