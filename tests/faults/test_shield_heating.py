"""A shield that heats its sensor is told from the weather by cloud edges and wind."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.diagnosis import score
from qc.faults import Cleared, Outcome, Suspect, Untested
from qc.faults.shield_heating import FAULT, excess
from qc.faults.shield_heating import test as outcomes_of
from qc.physics import shield_response as response
from qc.record import Record
from tests.faults.planted import planted
from tests.faults.sunny import case, sunny, with_values


def outcome(record: Record) -> Outcome:
    (found,) = outcomes_of(case(record))
    return found


def odds(record: Record) -> float:
    found = outcome(record)
    return score(FAULT, found, case(record)) if isinstance(found, Suspect) else -99.0


def air(record: Record) -> np.ndarray:
    now = case(record)
    return now.values(now.of("air_temperature")[0])


@pytest.mark.parametrize("seed", range(4))
def test_a_sound_shield_is_cleared(seed: int) -> None:
    found = outcome(sunny(30, seed=seed))
    assert isinstance(found, Cleared) and "K per kW/m2" in found.why


@pytest.mark.parametrize("interval", [60, 300, 600])
@pytest.mark.parametrize(("size", "found"), [(1.0, False), (9.0, True)])
def test_from_the_start(interval: int, size: float, found: bool) -> None:
    record = sunny(30, interval_s=interval, clear=0.1)
    added = excess(case(record), size)
    assert added is not None
    spoilt = with_values(record, t_air=air(record) + added)
    assert (odds(spoilt) > 0.0) is found
    if found:
        told = outcome(spoilt)
        assert isinstance(told, Suspect)
        assert told.onset == (record.tables["ten"].time[0], record.tables["ten"].time[0])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("grade", ["typical", "gross"])
def test_injected_ones_are_found_near_the_truth(grade: str, seed: int) -> None:
    record = sunny(45, seed=seed + 30, clear=0.2)
    injection = FAULT.inject(case(record), grade, np.random.default_rng(seed))
    assert injection is not None
    spoilt = planted(record, "ten", injection)
    found = outcome(spoilt)
    assert isinstance(found, Suspect) and odds(spoilt) > 1.5
    assert found.evidence["excess_k"] == pytest.approx(injection.evidence["excess_k"], rel=0.35)
    assert found.onset[0] - np.timedelta64(1, "D") <= injection.first <= found.onset[1] + np.timedelta64(1, "D")


def test_what_does_not_fall_with_wind_is_the_air() -> None:
    """Ground and air that answer to the sun quickly do so in a breeze as well."""
    record = sunny(30)
    now = case(record)
    assert odds(with_values(record, t_air=air(record) + 1.6 * now.values(now.channels[0]) / 1000.0)) < 0.0


def test_cold_gusts_out_of_showers_are_no_shield() -> None:
    """Where a cloud brings rain the air cools by kelvins, whatever the shield."""
    record = sunny(30, clear=0.1)
    now = case(record)
    rng = np.random.default_rng(5)
    starts = rng.choice(now.rows, 25)
    cold = np.zeros(now.rows)
    for at in starts:
        cold[at : at + 6] = rng.uniform(2.0, 6.0)
    g = now.values(now.channels[0])
    dark = np.where(cold > 0, 0.2 * g, g)
    assert odds(with_values(record, t_air=air(record) - cold, ghi=dark)) < 0.0


def test_too_little_is_not_tested() -> None:
    assert isinstance(outcome(sunny(3)), Untested)
    assert isinstance(outcome(sunny(30, clear=1.0, closed=0.0)), Untested)
    assert isinstance(outcome(sunny(30, interval_s=3600)), Untested)


@given(st.floats(-5, 5), st.floats(-1, 1), st.integers(10, 40))
def test_the_slope_is_free_of_a_common_trend(slope: float, trend: float, count: int) -> None:
    """What adds to brightening edges and takes from darkening ones of equal size cancels out."""
    sun = np.concatenate([np.linspace(0.2, 0.6, count), -np.linspace(0.2, 0.6, count)])
    found, error = response.slope(sun, slope * sun + trend)
    assert found == pytest.approx(slope, abs=1e-9)
    assert error >= 0.0


def test_slopes_need_edges_of_either_kind() -> None:
    sun = np.full(30, 0.3)
    assert np.isnan(response.slope(sun, sun)[0])
    assert np.isnan(response.slope(np.append(sun, -sun[:9]), np.append(sun, -sun[:9]))[0])
    assert response.slope(np.append(sun, -sun[:10]), np.append(sun, -sun[:10]))[0] == pytest.approx(1.0)


def test_blocks_and_edges() -> None:
    number = np.array([0, 0, 1, 1, 3, 3])
    found = response.blocks(number, [0.0, 200.0, 300.0, 500.0, 900.0, np.nan], [1.0] * 6, [2.0] * 6, least=2)
    assert found.values[0][:2].tolist() == [100.0, 400.0] and np.isnan(found.values[0][2])
    assert found.row.tolist() == [1, 3, 5]
    whole = response.blocks(number, [0.0, 200.0, 300.0, 500.0, 900.0, 900.0], [1, 1, 2, 2, 3, 3], [2.0] * 6)
    assert response.edges(whole, least=0.3).sun.tolist() == [0.3]  # on the bound; the third block is not the next
    assert len(response.edges(whole, least=0.301).sun) == 0
