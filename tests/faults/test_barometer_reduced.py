"""A barometer that reports sea-level pressure: by level, by leap; what looks like it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qc.diagnosis import diagnose
from qc.faults import Cleared, Suspect, Untested, barometer_reduced
from qc.mends import mended
from qc.physics import heights
from qc.record import Record
from qc.verdicts import Floats
from tests.faults.dawn import case, healthy
from tests.faults.planted import planted, unchecked


def pressed(record: Record, values: Floats) -> Record:
    table = record.tables["main"]
    channels = {**table.channels, "air_pressure": replace(table.channels["air_pressure"], values=values)}
    return replace(record, tables={"main": replace(table, channels=channels)})


def aloft(record: Record) -> Record:
    """As cold as the standard atmosphere is at its height, where it stands high."""
    table = record.tables["main"]
    air = table.channels["air_temperature"]
    cold = replace(air, values=air.values - max(0.0, 0.0065 * (record.station.station.elevation - 1500.0)) - 5.0)
    return replace(record, tables={"main": replace(table, channels={**table.channels, "air_temperature": cold})})


def p(record: Record) -> Floats:
    return record.tables["main"].channels["air_pressure"].values


def test_reduction_at_310_m() -> None:
    # computed by hand: 976.6 hPa, 15 degC, column mean 289.16 K: 976.6 (exp(310 / (29.27 x 289.16)) - 1)
    assert float(heights.reduction(976.6, 310.0, 15.0)) == pytest.approx(36.4, abs=0.1)


def test_from_the_first_row_on() -> None:
    record = healthy(days=20)
    more = heights.reduction(p(record), 300.0, 12.0)
    (got,) = barometer_reduced.test(case(pressed(record, p(record) + more)))
    assert isinstance(got, Suspect)
    assert got.evidence["offset_hpa"] == pytest.approx(float(np.median(more)), abs=1.5)
    assert got.onset[0] == got.onset[1] == record.tables["main"].time[0]


@pytest.mark.parametrize("elevation", [160.0, 300.0, 1500.0, 2890.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_leap_is_found_to_the_row_and_mended(elevation: float, seed: int) -> None:
    record = aloft(healthy(days=20, elevation=elevation, seed=seed))
    injection = barometer_reduced.inject(case(record), "typical", np.random.default_rng(seed))
    assert injection is not None
    broken = planted(record, "main", injection)
    first = diagnose(unchecked(broken), only=("barometer-reduced", "site-facts", "unit-wrong")).findings[0]
    assert first.fault.id == "barometer-reduced"
    assert first.suspect.evidence["offset_hpa"] == pytest.approx(float(injection.evidence["offset_hpa"]), rel=0.08)
    assert first.suspect.onset[0] < injection.first <= first.suspect.onset[1]
    assert first.suspect.mend is not None
    left = np.abs(p(mended(broken, first.suspect.mend)) - p(record)).mean()
    assert left < 0.1 * np.abs(p(broken) - p(record)).mean()


@pytest.mark.parametrize("size", [12.0, 24.0, 47.0])
def test_a_step_of_another_size_is_no_reduction(size: float) -> None:
    record = healthy(days=20)
    values = p(record).copy()
    values[1500:] += size  # a reduction would add 35
    got = diagnose(unchecked(pressed(record, values)), only=("barometer-reduced",))
    assert not got.findings


@pytest.mark.parametrize("elevation", [300.0, 1500.0])
def test_healthy_pressure_is_cleared(elevation: float) -> None:
    (got,) = barometer_reduced.test(case(healthy(days=14, elevation=elevation)))
    assert isinstance(got, Cleared)


def test_near_sea_level_nothing_can_be_told() -> None:
    (got,) = barometer_reduced.test(case(healthy(days=14, elevation=20.0)))
    assert isinstance(got, Untested)


def test_another_unit_is_left_to_its_own_test() -> None:
    record = healthy(days=14)
    (got,) = barometer_reduced.test(case(pressed(record, p(record) / 33.8639)))
    assert isinstance(got, Untested)


def test_mercury_on_a_mountain_is_a_matter_of_units() -> None:
    record = healthy(days=20, elevation=2890.0)
    (got,) = barometer_reduced.test(case(pressed(record, p(record) / 1.33322)))
    assert isinstance(got, Untested)
    assert "units" in got.why


def test_warm_air_on_a_mountain_is_no_part_of_a_reduction() -> None:
    record = healthy(days=20, elevation=2890.0)  # 12 degC: 16 K above the standard atmosphere's
    middle = heights.usual_pressure(2890.0, 12.0)
    (got,) = barometer_reduced.test(case(pressed(record, p(record) - np.median(p(record)) + middle)))
    assert isinstance(got, Cleared)
    assert f"usual at 2890 m {middle:.0f}"[:19] in got.why


@pytest.mark.parametrize("elevation", [2300.0, 2900.0])
def test_on_a_mountain_sea_level_is_a_third_more(elevation: float) -> None:
    record = healthy(days=20, elevation=elevation)
    injection = barometer_reduced.inject(case(record), "gross", np.random.default_rng(1))
    assert injection is not None
    first = diagnose(unchecked(planted(record, "main", injection))).findings[0]
    assert first.fault.id == "barometer-reduced"
    assert first.suspect.evidence["offset_hpa"] == pytest.approx(float(injection.evidence["offset_hpa"]), rel=0.05)


@pytest.mark.parametrize(("short", "first"), [(0.0, "barometer-reduced"), (3.4, "constants-wrong")])
def test_an_offset_near_a_reduction_is_told_from_it_by_its_size(short: float, first: str) -> None:
    """At 160 m a reduction adds 18.9 hPa, to about 0.9: what misses it by more is an offset that came near."""
    record = healthy(days=20, elevation=160.0)
    air = record.tables["main"].channels["air_temperature"].values
    values = p(record) + np.where(np.arange(2880) < 1500, 0.0, heights.reduction(p(record), 160.0, air) - short)
    only = ("barometer-reduced", "constants-wrong")
    found = diagnose(unchecked(pressed(record, np.round(values, 2))), only=only).findings
    assert max(found, key=lambda f: f.confidence).fault.id == first


@pytest.mark.parametrize(("short", "low", "high"), [(0.0, 2.5, 4.0), (1.0, 1.5, 3.0), (2.2, -1.0, 0.6)])
def test_the_size_of_a_leap_counts(short: float, low: float, high: float) -> None:
    record = healthy(days=20, elevation=160.0)
    more = heights.reduction(p(record), 160.0, 15.0) - short
    values = np.round(p(record) + np.where(np.arange(2880) < 1500, 0.0, more), 2)
    (got,) = barometer_reduced.test(case(pressed(record, values)))
    assert isinstance(got, Suspect)
    assert low <= next(c for c in got.clues if c.name == "leap").weight <= high
