"""Coordinates by noon and day length, height by pressure."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qc.diagnosis import diagnose
from qc.faults import Cleared, site_facts
from qc.mends import mended, moved
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
