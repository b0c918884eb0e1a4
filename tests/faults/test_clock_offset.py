"""The clock by first and last light: offsets, steps, drift, summer time, what must not be named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qc import firstlight
from qc.chain import Checked
from qc.diagnosis import Diagnosis, diagnose
from qc.faults import Cleared, Suspect, Untested, clock_offset
from qc.mends import mended, moved_back
from qc.physics.twilight import Level
from qc.record import Record
from tests.faults.dawn import case, healthy
from tests.faults.planted import planted, unchecked


def ahead(record: Record, minutes: float, *, since_day: float = 0.0, per_day: float = 0.0) -> Record:
    table = record.tables["main"]
    days = (table.time - table.time[0]).astype(np.int64) / 86_400e6
    late = np.where(days >= since_day, minutes + per_day * (days - since_day), 0.0)
    return replace(record, tables={"main": moved_back(table, -np.round(late))})


def told(record: Record) -> Diagnosis:
    checked: Checked = unchecked(record)
    return diagnose(checked, only=("clock-offset", "stamp-side", "site-facts"))


@pytest.mark.parametrize("minutes", [-170.0, -60.0, -37.0, 38.0, 60.0, 300.0])
def test_a_clock_set_wrong_within_the_record_is_found_with_minutes_and_onset(minutes: float) -> None:
    record = ahead(healthy(days=20), minutes, since_day=8.3)
    first = told(record).findings[0]
    assert first.fault.id == "clock-offset"
    assert first.suspect.evidence["minutes"] == pytest.approx(minutes, abs=3.0)
    assert first.suspect.evidence["kind"] == ("zone" if minutes in (-60.0, 60.0, 300.0) else "set-by-hand")
    begun = record.tables["main"].time[0] + np.timedelta64(round(8.3 * 86400), "s")
    slack = np.timedelta64(round(abs(minutes)) + 10, "m")
    assert first.suspect.onset[0] - slack <= begun <= first.suspect.onset[1] + slack
    assert first.suspect.onset[1] - first.suspect.onset[0] < np.timedelta64(4, "D")
    assert first.log_odds > 2.2


@pytest.mark.parametrize(
    ("seed", "minutes", "since", "exact"),
    [(0, -37.0, 8.3, True), (1, 38.0, 8.3, True), (2, 23.0, 8.3, True), (2, 23.0, 0.0, True), (0, 40.0, 8.3, False)],
)
def test_stamps_off_the_grid_tell_the_minutes_to_one(seed: int, minutes: float, since: float, exact: bool) -> None:
    first = told(ahead(healthy(days=20, seed=seed), minutes, since_day=since)).findings[0]
    assert (first.suspect.evidence["minutes"] == minutes) is exact  # 40 min keep 10 min stamps on the grid


def test_an_hour_is_found_from_two_days() -> None:
    record = ahead(healthy(days=2.0), 60.0)
    found = [f for f in told(record).findings if f.fault.id == "clock-offset"]
    assert found
    assert found[0].suspect.evidence == {"minutes": 60.0, "kind": "zone"}


def test_five_minutes_are_no_finding_and_twelve_are() -> None:
    assert not told(ahead(healthy(days=28), 4.0)).findings
    assert told(ahead(healthy(days=28), 13.0, since_day=14)).findings[0].fault.id == "clock-offset"


def test_a_drift() -> None:
    first = told(ahead(healthy(days=40), 0.0, since_day=10.0, per_day=1.0)).findings[0]
    assert first.suspect.evidence["kind"] == "drift"
    assert first.suspect.evidence["minutes"] == pytest.approx(30.0, abs=4.0)
    mend = first.suspect.mend
    assert mend is not None
    assert not mend.proposed
    assert mend.per_day == pytest.approx(1.0, abs=0.15)


@pytest.mark.parametrize(("start", "kind"), [("2025-03-16", "summer-time"), ("2025-05-04", "zone")])
def test_an_hour_on_a_rule_date_is_summer_time(start: str, kind: str) -> None:
    # summer time begins on 2025-03-30 at 1 h UTC in Europe
    first = told(ahead(healthy(start, days=28), 60.0, since_day=14.04)).findings[0]
    assert first.suspect.evidence == {"minutes": 60.0, "kind": kind}


def test_the_mend_brings_the_stamps_back() -> None:
    sound = healthy(days=20)
    broken = ahead(sound, 60.0, since_day=8.3)
    mend = told(broken).findings[0].suspect.mend
    assert mend is not None
    back = mended(broken, mend).tables["main"].time
    right = np.isin(back, sound.tables["main"].time)
    assert right.mean() > 0.99
    late = np.searchsorted(back, sound.tables["main"].time[1300:])
    assert (back[late] == sound.tables["main"].time[1300:]).mean() > 0.99


@pytest.mark.parametrize("seed", range(4))
def test_healthy_light_is_cleared(seed: int) -> None:
    got = clock_offset.test(case(healthy(days=10, seed=seed)))
    assert [type(one) for one in got] == [Cleared]


@pytest.mark.parametrize("days", [0.02, 0.5, 1.0])
def test_too_little_claims_nothing(days: float) -> None:
    (got,) = clock_offset.test(case(ahead(healthy(days=days), 60.0)))
    assert isinstance(got, Untested)
    assert got.decidable_after is not None


def test_a_dark_record_claims_nothing() -> None:
    record = healthy(days=5)
    table = record.tables["main"]
    channels = {n: replace(c, values=np.full(table.rows, np.nan)) for n, c in table.channels.items()}
    (got,) = clock_offset.test(case(replace(record, tables={"main": replace(table, channels=channels)})))
    assert isinstance(got, Untested)


def test_a_tilted_sensor_is_no_clock() -> None:
    record = healthy(days=14)
    table = record.tables["main"]
    light = table.channels["global_irradiance"]
    hour = (table.time.astype(np.int64) / 3600e6 + 11.0 / 15.0) % 24.0
    tilted = light.values * np.where(light.values > 60.0, 1.0 - 0.03 * (hour - 12.0), 1.0)
    channels = {**table.channels, "global_irradiance": replace(light, values=tilted)}
    assert not told(replace(record, tables={"main": replace(table, channels=channels)})).findings


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", range(3))
def test_injected_clocks_are_found(grade: str, seed: int) -> None:
    record = healthy("2025-03-10", days=35, seed=seed)
    injection = clock_offset.inject(case(record), grade, np.random.default_rng(seed))  # type: ignore[arg-type]
    assert injection is not None
    first = told(planted(record, "main", injection)).findings[0]
    assert first.fault.id == "clock-offset"
    assert first.suspect.evidence["minutes"] == pytest.approx(float(injection.evidence["minutes"]), abs=5.0)
    assert first.suspect.onset[0] - np.timedelta64(12, "h") <= injection.first or injection.evidence["kind"] == "drift"


@pytest.mark.parametrize(("days", "least"), [(2, 7.0 / 2**0.5), (3, 7.0 / 3**0.5), (4, 2.5), (7, 0.5)])
def test_few_days_that_agree_are_not_trusted(days: int, least: float) -> None:
    found = firstlight.of(case(healthy(days=5)))
    assert found is not None
    got = found.sigma(Level(0.0, 0.5, 1.0, days))
    assert got == pytest.approx(np.hypot(least, found.systematic))


def test_evidence_keys_and_clues_have_numbers() -> None:
    (got,) = clock_offset.test(case(ahead(healthy(days=12), -45.0, since_day=5)))
    assert isinstance(got, Suspect)
    assert tuple(got.evidence) == clock_offset.FAULT.keys
    assert all(np.isfinite(clue.log_odds) and clue.said for clue in got.clues)


def with_channel(record: Record, name: str, values: np.ndarray) -> Record:  # type: ignore[type-arg]
    table = record.tables["main"]
    channels = {**table.channels, name: replace(table.channels[name], values=values)}
    return replace(record, tables={"main": replace(table, channels=channels)})


def light_of(record: Record) -> np.ndarray:  # type: ignore[type-arg]
    return record.tables["main"].channels["global_irradiance"].values.copy()


def test_a_reversed_pyranometer_is_no_clock() -> None:
    record = healthy(days=20)
    light = light_of(record)
    light[10 * 144 :] = 4.0 - light[10 * 144 :]  # above zero at night alone
    assert not told(with_channel(record, "global_irradiance", light)).findings


@pytest.mark.parametrize("hours", [2, 5])
def test_light_that_moves_alone_is_no_clock(hours: int) -> None:
    record = healthy(days=20)
    light = light_of(record)
    light[10 * 144 :] = np.roll(light, 6 * hours)[10 * 144 :]
    got = told(with_channel(record, "global_irradiance", light))
    assert not got.findings
    assert any("clock moves all channels" in one.why for fault, one in got.cleared if fault == "clock-offset")


@pytest.mark.parametrize(("minutes", "named"), [(170.0, True), (300.0, False)])
def test_hours_need_a_second_channel(minutes: float, named: bool) -> None:
    record = ahead(healthy(days=20, channels=("global_irradiance",)), minutes, since_day=8.3)
    got = told(record)
    assert bool([f for f in got.findings if f.fault.id == "clock-offset"]) == named
    if not named:
        assert any("another channel must bear it out" in one.why for _, one in got.not_tested)


def test_jumps_of_single_rows_at_night_are_no_clock() -> None:
    record = healthy(days=24)
    light = light_of(record)
    rows = np.random.default_rng(3).choice(24 * 144, 56, replace=False)
    light[rows] += np.random.default_rng(4).choice([-300.0, 300.0], 56)
    assert not told(with_channel(record, "global_irradiance", light)).findings


def test_few_days_of_light_tell_nothing_of_the_site() -> None:
    record = healthy(days=20)
    light = light_of(record)
    soil = 8.0 + 3.0 * np.sin(np.arange(len(light)) * 2 * np.pi / 144.0)
    light[3 * 144 :] = soil[3 * 144 :]
    got = told(with_channel(record, "global_irradiance", light))
    assert not got.findings
    assert {"site-facts", "stamp-side"} <= {i for i, one in got.not_tested if "behave like light" in one.why}


@pytest.mark.parametrize(("share", "pieces"), [(0.04, 1), (0.06, 2)])
def test_a_creep_of_noon_at_wrong_coordinates_is_no_step(share: float, pieces: int) -> None:
    each = np.full(14, 173.0)
    each[8:] -= share * 173.0
    whole = firstlight.CREEPS * float(np.median(each))
    assert len(firstlight._pieces(each, 1.0, max(3.0, whole))) == pieces
