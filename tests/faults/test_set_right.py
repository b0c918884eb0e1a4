"""A fault that began and was set right within the record: it ends there, and what follows has no other name."""

from __future__ import annotations

import importlib
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from qc import chain
from qc.case import ISOLATED, Case
from qc.diagnosis import Diagnosis, case_of, diagnose
from qc.faults import Cleared, Grade, Suspect, barometer_reduced, clock_offset, registry, until
from qc.mends import moved_back
from qc.physics import heights, onset, twilight
from qc.record import Record
from qc.run import limits_of
from qc.verdicts import Floats
from tests.bench.invented import made
from tests.faults import dawn, meadow
from tests.faults.planted import planted, unchecked
from tests.faults.said import named, outcomes

JUMP, COPIED, FROZEN = "constants-wrong", "channels-copied", "sensor-frozen"


def stepped(name: str, first: int, last: int, offset: float, *, lost: int = 0) -> Case:
    """A channel that stands off from one row to another (left out), with rows lost before each."""
    x = meadow.weather(24.0, 1)[1][name].copy()
    x[first:last] = np.round(x[first:last] + offset, 2)
    for row in (first, last):
        if row:
            x[row - lost : row] = np.nan
    return meadow.case(24.0, 1, changed={name: x})


# ---- the test of each fault


@pytest.mark.parametrize(("lost", "seen"), [(0, True), (1, True), (5, True), (6, False)])
def test_a_jump_over_a_gap_of_an_hour(lost: int, seen: bool) -> None:
    case = stepped("p", 1500, 2000, 20.0, lost=lost)
    found = named(JUMP, case)
    assert bool(found) is seen
    if seen:
        assert found[0].onset == (case.time[1499 - lost], case.time[1500])
        assert found[0].last == case.time[1999 - lost]
        assert found[0].mend is not None and found[0].mend.last == found[0].last


def test_a_jump_over_lost_rows_is_held_against_changes_of_as_long() -> None:
    record = meadow.record(24.0, 1, changed={"p": stepped("p", 1500, 2000, 20.0).values(_channel("p"))})
    kept = np.setdiff1d(np.arange(record.tables["ten"].rows), [*range(1496, 1500), *range(1996, 2000)])
    short = replace(record, tables={"ten": record.tables["ten"].take(kept)})
    (suspect,) = named(JUMP, case_of(unchecked(short), "ten"))
    assert "no other channel jumps" in [c.said for c in suspect.clues]


def _channel(name: str):  # type: ignore[no-untyped-def]
    return next(c for c in meadow.case(24.0, 1).channels if c.name == name)


@pytest.mark.parametrize(("more", "ended"), [(0.0, True), (0.8, True), (1.6, False)])
def test_the_return_may_be_a_little_less_than_the_least_jump(more: float, ended: bool) -> None:
    x = meadow.weather(24.0, 1)[1]["p"].copy()
    x[1500:2000] += 3.6  # 3 hPa are asked for in 10 min
    x[2000:] += more
    case = meadow.case(24.0, 1, changed={"p": np.round(x, 2)})
    suspects = [o for o in outcomes(JUMP, case, "p") if isinstance(o, Suspect)]
    assert suspects[0].first == case.time[1500]
    assert suspects[0].last == (case.time[1999] if ended else case.last)


@pytest.mark.parametrize(
    ("name", "offset", "before"),
    [("p", -40.0, True), ("p", 40.0, True), ("p", 5.0, False), ("t_air", -25.0, True), ("t_air", 9.0, False)],
)
def test_a_single_jump_to_what_is_usual_set_it_right(name: str, offset: float, before: bool) -> None:
    case = stepped(name, 0, 1500, offset)
    suspect = next(o for o in outcomes(JUMP, case, name) if isinstance(o, Suspect))
    assert suspect.mend is not None
    if before:
        assert (suspect.first, suspect.last) == (case.first, case.time[1499])
        assert (suspect.mend.first, suspect.mend.last) == (None, case.time[1499])
        assert suspect.evidence["offset"] == pytest.approx(offset, rel=0.1)
        assert "until" in suspect.summary
    else:  # nothing tells which side is right
        assert (suspect.first, suspect.last) == (case.time[1500], case.last)
    assert suspect.mend.proposed is before
    assert ("may as well have set right" in suspect.summary) is not before


