"""Hygrometer with a low ceiling: long liquid rains decide, or a value at which it stops dead night after night."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Cleared, Grade, Suspect, Untested, registry
from qc.verdicts import Floats
from tests.faults import showers
from tests.faults.planted import rehearsed
from tests.shared import shared

ID = "hygrometer-ceiling"


def capped(
    ceiling: float, since: str = "2025-04-01", until: str = "2026-01-01", **weather: float
) -> Suspect | Cleared | Untested:
    """Cut off at a value from one moment to another."""
    time, values = showers.values(**weather)
    here = (time >= np.datetime64(since, "us")) & (time < np.datetime64(until, "us"))
    return said(np.where(here, np.minimum(values["rh"], ceiling), values["rh"]), **weather)


def said(rh: Floats, **weather: float) -> Suspect | Cleared | Untested:
    return showers.outcome(ID, showers.record(changed={"rh": rh}, **weather))  # type: ignore[arg-type]


def squeezed(rh: Floats, ceiling: float) -> Floats:
    """An aged film: it reads less and less above 70 %, scatters by half a per cent, and stops dead nowhere."""
    scatter = np.random.default_rng(1).normal(0.0, 0.5, len(rh))
    return np.round(np.where(rh > 70.0, 70.0 + (rh - 70.0) * (ceiling - 70.0) / 30.0 + scatter, rh), 1)


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
    rh = squeezed(values["rh"], 88.0)
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
    got = showers.outcome(ID, showers.record(changed={"rh": squeezed(values["rh"], 88.0), "rain": rain}))
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
        _, values = showers.values(**weather)
        got = said(squeezed(values["rh"], 88.0), **weather)
        assert isinstance(got, Untested) and got.decidable_after == "2 h of rain"


def test_sunshine_is_no_rain() -> None:
    """A gauge that counts all the time says nothing of saturation."""
    time, _ = showers.values(every_h=0.0)
    rain = np.where(np.arange(len(time)) % 2 == 0, 0.2, 0.0)
    made = showers.record(changed={"rain": rain}, every_h=0.0)
    assert showers.odds(ID, made) < 0


# ---- a value at which it stops dead, where no rain falls


@pytest.mark.parametrize(
    ("ceiling", "told"), [(100.0, False), (95.0, False), (92.1, False), (92.0, True), (86.0, True)]
)
def test_it_stops_dead_well_below_saturation(ceiling: float, told: bool) -> None:
    """A logger that clips at 100 %, or at the end of a probe's range, is none; without rain the other one is named."""
    _, values = showers.values(every_h=0.0)
    made = showers.record(changed={"rh": np.minimum(values["rh"] + 5.0, ceiling)}, every_h=0.0)
    assert (showers.odds(ID, made) > 0) is told


def test_the_stretch_ends_where_it_was_mended() -> None:
    found = capped(80.0, "2025-05-15T03:00", "2025-06-10T15:00", every_h=0.0)
    assert isinstance(found, Suspect)
    assert found.evidence["ceiling_percent"] == 80.0
    assert found.onset[0] < np.datetime64("2025-05-15T03:00") <= found.onset[1] == found.first
    assert found.onset[1] - found.onset[0] < np.timedelta64(8, "D")
    assert np.datetime64("2025-06-03") < found.last < np.datetime64("2025-06-10T15:00")
    assert "stops dead at 80.0 %" in found.summary and "80.0 %" in found.clues[1].said


def test_with_rains_both_witnesses_speak() -> None:
    found = capped(88.0, "2025-05-25T03:00", "2025-06-20T03:00")
    assert isinstance(found, Suspect)
    assert found.last < np.datetime64("2025-06-20T03:00")
    rains = capped(88.0)
    assert isinstance(rains, Suspect)
    assert [c.name for c in rains.clues] == ["rain", "never higher", "repeated", "stops dead"]
    _, values = showers.values()
    aged = said(squeezed(values["rh"], 86.0))
    assert isinstance(aged, Suspect) and [c.name for c in aged.clues] == ["rain", "never higher", "repeated"]


def moist(nights: int, step: float = 0.1, below: float = 0.0, between: float = 45.0) -> Floats:
    """Dry air but for some nights of 4.8 h at 84 %; `below` hours before each it wanders under that value."""
    time, _ = showers.values(days=20, every_h=0.0)
    day = (time - np.datetime64("2025-05-05T12:00", "us")) / np.timedelta64(1, "D")
    hour, within = 24.0 * (day % 1.0), (day > 0) & (day < nights)
    dry = between + 0.1 * (np.arange(len(time)) % 17)
    rh = np.where(within & (hour > 12.0 - below) & (hour <= 12.0), 81.0 + 1.4 * np.sin(hour * 9.0), dry)
    return np.round(np.where(within & (hour > 12.0) & (hour < 16.8), 84.0, rh) / step) * step


