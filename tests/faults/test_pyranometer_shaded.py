"""Fixed shade is found with its edges; clouds, dew, fog at a fixed hour, declared horizons and short records are not
taken for it."""

from __future__ import annotations

import numpy as np
import pytest

from qc.diagnosis import score
from qc.faults import Cleared, Outcome, Suspect, Untested
from qc.faults.pyranometer_shaded import FAULT, beam
from qc.faults.pyranometer_shaded import test as outcomes_of
from qc.physics import shade
from qc.record import Record
from tests.faults.planted import planted
from tests.faults.sunny import case, sunny, with_values


def outcome(record: Record) -> Outcome:
    (found,) = outcomes_of(case(record))
    return found


def odds(record: Record) -> float:
    """Log-odds after the prior; far below zero where there is no suspect."""
    found = outcome(record)
    return score(FAULT, found, case(record)) if isinstance(found, Suspect) else -99.0


def shaded(record: Record, first: float, last: float, top: float = 90.0, share: float = 0.9, **when: str) -> Record:
    """The record with something that hides the sun between two azimuths."""
    now = case(record)
    step = np.abs(shade.azimuth_rate(now.sky.latitude, now.elevation, now.azimuth)) * now.interval_s / 3600.0
    part = shade.overlap(now.azimuth, step, first, last) * (now.elevation < top)
    part *= now.time >= np.datetime64(when.get("since", "1970-01-01"))
    ghi = now.of("global_irradiance")[0]
    return with_values(record, ghi=now.values(ghi) - share * part * beam(now, ghi))


@pytest.mark.parametrize(("interval", "first", "last"), [(600, 108.0, 117.0), (60, 231.0, 237.0), (300, 140.0, 156.0)])
def test_three_clear_half_days_show_the_edges(interval: int, first: float, last: float) -> None:
    record = shaded(sunny(4, interval_s=interval, clear=1.0, closed=0.0, channels=("ghi",)), first, last)
    found = outcome(record)
    assert isinstance(found, Suspect)
    assert odds(record) > 0.0
    assert found.evidence["azimuth_from"] == pytest.approx(first, abs=2.0)
    assert found.evidence["azimuth_to"] == pytest.approx(last, abs=2.0)


@pytest.mark.parametrize(("latitude", "first"), [(50.9, 76.0), (-35.0, 30.0), (-20.0, 315.0), (5.0, 52.0)])
def test_found_among_clouds_on_both_hemispheres(latitude: float, first: float) -> None:
    healthy = sunny(40, latitude=latitude, seed=3)
    record = shaded(healthy, first, first + 12.0, top=60.0)
    assert odds(healthy) < -1.0
    found = outcome(record)
    assert isinstance(found, Suspect)
    assert odds(record) > 2.0
    assert found.evidence["azimuth_from"] == pytest.approx(first, abs=2.0)
    assert found.evidence["azimuth_to"] == pytest.approx(first + 12.0, abs=2.0)
    assert found.evidence["elevation_top"] <= 61.0


def test_onset_lies_between_the_last_clear_day_and_the_first_dark_one() -> None:
    found = outcome(shaded(sunny(40, seed=3), 100.0, 112.0, since="2025-05-25"))
    assert isinstance(found, Suspect)
    assert found.onset[0] <= np.datetime64("2025-05-25T09") <= found.onset[1]
    assert found.onset[1] - found.onset[0] < np.timedelta64(8, "D")


def test_from_the_start_the_onset_is_the_first_row() -> None:
    record = shaded(sunny(30, seed=3), 100.0, 112.0)
    found = outcome(record)
    assert isinstance(found, Suspect)
    first = record.tables["ten"].time[0]
    assert found.onset[0] == first and found.onset[1] <= first + np.timedelta64(4, "D")


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("latitude", [55.0, 30.0, -5.0])
def test_healthy_weather_is_no_shade(latitude: float, seed: int) -> None:
    assert odds(sunny(45, latitude=latitude, seed=seed)) < -1.0


def test_clouds_at_a_fixed_hour_are_no_shade() -> None:
    """A sea breeze: on most days clouds from some time around two o'clock, for some hours."""
    record = sunny(40, clear=0.9, closed=0.05, channels=("ghi",))
    now = case(record)
    rng = np.random.default_rng(2)
    start, length = rng.normal(14.0, 0.6, 400), rng.normal(2.0, 0.5, 400)
    number = now.solar_day - now.solar_day[0]
    hour = now.solar_hour
    cloudy = (hour > start[number]) & (hour < start[number] + length[number]) & (rng.random(400) < 0.8)[number]
    ghi = now.values(now.channels[0])
    assert odds(with_values(record, ghi=np.where(cloudy, ghi * rng.uniform(0.2, 0.6, len(ghi)), ghi))) < 0.0


