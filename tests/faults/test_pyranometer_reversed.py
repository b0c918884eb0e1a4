"""Exchanged wires are found within six hours of daylight; negative nights, dead and longwave channels are not that."""

from __future__ import annotations

import numpy as np
import pytest

from qc.diagnosis import score
from qc.faults import Cleared, Outcome, Suspect, Untested
from qc.faults.pyranometer_reversed import FAULT
from qc.faults.pyranometer_reversed import test as outcomes_of
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


def cut(record: Record, hours: float, start: float = 5.0) -> Record:
    """The first hours of a record from an hour of its first day on."""
    from dataclasses import replace

    table = record.tables["ten"]
    since = table.time[0] + np.timedelta64(round(start * 3600), "s")
    keep = np.flatnonzero((table.time > since) & (table.time <= since + np.timedelta64(round(hours * 3600), "s")))
    return replace(record, tables={"ten": table.take(keep)})


@pytest.mark.parametrize("interval", [60, 600, 3600])
@pytest.mark.parametrize("seed", range(4))
def test_six_hours_of_daylight_prove_it(interval: int, seed: int) -> None:
    record = cut(sunny(1, interval_s=interval, seed=seed, channels=ALONE), 6.5, start=6.0)
    assert odds(record) < -6.0
    found = outcome(with_values(record, ghi=-sun(record)))
    assert isinstance(found, Suspect)
    assert odds(with_values(record, ghi=-sun(record))) > 0.5
    assert found.evidence == {"factor": -1.0}
    assert found.onset == (record.tables["ten"].time[0], record.tables["ten"].time[0])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("grade", ["near", "typical", "gross"])
def test_injected_ones_are_found_and_mended(grade: str, seed: int) -> None:
    record = sunny(20, seed=seed + 50, channels=ALONE)
    injection = FAULT.inject(case(record), grade, np.random.default_rng(seed))
    assert injection is not None
    spoilt = planted(record, "ten", injection)
    found = outcome(spoilt)
    assert isinstance(found, Suspect) and odds(spoilt) > 1.0
    night = np.timedelta64(10, "h")  # it shows at the next light
    assert found.onset[0] - night <= injection.first <= found.onset[1]
    assert found.mend is not None and found.mend.proposed
    after = mended(spoilt, found.mend).tables["ten"].channels["ghi"].values
    assert np.abs(after - sun(record)).sum() < 0.1 * np.abs(sun(spoilt) - sun(record)).sum()


def test_an_end_is_seen_too() -> None:
    record = sunny(20, channels=ALONE)
    days = np.arange(record.tables["ten"].rows) // 144
    found = outcome(with_values(record, ghi=np.where((days >= 5) & (days < 12), -1.0, 1.0) * sun(record)))
    assert isinstance(found, Suspect) and found.mend is not None
    assert found.onset[1].astype("datetime64[D]") == np.datetime64("2025-05-15")
    assert found.mend.last is not None and found.mend.last.astype("datetime64[D]") == np.datetime64("2025-05-21")


def test_where_negative_values_are_cut_off_the_nights_tell() -> None:
    record = sunny(20, channels=ALONE)
    clipped = np.maximum(-sun(record), 0.0)
    found = outcome(with_values(record, ghi=clipped))
    assert isinstance(found, Suspect) and odds(with_values(record, ghi=clipped)) > 0.5
    assert found.rivals["channel-open"] > 0 and found.mend is None
    dead = with_values(record, ghi=np.zeros(record.tables["ten"].rows))
    assert isinstance(outcome(dead), Cleared)


def test_what_is_negative_day_and_night_is_no_pyranometer() -> None:
    """Net longwave, or a channel with an offset: far below zero day and night, a little more by day."""
    record = sunny(20, channels=ALONE)
    now = case(record)
    rng = np.random.default_rng(1)
    for level, swing in ((-60.0, 0.0), (-60.0, 10.0), (-160.0, 20.0)):
        net = level - swing * np.sin((now.solar_hour - 6.0) / 24 * 2 * np.pi) + rng.normal(0.0, 15.0, now.rows)
        assert odds(with_values(record, ghi=net)) < odds(with_values(record, ghi=-sun(record))) - 3.0
        assert odds(with_values(record, ghi=net)) < 1.0


def test_night_offsets_and_dull_days_are_sound() -> None:
    record = sunny(20, clear=0.0, closed=1.0, channels=ALONE)
    assert isinstance(outcome(with_values(record, ghi=0.3 * sun(record) - 4.0)), Cleared)


@pytest.mark.parametrize(("hours", "tested"), [(3.5, False), (4.5, True)])
def test_too_little_is_not_tested(hours: float, tested: bool) -> None:
    record = cut(sunny(1, channels=ALONE), hours, start=8.0)
    found = outcome(record)
    assert isinstance(found, Untested) is not tested
    if isinstance(found, Untested):
        assert found.decidable_after


@pytest.mark.parametrize(("most", "named"), [(3.0, True), (39.0, True), (41.0, False), (700.0, False)])
def test_light_at_night_is_no_cold_sensor(most: float, named: bool) -> None:
    """What is cut off at zero by day and far above it at night is daylight under a wrong clock or wrong coordinates."""
    record = sunny(20, channels=ALONE)
    night = np.where(case(record).elevation < -8.0, most, 0.0)
    assert isinstance(outcome(with_values(record, ghi=night)), Suspect) is named
