"""A wrong factor is found by its step, or by a level that no sky gives; weather, tilt and dirt are not taken for it."""

from __future__ import annotations

import numpy as np
import pytest

from qc.diagnosis import score
from qc.faults import Cleared, Outcome, Suspect, Untested
from qc.faults.pyranometer_scale import FAULT
from qc.faults.pyranometer_scale import test as outcomes_of
from qc.mends import mended
from qc.record import Record
from tests.faults.planted import planted
from tests.faults.sunny import case, sunny, with_values


def outcome(record: Record) -> Outcome:
    (found,) = outcomes_of(case(record))
    return found


def odds(record: Record) -> float:
    found = outcome(record)
    return score(FAULT, found, case(record)) if isinstance(found, Suspect) else -99.0


def sun(record: Record) -> np.ndarray:
    return case(record).values(case(record).channels[0])


ALONE = ("ghi",)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("latitude", [52.0, 20.0, -30.0])
def test_a_sound_sensor_has_no_factor(latitude: float, seed: int) -> None:
    assert odds(sunny(60, latitude=latitude, seed=seed, start="2025-04-10", channels=ALONE)) < -1.0


@pytest.mark.parametrize("channels", [ALONE, ("ghi", "dni", "dhi")])
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("grade", ["typical", "gross"])
def test_injected_ones_are_found_near_the_truth(grade: str, seed: int, channels: tuple[str, ...]) -> None:
    record = sunny(80, seed=seed + 40, channels=channels, start="2025-04-20")
    injection = FAULT.inject(case(record), grade, np.random.default_rng(seed))
    assert injection is not None
    spoilt = planted(record, "ten", injection)
    found = outcome(spoilt)
    assert isinstance(found, Suspect) and odds(spoilt) > 0.0
    assert found.evidence["factor"] == pytest.approx(injection.evidence["factor"], rel=0.1)
    assert found.onset[0] <= injection.first <= found.onset[1]
    assert found.mend is not None
    if found.mend.proposed:
        truth, before = sun(record), sun(spoilt)
        after = mended(spoilt, found.mend).tables["ten"].channels["ghi"].values
        assert np.abs(after - truth).sum() < 0.1 * np.abs(before - truth).sum()


@pytest.mark.parametrize(("factor", "found"), [(0.92, False), (1.08, False), (1.6, True), (0.55, True)])
def test_from_the_start_only_what_no_sky_gives(factor: float, found: bool) -> None:
    record = sunny(60, clear=0.4, channels=ALONE)
    spoilt = with_values(record, ghi=factor * sun(record))
    assert (odds(spoilt) > 0.0) is found
    if found:
        told = outcome(spoilt)
        assert isinstance(told, Suspect) and told.onset[0] == told.onset[1] == record.tables["ten"].time[0]
        assert told.mend is not None and not told.mend.proposed


@pytest.mark.parametrize("closed", [0.7, 0.85, 0.95])
def test_dull_weeks_are_no_factor(closed: float) -> None:
    """A month of mostly closed sky after a month of sun."""
    bright = sunny(30, clear=0.5, closed=0.0, channels=ALONE, start="2025-05-01")
    dull = sunny(30, clear=0.02, closed=closed, channels=ALONE, start="2025-05-31", seed=2)
    both = sunny(60, channels=ALONE, start="2025-05-01")
    first = np.concatenate([sun(bright), sun(dull)])
    assert odds(with_values(both, ghi=first)) < 0.0


@pytest.mark.parametrize("seed", range(3))
def test_a_dull_season_is_no_factor(seed: int) -> None:
    assert odds(sunny(60, clear=0.0, closed=0.9, channels=ALONE, seed=seed)) < 0.0


def test_haze_of_a_fortnight_is_no_factor() -> None:
    clean, hazy = (sunny(70, haze=h, clear=0.4, channels=ALONE, start="2025-05-01") for h in (3.0, 5.0))
    now = case(clean)
    number = now.solar_day - now.solar_day[0]
    assert odds(with_values(clean, ghi=np.where((number > 30) & (number < 45), sun(hazy), sun(clean)))) < 0.0


@pytest.mark.parametrize("tilt", [8.0, 15.0, 22.0])
def test_a_tilt_is_no_factor(tilt: float) -> None:
    record = sunny(70, clear=0.4, start="2025-05-01")
    now = case(record)
    g, d = sun(record), now.values(now.of("direct_irradiance")[0])
    a, e, t = np.radians(now.azimuth - 90.0), np.radians(np.maximum(now.elevation, 0.0)), np.radians(tilt)
    facing = np.clip(np.cos(t) * np.sin(e) + np.sin(t) * np.cos(e) * np.cos(a), 0.0, None)
    late = np.arange(now.rows) > now.rows // 2
    none = np.full(now.rows, np.nan)
    assert odds(with_values(record, ghi=g + late * d * (facing - np.sin(e)), dni=none)) < 0.0


def test_what_another_sensor_does_is_its_own() -> None:
    """The direct sensor loses a quarter; global stays as it was."""
    record = sunny(70, clear=0.4, start="2025-05-01")
    now = case(record)
    d = now.values(now.of("direct_irradiance")[0])
    assert odds(with_values(record, dni=np.where(np.arange(now.rows) > now.rows // 2, 0.75 * d, d))) < 0.0


def test_a_small_step_is_proved_by_another_sensor_only() -> None:
    record = sunny(80, clear=0.4, start="2025-04-20")
    late = np.arange(record.tables["ten"].rows) > 0.45 * record.tables["ten"].rows
    small = with_values(record, ghi=np.where(late, 1.12, 1.0) * sun(record))
    none = np.full(len(late), np.nan)
    assert odds(small) > odds(with_values(small, dni=none)) + 1.0


def test_factors_of_units_are_left_to_units() -> None:
    record = sunny(60, clear=0.4, channels=ALONE)
    found = outcome(with_values(record, ghi=3.6 * sun(record)))
    assert isinstance(found, Untested) and "unit" in found.why


def test_too_little_is_not_tested() -> None:
    few = outcome(sunny(9, channels=ALONE))
    assert isinstance(few, Untested) and few.decidable_after
    assert isinstance(outcome(sunny(40, latitude=64.0, start="2025-11-01", channels=ALONE)), Untested)
    assert isinstance(outcome(sunny(40, channels=ALONE)), Cleared)