def test_dew_that_dries_after_sunrise_is_no_shade() -> None:
    record = sunny(30, clear=0.8, closed=0.1, channels=("ghi",))
    now = case(record)
    rng = np.random.default_rng(3)
    dries = rng.normal(7.5, 0.7, 400)[now.solar_day - now.solar_day[0]]
    lost = 0.5 * np.clip((dries - now.solar_hour) / 2.0, 0.0, 1.0) * (now.solar_hour > 4)
    assert odds(with_values(record, ghi=now.values(now.channels[0]) * (1.0 - lost))) < 0.0


HORIZON = """
[[horizon]]
azimuth = 0.0
elevation = 0.0
[[horizon]]
azimuth = 99.0
elevation = 0.0
[[horizon]]
azimuth = 100.0
elevation = {top}
[[horizon]]
azimuth = 112.0
elevation = {top}
[[horizon]]
azimuth = 113.0
elevation = 0.0
"""


@pytest.mark.parametrize(("declared", "found"), [(60.0, False), (0.0, True)])
def test_declared_shade_is_known(declared: float, found: bool) -> None:
    record = shaded(sunny(30, seed=3, more=HORIZON.format(top=declared)), 100.0, 112.0)
    assert (odds(record) > 0.0) is found


@pytest.mark.parametrize(("top", "found"), [(11.5, False), (19.0, True)])
def test_what_lies_low_is_landscape(top: float, found: bool) -> None:
    record = shaded(sunny(40, clear=0.6, seed=3, channels=("ghi",)), 64.0, 71.0, top=top)
    assert (odds(record) > 0.0) is found


def test_the_direct_beam_tells_clouds_from_shade() -> None:
    healthy = sunny(12, clear=0.5, seed=4)
    record = shaded(healthy, 100.0, 112.0)
    alone = with_values(record, dni=np.full(record.tables["ten"].rows, np.nan))
    cut = shaded(healthy, 100.0, 112.0)
    now = case(cut)
    inside = (now.azimuth > 100.0) & (now.azimuth < 112.0)
    clouded = with_values(cut, dni=np.where(inside, 0.0, now.values(now.of("direct_irradiance")[0])))
    assert odds(record) > odds(alone) > odds(clouded)
    assert odds(clouded) < 0.0


@pytest.mark.parametrize("factor", [1.0, 0.8])
def test_where_beam_and_sky_beside_it_make_no_more_light_nothing_hides_the_sun(factor: float) -> None:
    """A hole in the light that all three show is one of the sky, however bright the beam is."""
    record = shaded(sunny(12, clear=0.5, seed=4), 100.0, 112.0)
    now = case(record)
    ghi, dni, dhi = (now.values(now.of(f"{q}_irradiance")[0]) for q in ("global", "direct", "diffuse"))
    mu = np.sin(np.radians(np.maximum(now.elevation, 0.0)))
    inside = (now.azimuth > 100.0) & (now.azimuth < 112.0)
    sky = np.where(inside, np.maximum(ghi - dni * mu, 0.0), dhi)
    same = with_values(record, dhi=sky, dni=np.where(inside, (ghi - sky) / np.maximum(mu, 0.05), dni))
    assert odds(with_values(record, ghi=factor * ghi)) > 2.0
    assert odds(with_values(same, ghi=factor * ghi)) < 0.0


def test_too_little_is_not_tested() -> None:
    few = outcome(sunny(2.0, clear=1.0, closed=0.0))
    assert isinstance(few, Untested) and few.decidable_after
    dull = outcome(sunny(12.0, clear=0.0, closed=1.0))
    assert isinstance(dull, Untested) and dull.decidable_after
    assert isinstance(outcome(sunny(40, interval_s=3600)), Untested)
    assert isinstance(outcome(sunny(40, seed=3)), Cleared)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("grade", ["typical", "gross"])
def test_injected_ones_are_found_near_the_truth(grade: str, seed: int) -> None:
    record = sunny(60, clear=0.4, seed=seed + 10)
    injection = FAULT.inject(case(record), grade, np.random.default_rng(seed))
    if injection is None:
        pytest.skip("no place for it")
    spoilt = planted(record, "ten", injection)
    found = outcome(spoilt)
    assert isinstance(found, Suspect) and odds(spoilt) > 0.5
    for key in ("azimuth_from", "azimuth_to"):
        assert found.evidence[key] == pytest.approx(injection.evidence[key], abs=2.0)
    assert found.onset[0] <= injection.first <= found.onset[1] + np.timedelta64(1, "D")