@pytest.mark.parametrize(
    ("name", "offset", "last", "told"),
    [
        ("p", 8.0, 3456, False),  # a height tells a pressure to some 10 hPa
        ("p", 40.0, 3456, True),
        ("p", 8.0, 2500, True),  # between two jumps
        ("t_air", 7.0, 3456, False),  # the box lies 5 K off as a rule
        ("t_air", 25.0, 3456, True),
        ("t_air", 25.0, 1600, True),
    ],
)
def test_a_mend_is_proposed_where_a_level_or_the_return_tells_the_side(
    name: str, offset: float, last: int, told: bool
) -> None:
    suspect = next(o for o in outcomes(JUMP, stepped(name, 1500, last, offset), name) if isinstance(o, Suspect))
    assert suspect.first == suspect.onset[1]
    assert suspect.evidence["offset"] == pytest.approx(offset, rel=0.1)
    assert suspect.mend is not None and suspect.mend.proposed is told
    assert ("may as well have set right" in suspect.summary) is not told


@pytest.mark.parametrize(("row", "told"), [(143, False), (144, True)])
def test_a_level_takes_a_day_to_tell(row: int, told: bool) -> None:
    """40 hPa from the second day on: of the days before it one must be whole."""
    suspect = next(o for o in outcomes(JUMP, stepped("p", row, 3456, 40.0), "p") if isinstance(o, Suspect))
    assert suspect.mend is not None and suspect.mend.proposed is told


