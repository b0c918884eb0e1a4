"""A tracker that lost the sun is named and global is not blamed; faults of global are not taken for it."""

from __future__ import annotations

import numpy as np
import pytest

import qc
from qc import chain
from qc.diagnosis import diagnose, score
from qc.faults import Cleared, Outcome, Suspect, Untested
from qc.faults.tracker_astray import FAULT
from qc.faults.tracker_astray import test as outcomes_of
from qc.record import Record
from qc.run import limits_of
from tests.faults.planted import planted
from tests.faults.sunny import case, sunny, with_values
from tests.shared import shared


def outcome(record: Record) -> Outcome:
    (found,) = outcomes_of(case(record))
    return found


def odds(record: Record) -> float:
    found = outcome(record)
    return score(FAULT, found, case(record)) if isinstance(found, Suspect) else -99.0


def parts(record: Record) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Global, direct, diffuse, and the share of the beam that a level surface takes."""
    now = case(record)
    mu = np.sin(np.radians(np.maximum(now.elevation, 0.0)))
    g, d, f = (now.values(now.of(f"{q}_irradiance")[0]) for q in ("global", "direct", "diffuse"))
    return g, d, f, mu


@pytest.mark.parametrize("seed", range(3))
def test_a_sound_station_closes(seed: int) -> None:
    assert isinstance(outcome(sunny(20, seed=seed)), Cleared)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("grade", ["typical", "gross"])
def test_injected_ones_are_found_near_the_truth(grade: str, seed: int) -> None:
    record = sunny(40, seed=seed + 20)
    injection = FAULT.inject(case(record), grade, np.random.default_rng(seed))
    assert injection is not None
    spoilt = planted(record, "ten", injection)
    found = outcome(spoilt)
    assert isinstance(found, Suspect) and odds(spoilt) > 1.5
    assert found.evidence["share"] == pytest.approx(injection.evidence["share"], abs=0.05)
    assert found.evidence["ratio"] == pytest.approx(injection.evidence["ratio"], rel=0.05)
    assert found.channels == ("dni", "dhi") == found.spoils
    assert found.onset[0] - np.timedelta64(3, "D") <= injection.first <= found.onset[1] + np.timedelta64(3, "D")


@pytest.mark.parametrize("loss", [0.0, 0.05, 0.6])
def test_how_much_of_the_beam_is_lost(loss: float) -> None:
    """5 % of the beam lie within the closure, 60 % do not."""
    record = sunny(20)
    _, d, _, _ = parts(record)
    lost = with_values(record, dni=d * (1.0 - loss * (case(record).solar_hour > 12.0)))
    assert (odds(lost) > 0.0) is (loss > 0.5)


@pytest.mark.parametrize("factor", [0.8, 1.2, 1.5])
def test_a_factor_of_global_is_not_the_tracker(factor: float) -> None:
    record = sunny(20)
    assert odds(with_values(record, ghi=factor * parts(record)[0])) < 0.0


@pytest.mark.parametrize(("tilt", "toward"), [(4.0, 90.0), (6.0, 270.0), (8.0, 0.0)])
def test_a_tilt_of_global_is_not_the_tracker(tilt: float, toward: float) -> None:
    record = sunny(20)
    g, d, _, mu = parts(record)
    now = case(record)
    a, e, t = np.radians(now.azimuth - toward), np.radians(np.maximum(now.elevation, 0.0)), np.radians(tilt)
    facing = np.clip(np.cos(t) * np.sin(e) + np.sin(t) * np.cos(e) * np.cos(a), 0.0, None)
    assert odds(with_values(record, ghi=g + d * (facing - mu))) < 0.0


def test_global_in_the_dark_is_not_the_tracker() -> None:
    """Covered in the mornings, or shaded at one azimuth: the sum follows the sun, global does not."""
    record = sunny(20)
    g, d, _, mu = parts(record)
    now = case(record)
    assert odds(with_values(record, ghi=np.where(now.solar_hour < 10.0, 0.3 * g, g))) < 0.0
    shade = (now.azimuth > 100.0) & (now.azimuth < 140.0)
    assert odds(with_values(record, ghi=g - d * mu * shade)) < 0.0


def test_too_little_is_not_tested() -> None:
    few = outcome(sunny(2.0))
    assert isinstance(few, Untested) and few.decidable_after
    assert isinstance(outcomes_of(case(sunny(10, channels=("ghi", "dni"))))[0], Untested)


def test_the_plateau_is_named_and_its_global_not_blamed() -> None:
    """46 % of its values break the closure (truth.toml), global sound: a natural fault."""
    station = qc.read_station(shared("expected/plateau.toml"))
    record = qc.read_tables(station, [shared("plateau_10min_2015.csv")])
    found = diagnose(
        chain.run(record, limits_of(record.station)), only=["tracker-astray", "pyranometer-scale"]
    ).findings
    assert [f.fault.id for f in found] == ["tracker-astray"]
    assert found[0].log_odds > 2.2  # nine in ten, before calibration
    assert found[0].suspect.evidence["share"] == pytest.approx(0.46, abs=0.01)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("day", [1.45, 6.5, 11.3])
def test_its_onset_lies_between_the_two_stamps(day: float, seed: int) -> None:
    """From one hour on the beam is lost for the rest of each day; within the first days and later."""
    record = sunny(20, seed=seed, clear=0.6)
    _, d, _, _ = parts(record)
    row = round(day * 144)
    away = (np.arange(len(d)) >= row) & (case(record).solar_hour > 9.0)
    found = outcome(with_values(record, dni=np.where(away, 0.2 * d, d)))
    assert isinstance(found, Suspect)
    lost = case(record).time[np.flatnonzero(away & (d > 50.0))[0]]
    assert found.onset[0] <= lost <= found.onset[1]
    assert found.onset[1] - found.onset[0] <= np.timedelta64(3, "D")