@pytest.mark.parametrize(("nights", "step", "told"), [(3, 0.1, False), (4, 0.1, True), (4, 1.0, False), (7, 1.0, True)])
def test_four_nights_are_needed_and_more_of_coarse_digits(nights: int, step: float, told: bool) -> None:
    made = showers.record(20, changed={"rh": moist(nights, step)}, every_h=0.0)
    assert (showers.odds(ID, made) > 0) is told


@pytest.mark.parametrize(("below", "told"), [(10.0, True), (12.0, False)])
def test_three_tenths_of_the_highest_values_stand_there(below: float, told: bool) -> None:
    made = showers.record(20, changed={"rh": moist(8, below=below)}, every_h=0.0)
    assert isinstance(showers.outcome(ID, made), Suspect) is told


@pytest.mark.parametrize(("between", "told"), [(75.9, True), (76.0, False)])
def test_nights_have_drier_air_between_them(between: float, told: bool) -> None:
    made = showers.record(20, changed={"rh": moist(8, between=between)}, every_h=0.0)
    assert isinstance(showers.outcome(ID, made), Suspect) is told


@pytest.mark.parametrize(("minutes", "told"), [(50, False), (60, True)])
def test_it_is_held_for_an_hour(minutes: int, told: bool) -> None:
    time, values = showers.values(days=20, every_h=0.0)
    hour = ((time - np.datetime64("2025-05-01T00:00", "us")) / np.timedelta64(1, "m")) % 1440.0
    rh = np.where((hour > 180) & (hour <= 180 + minutes), 84.0, np.minimum(values["rh"], 75.0 + 0.005 * (hour % 300)))
    found = showers.outcome(ID, showers.record(20, changed={"rh": np.round(rh, 1)}, every_h=0.0))
    assert isinstance(found, Suspect) is told


@pytest.mark.parametrize(("warmth", "told"), [(-8.0, False), (15.0, True)])
def test_saturation_over_ice_is_no_ceiling(warmth: float, told: bool) -> None:
    _, values = showers.values(every_h=0.0, warmth=warmth)
    made = showers.record(changed={"rh": np.minimum(values["rh"], 82.0)}, every_h=0.0, warmth=warmth)
    assert (showers.odds(ID, made) > 0) is told


def test_a_frozen_channel_is_none() -> None:
    """One value night and day, for weeks or for some days at a time, never falls between its nights."""
    time, values = showers.values(every_h=0.0)
    for part in (time > np.datetime64("2025-05-10"), (time.astype("datetime64[D]").astype(int) // 4) % 2 == 0):
        made = showers.record(changed={"rh": np.where(part, 84.0, 0.8 * values["rh"])}, every_h=0.0)
        assert showers.odds(ID, made) < 0


@pytest.mark.parametrize("step", [0.1, 0.5, 1.0])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_coarse_digits_are_no_ceiling(step: float, seed: int) -> None:
    """Nights with equal tops come by chance where the digits are coarse: they count less there."""
    _, values = showers.values(every_h=0.0, seed=seed)
    slow = np.convolve(values["rh"], np.ones(9) / 9.0, "same")
    for lower in (0.0, 10.0):
        made = showers.record(changed={"rh": np.round((slow - lower) / step) * step}, every_h=0.0, seed=seed)
        assert showers.odds(ID, made) < 0
        cut = np.minimum(np.round((slow - lower) / step) * step, 75.0)
        assert showers.odds(ID, showers.record(changed={"rh": cut}, every_h=0.0, seed=seed)) > 0


def test_without_a_gauge() -> None:
    _, values = showers.values(every_h=0.0)
    made = showers.record(changed={"rh": np.minimum(values["rh"], 82.0)}, every_h=0.0, without=("rain",))
    assert showers.odds(ID, made) > 0
    sound = showers.outcome(ID, showers.record(every_h=0.0, without=("rain",)))
    assert isinstance(sound, Untested) and "no rain" in sound.why


def test_its_picture_shows_where_it_stands() -> None:
    _, values = showers.values(every_h=0.0)
    made = showers.record(changed={"rh": np.minimum(values["rh"], 82.0)}, every_h=0.0)
    found = showers.outcome(ID, made)
    assert isinstance(found, Suspect)
    (axes,) = registry()[ID].picture(showers.case(made), found).axes
    held = axes.patches[-1].get_data()
    assert held.edges[int(np.argmax(held.values))] == 82.0 and held.values.max() == pytest.approx(100.0)


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