def test_a_pressure_whose_begin_is_out_of_sight_gets_no_line_for_the_log() -> None:
    """Whole run: 8 hPa too high until the ninth day, of a record that begins within it; the sound days look 8 lower."""
    record = made("A-maritime", 20, seed=5).record()
    ((name, table),) = record.tables.items()
    x = table.channels["p"].values.copy()
    x[: table.rows * 9 // 20] += 8.0
    spoilt = replace(table, channels={**table.channels, "p": replace(table.channels["p"], values=np.round(x, 1))})
    checked = chain.run(replace(record, tables={name: spoilt}), limits_of(record.station))
    (finding,) = diagnose(checked).findings
    assert (finding.fault.id, finding.suspect.channels) == (JUMP, ("p",))
    assert finding.suspect.mend is not None and not finding.suspect.mend.proposed
    assert "may as well have set right" in finding.suspect.summary


def reduced(first: int, last: int, sign: float = 1.0) -> Case:
    record = dawn.healthy(days=20)
    table = record.tables["main"]
    x = table.channels["air_pressure"].values.copy()
    x[first:last] += sign * heights.reduction(x[first:last], 300.0, 12.0)
    channels = {**table.channels, "air_pressure": replace(table.channels["air_pressure"], values=x)}
    return dawn.case(replace(record, tables={"main": replace(table, channels=channels)}))


@pytest.mark.parametrize(("first", "last"), [(900, 2000), (900, 1200), (200, 1400)])
def test_a_reduction_that_was_taken_off_ends_there(first: int, last: int) -> None:
    case = reduced(first, last)
    (got,) = barometer_reduced.test(case)
    assert isinstance(got, Suspect)
    assert (got.first, got.last) == (case.time[first], case.time[last - 1])
    assert got.mend is not None and (got.mend.first, got.mend.last) == (case.time[first], case.time[last - 1])


def test_a_reduction_since_ever_is_told_by_the_leap_that_ended_it() -> None:
    case = reduced(0, 1400)
    (got,) = barometer_reduced.test(case)
    assert isinstance(got, Suspect)
    assert (got.first, got.last) == (case.first, case.time[1399])
    names = [c.name for c in got.clues]
    assert "leap" in names and "never lower" not in names


def test_a_fall_that_is_taken_back_is_no_reduction() -> None:
    (got,) = barometer_reduced.test(reduced(900, 2000, -1.0))
    assert isinstance(got, Cleared) and "takes back a fall" in got.why


@pytest.mark.parametrize("last", [1205, 1296, 1400])
def test_a_copy_ends_at_the_row(last: int) -> None:
    _, found = meadow.weather(12.0, 1)
    y = found["p"].copy()
    y[500:last] = found["t_air"][500:last]
    case = meadow.case(12.0, 1, changed={"p": y})
    (suspect,) = named(COPIED, case)
    assert suspect.last == case.time[last - 1]


def clocked(minutes: float, first: float, last: float) -> Record:
    record = dawn.healthy(days=24)
    table = record.tables["main"]
    days = (table.time - table.time[0]).astype(np.int64) / 86_400e6
    late = np.where((days >= first) & (days < last), minutes, 0.0)
    return replace(record, tables={"main": moved_back(table, -late)})


@pytest.mark.parametrize("minutes", [-300.0, -60.0, 60.0, 150.0])
@pytest.mark.parametrize(("first", "last"), [(6.2, 15.9), (5.5, 14.5), (7.05, 16.3)])
def test_a_clock_that_was_set_right(minutes: float, first: float, last: float) -> None:
    record = clocked(minutes, first, last)
    case = dawn.case(record)
    (got,) = clock_offset.test(case)
    assert isinstance(got, Suspect) and got.mend is not None and got.mend.last == got.last
    begin, end = (case.first + np.timedelta64(round((d * 1440 + minutes) * 60), "s") for d in (first, last))
    hours = [abs(float((a - b) / np.timedelta64(1, "h"))) for a, b in ((got.first, begin), (got.last, end))]
    assert max(hours) <= 13.0  # half a day of light or a night
    if minutes < 0:  # it leaves a gap
        assert hours[1] <= 0.2


@pytest.mark.parametrize(("offset", "spread"), [(14.0, False), (25.0, True), (-25.0, False)])
def test_nights_with_an_offset_are_dark(offset: float, spread: bool) -> None:
    """First light is no later on days without it."""
    record = dawn.healthy(days=20)
    table = record.tables["main"]
    case = dawn.case(record)
    light = next(c for c in case.channels if c.quantity == "global_irradiance")
    x = table.channels[light.name].values.copy()
    plain = twilight.crossings(table.middle, x, case.sky.longitude, case.interval_s)
    x[: 7 * 144] += offset
    found = twilight.crossings(table.middle, x, case.sky.longitude, case.interval_s)
    assert plain is not None and found is not None
    assert (found.noise <= plain.noise + 0.5) is (spread or offset < 0.0)


@pytest.mark.parametrize(("offset", "until_row"), [(25.0, 0), (0.0, 0), (0.0, 300)])
def test_a_zero_that_is_cut_off_stands_still_by_night_only(offset: float, until_row: int) -> None:
    x = np.maximum(meadow.weather(24.0, 1)[1]["ghi"], 0.0)
    x[meadow.case(24.0, 1).elevation < -1.0] = 0.0
    x[: 12 * 144] += offset
    if until_row:  # of the fifth day: it froze in the evening before
        x[4 * 144 - 40 : 4 * 144 + until_row] = x[4 * 144 - 40]
    found = named(FROZEN, meadow.case(24.0, 1, changed={"ghi": x}))
    assert [s.channels for s in found] == ([("ghi",)] if until_row else [])


@pytest.mark.parametrize(("sound", "ended"), [(1, False), (2, True), (9, True)])
@pytest.mark.parametrize("offset", [25.0, -25.0])
def test_an_offset_of_the_nights_ends_with_the_last_of_them(sound: int, ended: bool, offset: float) -> None:
    x = meadow.weather(24.0, 1)[1]["ghi"].copy()
    case = meadow.case(24.0, 1)
    nights, rows = np.unique(case.solar_day[case.night], return_counts=True)
    nights = nights[rows >= 10]  # the record ends within one
    last = int(np.flatnonzero(case.solar_day == nights[-1 - sound])[-1])  # the day before those nights, at midnight
    x[6 * 144 + 60 : last + 1] += offset
    case = meadow.case(24.0, 1, changed={"ghi": x})
    (suspect,) = named("pyranometer-zero", case)
    assert suspect.mend is not None
    assert suspect.last == (case.time[last] if ended else case.last)
    assert suspect.mend.last == (case.time[last] if ended else None)


def test_until_ends_the_mend_at_the_last_value() -> None:
    case = stepped("p", 1500, 2000, 20.0, lost=3)
    channel = next(c for c in case.channels if c.name == "p")

    def judged(now: Case, _: object) -> Suspect:
        (suspect,) = named(JUMP, now)
        return suspect

    got = until(case, channel, 2000, judged)
    assert isinstance(got, Suspect) and got.mend is not None
    assert got.last == got.mend.last == case.time[1996]
    assert np.isfinite(case.values(channel)[2000:]).all(), "the case itself stays"
    assert isinstance(until(case, channel, 1400, lambda now, c: Cleared((c.name,), "sound")), Cleared)


@pytest.mark.parametrize(
    ("inside", "size", "found"),
    [
        ((7, 16), 5.0, (7, 16)),
        ((7, 16), -5.0, (7, 16)),
        ((2, 22), 5.0, None),
        ((7, 9), 5.0, (7, 9)),
        ((7, 8), 5.0, None),
    ],
)
def test_a_stretch_that_began_and_ended(inside: tuple[int, int], size: float, found: tuple[int, int] | None) -> None:
    x = np.random.default_rng(4).normal(10.0, 0.3, 24)
    x[slice(*inside)] += size
    x[3] = np.nan
    got = onset.stretch(x)
    near = None if got is None or abs(got.inside - got.outside) < 4.0 or got.outside > 12.0 else (got.start, got.stop)
    assert near == found
    assert onset.stretch(x[:5]) is None
    assert onset.stretch(np.ones(24)) is None


# ---- whole runs


@cache
def month(name: str) -> Record:
    return made(name, days=28).record()


def spoilt(name: str, fault: str, grade: Grade, days: tuple[float, float], lost: int) -> tuple[Record, tuple[str, ...]]:
    """A month with a fault from one day to another, with rows lost about both; and its channels."""
    record = month(name)
    table = next(iter(record.tables))
    case = case_of(unchecked(record), table)
    a, b = (round(d * 86400.0 / case.interval_s) for d in days)
    module = importlib.import_module(f"qc.faults.{fault.replace('-', '_')}")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "onset_row", lambda case, rng, **_: a)
        injection = registry()[fault].inject(case, grade, np.random.default_rng(3))
    assert injection is not None
    inside = (np.arange(case.rows) >= a) & (np.arange(case.rows) < b)
    values: dict[str, Floats] = {}
    for channel, new in injection.values.items():
        values[channel] = np.where(inside, new, record.tables[table].channels[channel].values)
    ahead = None if injection.ahead_s is None else np.where(inside, injection.ahead_s, 0.0)
    broken = planted(record, table, replace(injection, values=values, ahead_s=ahead))
    if lost:
        now = broken.tables[table]
        gone = np.zeros(now.rows, bool)
        for row in (a, b):
            gone[row - lost : row] = True
        broken = replace(broken, tables={table: now.take(np.flatnonzero(~gone))})
    return broken, injection.channels


