"""Coordinates by noon and day length, height by pressure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from qc import firstlight
from qc.diagnosis import Finding, diagnose
from qc.faults import Cleared, Untested, site_facts
from qc.mends import mended, moved, moved_back
from qc.physics import heights
from qc.quantities import quantities
from qc.record import Record
from tests.faults.dawn import case, healthy
from tests.faults.planted import unchecked

FAULTS = ("clock-offset", "stamp-side", "site-facts", "barometer-reduced", "unit-wrong")


def declared(record: Record, **site: float) -> Record:
    return replace(record, station=moved(record.station, site))


@pytest.mark.parametrize(
    "site",
    [{"longitude": -11.0}, {"latitude": -51.0}, {"latitude": 11.0, "longitude": 51.0}],
    ids=["sign of longitude", "sign of latitude", "exchanged"],
)
def test_slips_of_the_pen_are_told_with_the_right_coordinates(site: dict[str, float]) -> None:
    record = declared(healthy("2025-06-01", days=14), **site)
    first = diagnose(unchecked(record), only=FAULTS).findings[0]
    assert first.fault.id == "site-facts"
    assert first.suspect.evidence == {"what": "coordinates", "found": [51.0, 11.0]}
    assert first.log_odds > 2.2
    assert first.suspect.mend is not None
    assert mended(record, first.suspect.mend).station.station.longitude == 11.0


def test_a_latitude_cannot_be_told_at_the_equinox_and_is_not_claimed() -> None:
    got = diagnose(unchecked(declared(healthy("2025-03-15", days=10), latitude=44.0)), only=FAULTS)
    assert not got.findings


def test_an_hour_from_the_first_row_on_leaves_clock_and_zone_beside_each_other() -> None:
    from tests.faults.test_clock_offset import ahead

    got = diagnose(unchecked(ahead(healthy(days=20), 60.0)), only=FAULTS).findings
    assert {f.fault.id for f in got} == {"clock-offset", "site-facts"}
    zone = next(f for f in got if f.fault.id == "site-facts")
    assert zone.suspect.evidence == {"what": "zone", "found": "+01:00"}
    assert sum(f.confidence for f in got) > 0.9


def test_feet_taken_for_metres() -> None:
    record = declared(healthy(days=14), elevation=984.0)  # 300 m in feet
    first = diagnose(unchecked(record), only=FAULTS).findings[0]
    assert first.fault.id == "site-facts"
    assert first.suspect.evidence == {"what": "elevation", "found": 300}


@pytest.mark.parametrize("off", [-60.0, 0.0, 60.0])
def test_heights_within_what_pressure_can_tell_are_cleared(off: float) -> None:
    got = site_facts.test(case(declared(healthy(days=14), elevation=300.0 + off)))
    assert [type(one) for one in got] == [Cleared, Cleared]


def test_far_south_and_far_west_are_no_matter() -> None:
    record = healthy("2025-01-05", days=10, latitude=-33.0, longitude=-70.0)
    assert not diagnose(unchecked(record), only=FAULTS).findings


def zoned(record: Record, offset: str) -> Record:
    clock = record.station.clock[0].model_copy(update={"utc_offset": offset})
    return replace(record, station=record.station.model_copy(update={"clock": [clock]}))


def named(record: Record) -> Finding:
    return diagnose(unchecked(record), only=FAULTS).findings[0]


@pytest.mark.parametrize(("longitude", "interval"), [(102.3, "10min"), (67.5, "10min"), (34.1, "10min"), (15.6, "1h")])
def test_a_lost_sign_is_likelier_than_a_clock_that_is_off_by_what_no_clock_is(longitude: float, interval: str) -> None:
    # noon is off by 618, 540, 273 and 125 min: half hours and hours that a clock is hardly ever set to
    record = healthy(days=14, longitude=longitude, interval=interval)
    found = diagnose(unchecked(declared(record, longitude=-longitude)), only=FAULTS).findings
    assert found[0].fault.id == "site-facts"
    assert found[0].suspect.evidence == {"what": "coordinates", "found": [51.0, longitude]}
    assert found[0].confidence > 0.7


def test_a_lost_sign_that_moves_noon_by_an_hour_leaves_the_clock_beside_it() -> None:
    found = diagnose(unchecked(declared(healthy(days=14, longitude=7.5), longitude=-7.5)), only=FAULTS).findings
    assert {f.fault.id for f in found} == {"site-facts", "clock-offset"}
    assert sum(f.confidence for f in found) > 0.9
    assert all(r.split_by for f in found for r in f.rivals if r.fault in {"site-facts", "clock-offset"})


@pytest.mark.parametrize(("off", "tells"), [(0.0, True), (60.0, False)])
def test_light_alone_tells_a_slip_that_fits_and_no_other(off: float, tells: bool) -> None:
    record = healthy(days=14, longitude=27.3 + off / 4.0, channels=("global_irradiance",))
    got = site_facts.test(case(declared(record, longitude=-27.3)))
    if tells:
        assert [o.evidence["found"] for o in got] == [[51.0, 27.3]]  # type: ignore[union-attr]
    else:
        assert isinstance(got[0], Untested)
        assert "another channel must bear it out" in got[0].why


def test_a_few_days_that_are_minutes_off_are_no_clock_that_moves() -> None:
    record = declared(healthy(days=40, longitude=10.0), longitude=-10.0)
    table = record.tables["main"]
    late = np.where(np.arange(table.rows) > 33 * 144, 6.0, 0.0)
    found = diagnose(unchecked(replace(record, tables={"main": moved_back(table, -late)})), only=FAULTS).findings
    (site,) = [f for f in found if f.fault.id == "site-facts"]  # what is left of 6 min is then a clock
    assert site.suspect.evidence["found"] == [51.0, 10.0]
    late = np.where(np.arange(table.rows) > 33 * 144, 60.0, 0.0)
    got = site_facts.test(case(replace(record, tables={"main": moved_back(table, -late)})))[0]
    assert isinstance(got, Cleared)
    assert "alike" in got.why


def test_exchanged_coordinates_in_hourly_tables() -> None:
    record = healthy("2025-02-20", days=30, interval="1h", latitude=-8.0, longitude=-35.0)
    first = named(declared(record, latitude=-35.0, longitude=-8.0))
    assert first.fault.id == "site-facts"
    assert first.suspect.evidence["found"] == [-8.0, -35.0]


def test_coordinates_without_a_sun_leave_the_light_light() -> None:
    record = declared(healthy("2025-05-05", latitude=-33.1, longitude=-70.9), latitude=-70.9, longitude=-33.1)
    first = diagnose(unchecked(record)).findings[0]
    assert first.fault.id == "site-facts"
    assert first.suspect.evidence["found"] == [-33.1, -70.9]


def test_a_lost_sign_of_the_offset() -> None:
    sound = zoned(healthy(days=14, longitude=101.0), "+08:00")
    table = sound.tables["main"]
    stamped = replace(table, time=table.time + np.timedelta64(16, "h"))  # read as if the clock were at -08:00
    first = named(zoned(replace(sound, tables={"main": stamped}), "-08:00"))
    assert first.fault.id == "site-facts"
    assert first.suspect.evidence == {"what": "zone", "found": "+08:00"}
    assert first.suspect.mend is not None
    assert np.array_equal(
        mended(replace(sound, tables={"main": stamped}), first.suspect.mend).tables["main"].time, table.time
    )


@pytest.mark.parametrize(
    ("offset", "before", "after", "said"),
    [(120, -22.5, 22.5, 0), (120, -22.6, 22.5, 1), (120, 22.5, -22.5, 0), (120, 22.5, -22.6, -1), (0, -98, 98, 0)],
    ids=["210 min", "beyond", "210 min then", "beyond then", "a clock on UTC"],
)
def test_no_one_lives_far_from_his_zone(offset: int, before: float, after: float, said: int) -> None:
    here = case(zoned(healthy(days=4, longitude=before), f"+{offset // 60:02}:00"))
    got = site_facts._beside(here, offset, after)
    assert [np.sign(clue.log_odds) for clue in got] == ([said] if said else [])


def test_channels_with_a_daily_course_are_quantities() -> None:
    assert set(firstlight.COURSES) <= set(quantities())


def test_a_panel_bears_witness() -> None:
    record = healthy(days=14, channels=("global_irradiance", "charge_voltage"), longitude=11.0)
    table = record.tables["main"]
    light = table.channels["global_irradiance"]
    volts = replace(light, values=np.where(light.values > 20.0, 18.0, 0.0))
    record = replace(record, tables={"main": replace(table, channels={**table.channels, "charge_voltage": volts})})
    here = case(declared(record, longitude=11.0 + 75.0))
    found = firstlight.of(here)
    assert found is not None
    told = firstlight.witness(here, found, found.whole.mean, firstlight.Piece(0, len(found.row), found.whole))
    assert told is not None
    assert told.log_odds > 3.0
    assert "charge_voltage" in told.said


def test_how_usual_a_wrong_clock_is() -> None:
    here = case(zoned(healthy(days=4, longitude=101.0), "+08:00"))

    def usual(minutes: float) -> float:
        return firstlight.usual(here, minutes, 1.0)

    assert usual(35.0) == pytest.approx(0.0, abs=0.2)  # computed: 700 * 0.5 / (2 * ln 144 * 35) = 1.0
    assert usual(60.0) > usual(120.0) > usual(180.0) > usual(300.0) > usual(630.0)
    assert usual(480.0) == pytest.approx(usual(-480.0))
    assert usual(480.0) > usual(540.0) + 1.5  # local time taken for UTC
    assert usual(700.0) == pytest.approx(usual(700.0 - 1440.0))


def test_feet_on_a_mountain_are_no_matter_of_units() -> None:
    record = healthy(days=14, elevation=2890.0)
    table = record.tables["main"]
    air = table.channels["air_temperature"]
    cold = {**table.channels, "air_temperature": replace(air, values=air.values - 16.0)}
    record = replace(record, tables={"main": replace(table, channels=cold)})
    first = named(declared(record, elevation=9482.0))
    assert first.suspect.evidence == {"what": "elevation", "found": 2890}
    assert "feet" in first.suspect.summary


@pytest.mark.parametrize("factor", [1 / 1.33322, 1 / 33.8639, 0.1])
def test_another_unit_of_pressure_is_no_height(factor: float) -> None:
    record = healthy(days=14, elevation=1050.0)  # 0.75 of its pressure is that of 1050 * 3.28 m
    table = record.tables["main"]
    p = table.channels["air_pressure"]
    changed = {**table.channels, "air_pressure": replace(p, values=p.values * factor)}
    got = site_facts.test(case(replace(record, tables={"main": replace(table, channels=changed)})))
    assert [type(o) for o in got] == [Cleared, Untested]


def test_a_warm_mountain_is_as_high_as_it_is() -> None:
    record = healthy(days=14, elevation=2890.0)
    table = record.tables["main"]
    t, p = table.channels["air_temperature"], table.channels["air_pressure"]
    sound = heights.usual_pressure(2890.0, 12.0)
    changed = {
        **table.channels,
        "air_temperature": replace(t, values=t.values - np.nanmedian(t.values) + 12.0),
        "air_pressure": replace(p, values=p.values - np.nanmedian(p.values) + sound + 12.0),
    }
    (_, got) = site_facts.test(case(replace(record, tables={"main": replace(table, channels=changed)})))
    assert isinstance(got, Cleared)  # 12 hPa are weather; 12 + 10 of the warm air were none


@pytest.mark.parametrize("grade", ["typical", "gross"])
@pytest.mark.parametrize("seed", range(4))
def test_injected_ones_are_found(grade: str, seed: int) -> None:
    from tests.faults.planted import planted

    record = zoned(healthy("2025-05-10", days=20, seed=seed, longitude=44.0, elevation=900.0), "+03:00")
    injection = site_facts.inject(case(record), grade, np.random.default_rng(seed))  # type: ignore[arg-type]
    assert injection is not None
    assert injection.station is not None
    wrong = planted(record, "main", injection)
    if injection.evidence["what"] == "zone":  # the text of the stamps stays
        table = wrong.tables["main"]
        wrong = replace(wrong, tables={"main": replace(table, time=table.time + np.timedelta64(6, "h"))})
    first = named(wrong)
    assert first.fault.id == "site-facts"
    assert first.suspect.evidence["what"] == injection.evidence["what"]


def test_nothing_gross_looks_like_the_next_zone() -> None:
    record = healthy("2025-03-20", days=14, latitude=51.0, longitude=7.5, channels=("global_irradiance",))
    here = case(record)
    gross = [site_facts.inject(here, "gross", np.random.default_rng(n)) for n in range(8)]
    assert gross
    for one in gross:
        assert one is not None
        assert one.station is not None
        site = one.station.station
        assert (site.latitude, site.longitude) != (51.0, -7.5)


@pytest.mark.parametrize(("latitude", "longitude"), [(-22.0, 131.0), (64.0, -150.0), (3.0, -60.0)])
def test_the_coordinates_of_another_station(latitude: float, longitude: float) -> None:
    first = named(declared(healthy("2025-06-01", days=14), latitude=latitude, longitude=longitude))
    assert first.fault.id == "site-facts"
    assert first.confidence > 0.9
    assert first.suspect.evidence["found"] == [pytest.approx(51.0, abs=5.0), pytest.approx(11.0, abs=1.5)]
    assert first.suspect.mend is not None
    assert not first.suspect.mend.proposed


@pytest.mark.parametrize(("longitude", "alike"), [(15.6, True), (32.0, False)])
def test_slips_that_fit_alike_are_both_told_and_none_is_proposed(longitude: float, alike: bool) -> None:
    # noon is off by 125 min under a lost sign of the longitude, by 120 under one of the offset
    record = zoned(healthy(days=14, longitude=longitude, latitude=68.0), "+01:00")
    first = named(declared(record, longitude=-longitude))
    assert first.fault.id == "site-facts"
    assert ("as well" in first.suspect.summary) is alike
    assert first.suspect.mend is not None
    assert first.suspect.mend.proposed is not alike
