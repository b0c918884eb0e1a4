"""Gauge that counts nothing: its own rains teach what rain weather is; dry spells and short pasts claim nothing."""

from __future__ import annotations

import numpy as np
import pytest

from qc.faults import Grade, Suspect, Untested
from tests.faults import showers
from tests.faults.planted import rehearsed

ID = "gauge-open"
DAYS = 120


def dry(first: str, last: str) -> np.ndarray:
    """Rain without that of some time."""
    time, values = showers.values(DAYS)
    return np.where((time >= np.datetime64(first)) & (time <= np.datetime64(last)), 0.0, values["rain"])


@pytest.mark.parametrize(
    ("last", "listed"), [("2025-07-03", False), ("2025-07-20", True), ("2025-08-10", True)], ids=["2d", "19d", "40d"]
)
def test_how_long(last: str, listed: bool) -> None:
    made = showers.record(DAYS, changed={"rain": dry("2025-07-01", last)})
    assert (showers.odds(ID, made) > 0) is listed


def test_wet_hours_and_begin() -> None:
    time, values = showers.values(DAYS)
    rain = dry("2025-07-01", "2025-08-10")
    found = showers.outcome(ID, showers.record(DAYS, changed={"rain": rain}))
    assert isinstance(found, Suspect)
    lost = (values["rain"] > 0) & (rain == 0)
    hours = len(np.unique(time[lost].astype("datetime64[h]")))
    assert found.evidence["wet_hours"] == pytest.approx(hours, rel=0.35)
    assert found.onset[0] <= np.datetime64("2025-07-01") <= found.onset[1] <= np.datetime64("2025-07-15")
    assert found.spoils == ("rain",)


def test_a_dry_spell_is_none() -> None:
    """As long without rain, but under a blue sky: the weather of another season's dry weeks."""
    _, values = showers.values(DAYS)
    _, sky = showers.weather(DAYS, 3, 10, 0.0)
    time = showers.values(DAYS)[0]
    spell = (time >= np.datetime64("2025-07-01")) & (time <= np.datetime64("2025-08-10"))
    mixed = {c: np.where(spell, sky[c], values[c]) for c in values}
    assert showers.odds(ID, showers.record(DAYS, changed=mixed)) < 0


def test_healthy_years_of_two_climates() -> None:
    for weather in ({}, {"seed": 5}, {"latitude": -3.0, "warmth": 27.0}):
        assert showers.odds(ID, showers.record(DAYS, **weather)) < 0  # type: ignore[arg-type]


def test_a_short_past_teaches_nothing() -> None:
    got = showers.outcome(ID, showers.record(21, changed={"rain": showers.values(21)[1]["rain"] * 0.0}))
    assert isinstance(got, Untested) and got.decidable_after is not None and "rains" in got.decidable_after


def test_noise_teaches_nothing() -> None:
    """A gauge that counts without rain for half of the time: its quiet half proves nothing."""
    time, _ = showers.values(DAYS)
    rng = np.random.default_rng(1)
    late = time >= np.datetime64("2025-06-25")
    rain = np.where(late, 0.2 * (rng.random(len(time)) < 0.03), 0.0)
    assert showers.odds(ID, showers.record(DAYS, changed={"rain": rain})) < 1.0
    assert showers.odds("gauge-noise", showers.record(DAYS, changed={"rain": rain})) > 3.0


def test_snow_is_left_out() -> None:
    got = showers.outcome(ID, showers.record(DAYS, warmth=-12.0))
    assert isinstance(got, Untested) and " 0 wet hours" in got.why


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_planted_ones_are_found(grade: Grade, seed: int) -> None:
    out = rehearsed(showers.record(DAYS), ID, grade, seed)
    assert out is not None
    planted, diagnosis = out
    first = diagnosis.findings[0]
    assert first.fault.id == ID and first.log_odds > 2.2
    assert first.suspect.evidence["wet_hours"] == pytest.approx(planted.evidence["wet_hours"], rel=0.4)
    assert first.suspect.onset[0] <= planted.first <= first.suspect.onset[1]
