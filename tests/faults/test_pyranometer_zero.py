"""An offset of the nights is found; what a thermopile shows, lamps, dead and clipped channels are not that."""

from __future__ import annotations

import numpy as np
import pytest

from qc.diagnosis import score
from qc.faults import Cleared, Outcome, Suspect, Untested
from qc.faults.pyranometer_zero import FAULT
from qc.faults.pyranometer_zero import test as outcomes_of
from qc.mends import mended
from qc.record import Record
from tests.faults.planted import planted
from tests.faults.sunny import case, sunny, with_values

ALONE = ("ghi",)


def outcome(record: Record) -> Outcome:
    return outcomes_of(case(record))[0]


def odds(record: Record) -> float:
    found = outcome(record)
    return score(FAULT, found, case(record)) if isinstance(found, Suspect) else -99.0


def sun(record: Record) -> np.ndarray:
    return case(record).values(case(record).channels[0])


def night_at(record: Record, level: float) -> Record:
    """The record with every night value at one level."""
    return with_values(record, ghi=np.where(case(record).night, level, sun(record)))


# the bounds are -6 W/m2 and 1 W/m2 and the scatter of 0.9 more
@pytest.mark.parametrize(("level", "sound"), [(-6.0, True), (-6.01, False), (1.9, True), (1.91, False), (-5.0, True)])
def test_the_bounds_of_a_sound_night(level: float, sound: bool) -> None:
    found = outcome(night_at(sunny(8, channels=ALONE), level))
    assert isinstance(found, Cleared if sound else Suspect)


@pytest.mark.parametrize("interval", [60, 600, 3600])
@pytest.mark.parametrize("seed", range(3))
def test_a_thermopile_is_sound(interval: int, seed: int) -> None:
    assert isinstance(outcome(sunny(10, interval_s=interval, seed=seed, channels=ALONE)), Cleared)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("grade", ["typical", "gross"])
def test_injected_ones_are_found_and_mended(grade: str, seed: int) -> None:
    record = sunny(30, seed=seed + 60, channels=ALONE)
    injection = FAULT.inject(case(record), grade, np.random.default_rng(seed))
    assert injection is not None
    spoilt = planted(record, "ten", injection)
    found = outcome(spoilt)
    assert isinstance(found, Suspect) and odds(spoilt) > 1.5
    assert found.evidence["offset_w_m2"] == pytest.approx(injection.evidence["offset_w_m2"], abs=0.5)
    assert found.onset[0] <= injection.first <= found.onset[1]
    assert found.mend is not None
    if found.mend.proposed:
        after = mended(spoilt, found.mend).tables["ten"].channels["ghi"].values
        assert np.abs(after - sun(record)).sum() < 0.1 * np.abs(sun(spoilt) - sun(record)).sum()


def test_from_the_start_the_mend_is_not_proposed_where_the_past_is_unknown() -> None:
    record = sunny(10, channels=ALONE)
    found = outcome(with_values(record, ghi=sun(record) + 8.0))
    assert isinstance(found, Suspect) and found.mend is not None
    assert found.onset == (record.tables["ten"].time[0], record.tables["ten"].time[0])
    assert not found.mend.proposed
    assert found.mend.amount == pytest.approx(-8.0, abs=1.5)


def test_a_lamp_or_a_leak_that_comes_and_goes_is_less_sure_than_an_offset() -> None:
    record = sunny(20, channels=ALONE)
    now = case(record)
    rng = np.random.default_rng(1)
    some = np.where(rng.random(400) < 0.55, rng.uniform(2.0, 12.0, 400), 0.0)[now.solar_day - now.solar_day[0]]
    lamp = some * (np.sin(now.solar_hour * 40.0) > -0.3)
    assert odds(with_values(record, ghi=sun(record) + lamp)) < 0.0
    assert odds(with_values(record, ghi=sun(record) + 6.0)) > 1.0


def test_a_dead_channel_is_not_that() -> None:
    record = sunny(20, channels=ALONE)
    rng = np.random.default_rng(2)
    dead = with_values(record, ghi=12.0 + rng.normal(0.0, 0.3, record.tables["ten"].rows))
    alive = with_values(record, ghi=12.0 + sun(record))
    assert odds(alive) > odds(dead) + 4.0
    assert odds(dead) < 1.0


def test_too_little_and_clipped_nights_are_not_tested() -> None:
    few = outcome(sunny(1.5, channels=ALONE))
    assert isinstance(few, Untested) and few.decidable_after
    clipped = outcome(night_at(sunny(10, channels=ALONE), 0.0))
    assert isinstance(clipped, Untested) and "zeros" in clipped.why


def test_a_direction_in_the_column_is_no_offset() -> None:
    record = sunny(12, channels=ALONE)
    turning = np.random.default_rng(1).uniform(0.0, 360.0, len(sun(record)))
    found = outcome(with_values(record, ghi=turning))
    assert isinstance(found, Untested) and "follow the sun" in found.why


@pytest.mark.parametrize(("level", "proposed"), [(50.0, True), (60.0, True), (60.1, False), (235.0, False)])
def test_electronics_drift_so_far_and_no_farther(level: float, proposed: bool) -> None:
    record = sunny(20, channels=ALONE)
    values = sun(record) + np.where(np.arange(len(sun(record))) >= 1000, level, 0.0)
    values = np.where(case(record).night & (np.arange(len(values)) >= 1000), level, values)
    found = outcome(with_values(record, ghi=values))
    assert isinstance(found, Suspect) and found.mend is not None
    assert found.mend.proposed is proposed
    assert ("size" in {c.name for c in found.clues}) is not proposed