def whole(record: Record) -> Diagnosis:
    return diagnose(chain.run(record, limits_of(record.station), only=ISOLATED))


@pytest.mark.parametrize(
    ("name", "fault", "grade"),
    [
        ("A-continental", "barometer-reduced", "typical"), ("A-desert", "barometer-reduced", "gross"),
        ("A-continental", "constants-wrong", "gross"), ("A-continental", "constants-wrong", "typical"),
        ("A-continental", "channels-copied", "gross"), ("A-maritime", "channels-swapped", "gross"),
        ("A-maritime", "pyranometer-reversed", "typical"), ("A-continental", "channel-open", "gross"),
        ("A-maritime", "clock-offset", "gross"),
    ],
)  # fmt: skip
@pytest.mark.parametrize(("days", "lost"), [((6.4, 15.3), 0), ((1.3, 9.6), 3)])
def test_it_is_named_with_its_end_and_nothing_else(
    name: str, fault: str, grade: Grade, days: tuple[float, float], lost: int
) -> None:
    record, channels = spoilt(name, fault, grade, days, 0 if fault == "clock-offset" else lost)
    (finding,) = whole(record).findings
    assert finding.fault.id == fault
    assert set(finding.suspect.channels) == set(channels)
    end = month(name).tables[next(iter(record.tables))].time[0] + np.timedelta64(round(days[1] * 86400), "s")
    room = np.timedelta64(24 if fault in ("clock-offset", "pyranometer-reversed", "channel-open") else 2, "h")
    assert abs(finding.suspect.last - end) <= room
    mend = finding.suspect.mend
    assert mend is None or (mend.last is not None and abs(mend.last - end) <= room)


@pytest.mark.parametrize("name", ["A-continental", "A-maritime", "A-desert"])
def test_the_month_itself_is_sound(name: str) -> None:
    assert whole(month(name)).findings == ()
