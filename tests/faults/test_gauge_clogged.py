"""Partly blocked funnel: even drips, one rate, a pour; drizzle, thaw and hours of few tips are something else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qc.faults import Grade, Suspect, Untested
from qc.physics import gauge
from tests.faults import showers
from tests.faults.planted import rehearsed
from tests.shared import shared

ID = "gauge-clogged"


def held(most: float, since: str = "2025-05-10") -> np.ndarray:
    """Rain through a funnel that lets through so much, mm/h."""
    time, values = showers.values()
    row = showers.at(time, since)
    rain = values["rain"]
    rain[row:] = gauge.throttled(rain[row:], most / 6.0, showers.TIP)
    return rain


@pytest.mark.parametrize(("most", "listed"), [(1.2, True), (1.6, True), (30.0, False)])
def test_how_tight(most: float, listed: bool) -> None:
    assert (showers.odds(ID, showers.record(changed={"rain": held(most)})) > 0) is listed


def test_begin_events_and_what_it_spoils() -> None:
    found = showers.outcome(ID, showers.record(changed={"rain": held(1.2, "2025-06-01")}))
    assert isinstance(found, Suspect)
    assert 3 <= found.evidence["events"] <= 14
    assert found.onset[0] <= np.datetime64("2025-06-01") <= found.onset[1]
    assert found.spoils == ("rain",)


def one_drip(hours: float, *, pour: bool = False, sunny: bool = False) -> dict[str, np.ndarray]:
    """One tip every ten minutes for some hours of one night, or of a sunny day."""
    time, values = showers.values(every_h=0.0)
    first = showers.at(time, "2025-05-20T09:00" if sunny else "2025-05-20T20:00")
    rain = values["rain"]
    rows = np.arange(first, first + round(hours * 6))
    rain[rows] = 0.2
    if pour:
        rain[rows[-1] + 12] = 12.0
    if not sunny:
        values["rh"][rows] = 99.0
    return {"rain": rain, "rh": values["rh"]}


@pytest.mark.parametrize(
    ("hours", "pour", "sunny", "listed"),
    [(4.0, False, False, False), (8.0, False, False, False), (8.0, True, False, True), (8.0, False, True, True)],
    ids=["drizzle", "long drizzle", "pour", "sun"],
)
def test_a_single_drip_needs_a_second_witness(hours: float, pour: bool, sunny: bool, listed: bool) -> None:
    made = showers.record(changed=one_drip(hours, pour=pour, sunny=sunny), every_h=0.0)
    assert (showers.odds(ID, made) > 0) is listed


def test_melting_snow_drips_too() -> None:
    changed = one_drip(8.0, sunny=True)
    _, values = showers.values(every_h=0.0)
    cold = showers.record(changed={**changed, "t": np.minimum(values["t"], 1.5)}, every_h=0.0)
    assert isinstance(showers.outcome(ID, cold), Untested)


def test_hours_of_two_tips_are_no_evidence() -> None:
    """Hourly tables: drizzle of two or three tips an hour looks even by itself (measured: hills)."""
    time, _ = showers.values(90, minutes=60)
    drizzle = np.where((time.astype("datetime64[D]").astype(int) % 4) == 0, 0.4, 0.0)
    drizzle[::3] *= 1.5
    made = showers.record(90, changed={"rain": np.round(drizzle, 1)}, minutes=60)
    assert showers.odds(ID, made) < 0


def test_no_bucket_no_test() -> None:
    _, values = showers.values()
    made = showers.record(changed={"rain": values["rain"]})
    channel = next(c for c in made.station.channel if c.name == "rain")
    fine = channel.model_copy(update={"resolution": 0.01})
    station = made.station.model_copy(
        update={"channel": [c if c is not channel else fine for c in made.station.channel]}
    )
    assert isinstance(showers.outcome(ID, replace(made, station=station)), Untested)


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_planted_ones_are_found(grade: Grade, seed: int) -> None:
    out = rehearsed(showers.record(), ID, grade, seed)
    assert out is not None
    planted, diagnosis = out
    first = diagnosis.findings[0]
    assert first.fault.id == ID and first.log_odds > 2.2
    assert first.suspect.evidence["events"] == pytest.approx(planted.evidence["events"], rel=0.5, abs=2)
    assert first.suspect.onset[0] <= planted.first <= first.suspect.onset[1]


def test_estuary_is_named() -> None:
    import qc

    place = qc.read_station(shared("expected/estuary.toml"))
    made = qc.read_tables(place, [shared("estuary_15min_2016.csv")])
    (found,) = showers.diagnosed(made, (ID,)).findings
    assert found.suspect.evidence["events"] == 1
    assert np.datetime64("2016-09-28") <= found.suspect.first <= found.suspect.last < np.datetime64("2016-09-30")
