"""How soon a gross fault is named: whole runs (chain, the whole book) on the sample station and an invented one.

Promised: a frozen device in 12 h; gross units, a reversed pyranometer and an open input in 6 h; an exchange of unlike
quantities in 24 h; the edges of a shade within 2 degrees from 3 clear half-days; a clock that is 60 min off in 2 days.
The record ends when the time is over, and the fault must be the surest finding.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from qc import chain
from qc.case import Case
from qc.diagnosis import Finding, case_of, diagnose
from qc.mends import moved_back
from qc.places import folder
from qc.read.tables import read_tables
from qc.record import Record
from qc.rehearsal import cut
from qc.run import limits_of
from qc.station import load
from qc.verdicts import Floats
from tests.bench.invented import made
from tests.faults.planted import unchecked

SAMPLE = folder("sample_data")
NAMES = {  # channels of the sample by those of invented stations
    "t": "t_air", "rh": "rh", "p": "p", "ws": "ws", "gust": "gust", "wd": "wd", "ghi": "ghi",
}  # fmt: skip
STATIONS = ("otter-fell", "A-maritime")
Change = Callable[[Case, dict[str, Floats], int], dict[str, Floats]]


@cache
def sound(station: str, days: int = 11) -> Record:
    """Some healthy days of a station: of the sample those in which nothing is planted."""
    if station != "otter-fell":
        return made(station, days, seed=21).record()
    record, refused = read_tables(load(SAMPLE / "otter-fell.station.toml"), sorted(SAMPLE.glob("otter-fell_?.csv")))
    assert not refused
    (table,) = record.tables.values()
    first = np.datetime64("2026-04-02T00:00:00", "us")
    keep = slice(*np.searchsorted(table.time, [first, first + np.timedelta64(days, "D")]))
    return replace(record, tables={table.table.id: table.take(keep)})


def at(case: Case, day: int, solar_hour: float) -> int:
    """The first row of a day of the record from a solar hour on."""
    return int(np.flatnonzero((case.solar_day == case.solar_day[0] + day) & (case.solar_hour >= solar_hour))[0])


def told(station: str, day: int, hour: float, hours: float, change: Change) -> tuple[Finding, np.datetime64]:
    """The surest finding in a record that ends some hours after a change at a solar hour, and when that was."""
    found, when = after(station, day, hour, hours, change)
    assert found
    return found[0], when


def after(station: str, day: int, hour: float, hours: float, change: Change) -> tuple[Sequence[Finding], np.datetime64]:
    """All findings of such a record, and when the change was."""
    record = sound(station)
    (name,) = record.tables
    table, case = record.tables[name], case_of(unchecked(record), name)
    of = {n: (o if station == "otter-fell" else n) for n, o in NAMES.items()}
    row = at(case, day, hour)
    values = {n: table.channels[o].values.copy() for n, o in of.items()}
    channels = {**table.channels, **{
        of[n]: replace(table.channels[of[n]], values=v) for n, v in change(case, values, row).items()
    }}  # fmt: skip
    spoilt = replace(record, tables={name: replace(table, channels=channels)})
    end = case.time[row] + np.timedelta64(round(hours * 3600 - case.interval_s), "s")
    return diagnose(chain.run(cut(spoilt, end), limits_of(record.station))).findings, case.time[row]


def put(name: str, of: Callable[[Floats], Floats]) -> Change:
    def change(case: Case, values: dict[str, Floats], row: int) -> dict[str, Floats]:
        x = values[name]
        x[row:] = of(x[row:])
        return {name: x}

    return change


def exchanged(a: str, b: str) -> Change:
    def change(case: Case, values: dict[str, Floats], row: int) -> dict[str, Floats]:
        x, y = values[a], values[b]
        x[row:], y[row:] = y[row:].copy(), x[row:].copy()
        return {a: x, b: y}

    return change


def still(case: Case, values: dict[str, Floats], row: int) -> dict[str, Floats]:
    for name in ("ws", "gust", "wd"):
        values[name][row:] = values[name][row]
    return {n: values[n] for n in ("ws", "gust", "wd")}


def test_a_sound_record_of_these_days_gives_nothing() -> None:
    for station in STATIONS:
        assert not diagnose(chain.run(sound(station), limits_of(sound(station).station))).findings


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("hour", [1.0, 13.0])
def test_a_frozen_device_in_twelve_hours(station: str, hour: float) -> None:
    finding, when = told(station, 5, hour, 12.0, still)
    assert finding.fault.id == "sensor-frozen"
    assert finding.suspect.onset[0] <= when <= finding.suspect.onset[1]


UNITS = {
    ("p", "inHg"): lambda x: np.round(x / 33.8639, 2),
    ("p", "kPa"): lambda x: np.round(x / 10.0, 2),
    ("t", "K"): lambda x: np.round(x + 273.15, 2),
    ("t", "degF"): lambda x: np.round(1.8 * x + 32.0, 1),
    ("ghi", "kW/m2"): lambda x: np.round(x / 1000.0, 3),
}


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize(("name", "unit"), UNITS)
@pytest.mark.parametrize("hour", [3.0, 9.0])
def test_gross_units_in_six_hours(station: str, name: str, unit: str, hour: float) -> None:
    hour = 9.0 if name == "ghi" else hour
    finding, _ = told(station, 5, hour, 6.0, put(name, UNITS[name, unit]))
    assert finding.fault.id == "unit-wrong"
    likely = (unit, "MJ/m2") if name == "ghi" else (unit,)  # 1.7 times as bright: a cloudy morning does as much
    assert finding.suspect.evidence["unit_found"] in likely


@pytest.mark.parametrize("station", STATIONS)
def test_a_reversed_pyranometer_in_six_hours_of_light(station: str) -> None:
    finding, _ = told(station, 5, 8.0, 6.0, put("ghi", lambda x: -x))
    assert finding.fault.id == "pyranometer-reversed"


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize(("name", "level"), [("t", -99.0), ("t", 6553.5), ("rh", 0.0), ("p", 1400.0), ("ghi", -150.0)])
@pytest.mark.parametrize("hour", [2.0, 14.0])
def test_an_open_input_in_six_hours(station: str, name: str, level: float, hour: float) -> None:
    finding, when = told(station, 5, hour, 6.0, put(name, lambda x: np.full(len(x), level)))
    assert finding.fault.id == "channel-open"
    assert finding.suspect.onset[0] <= when <= finding.suspect.onset[1]


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize(
    ("a", "b"), [("t", "rh"), ("rh", "wd"), ("p", "t"), ("p", "rh"), ("ghi", "ws"), ("wd", "ghi"), ("gust", "p")]
)
@pytest.mark.parametrize("hour", [4.0, 16.0])
def test_unlike_quantities_in_a_day(station: str, a: str, b: str, hour: float) -> None:
    finding, when = told(station, 5, hour, 24.0, exchanged(a, b))
    assert finding.fault.id == "channels-swapped"
    of = [n if station != "otter-fell" else NAMES[n] for n in (a, b)]
    assert set(finding.suspect.channels) == set(of)
    assert (
        finding.suspect.onset[0] - np.timedelta64(1, "h") <= when <= finding.suspect.onset[1] + np.timedelta64(1, "h")
    )


def copied(a: str, b: str) -> Change:
    def change(case: Case, values: dict[str, Floats], row: int) -> dict[str, Floats]:
        values[b][row:] = values[a][row:]
        return {b: values[b]}

    return change


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize(
    "change",
    [copied("p", "t"), copied("p", "rh"), copied("wd", "rh"), copied("t", "p"), exchanged("rh", "ghi"),
     exchanged("p", "t"), exchanged("p", "rh"), exchanged("rh", "wd")],
)  # fmt: skip
@pytest.mark.parametrize("hour", [4.0, 11.0, 16.0])
def test_no_open_input_before_a_copy_or_an_exchange_has_its_day(station: str, change: Change, hour: float) -> None:
    """Impossible numbers that are those of another column: no input is open, nor has a constant or a unit changed."""
    found, _ = after(station, 5, hour, 12.0, change)
    assert not {"channel-open", "constants-wrong", "unit-wrong"} & {f.fault.id for f in found}


@pytest.mark.parametrize("station", STATIONS)
@pytest.mark.parametrize("minutes", [60.0, -60.0])
@pytest.mark.parametrize(("past", "days"), [(0, 2), (5, 4)])
def test_an_hour_of_the_clock(station: str, minutes: float, past: int, days: int) -> None:
    """In a record of two days; where it begins within one, from four days on."""
    record = sound(station)
    (name,) = record.tables
    table, case = record.tables[name], case_of(unchecked(record), name)
    row = at(case, 5, 12.0 if past else 0.0)
    moved = moved_back(table, np.where(np.arange(table.rows) < row, 0.0, -minutes))
    shift = np.timedelta64(round(60 * minutes), "s")
    first = case.time[0] if past else case.time[row] + shift
    keep = slice(*np.searchsorted(moved.time, [first, case.time[row] + shift + np.timedelta64(days, "D")]))
    found = diagnose(chain.run(replace(record, tables={name: moved.take(keep)}), limits_of(record.station))).findings
    assert found[0].fault.id == "clock-offset"
    assert found[0].suspect.evidence["minutes"] == pytest.approx(minutes, abs=5.0)


@pytest.mark.parametrize(("first", "last"), [(100.0, 109.0), (268.0, 277.0)])
def test_the_edges_of_a_shade_from_three_clear_half_days(first: float, last: float) -> None:
    """A wall that takes the beam between two azimuths, on an invented desert of clear days."""
    record = made("A-desert", 9, seed=21).record()
    (name,) = record.tables
    table, case = record.tables[name], case_of(unchecked(record), name)
    row = at(case, 5, 0.0)
    dark = (case.azimuth >= first) & (case.azimuth <= last) & (case.elevation > 0) & (np.arange(case.rows) >= row)
    light = table.channels["ghi"].values * np.where(dark, 0.2, 1.0)
    channels = {**table.channels, "ghi": replace(table.channels["ghi"], values=np.round(light, 1))}
    spoilt = replace(record, tables={name: replace(table, channels=channels)})
    end = case.time[row] + np.timedelta64(3, "D")
    found = diagnose(chain.run(cut(spoilt, end), limits_of(record.station))).findings
    assert found[0].fault.id == "pyranometer-shaded"
    assert found[0].suspect.evidence["azimuth_from"] == pytest.approx(first, abs=2.0)
    assert found[0].suspect.evidence["azimuth_to"] == pytest.approx(last, abs=2.0)
