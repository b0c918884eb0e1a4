"""The logger clock: zones, history, repeated and skipped stamps; tables of cases, and simulated loggers."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.errors import StationFileError
from qc.read.clock import (
    REACH,
    SINCE_EVER,
    ClockEntry,
    Utc,
    parse_offset,
    timeline,
    timeline_for,
    to_logger_clock,
    to_utc,
    zone,
    zone_names,
)

NAT = np.datetime64("NaT", "us")


def moment(text: str) -> np.datetime64:
    return np.datetime64(text, "us")


def times(*texts: str) -> np.ndarray:
    return np.array(texts, "datetime64[us]")


def follows(name: str, minutes_ahead: float = 0.0) -> list[ClockEntry]:
    return [ClockEntry(None, None, name, minutes_ahead)]


def read(
    entries: list[ClockEntry], local: np.ndarray, counter: list[float] | None = None, interval_s: float | None = None
) -> Utc:
    numbers = None if counter is None else np.array(counter, float)
    return to_utc(local, numbers, timeline_for(entries, local), interval_s)


# --- offsets and zones ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("+05:30", 19800),
        ("-05:30", -19800),
        ("+0530", 19800),
        ("+01", 3600),
        ("-00:00", 0),
        (" +00:00 ", 0),
        ("+14:00", 50400),
        ("-14:00", -50400),
        ("Z", 0),
        ("UTC", 0),
    ],
)
def test_an_offset_is_read(text: str, seconds: float) -> None:
    assert parse_offset(text) == seconds


@pytest.mark.parametrize(
    "text", ["", "5", "05:30", "+5:30", "+05:60", "+14:01", "+15", "utc+1", "+05:30:00", "\u22125", 1]
)
def test_no_offset_is_refused(text: str) -> None:
    with pytest.raises(StationFileError, match=r'^\[\[clock\]\]: .*write it as "\+05:30"'):
        parse_offset(text, where="[[clock]]")


def test_the_widest_offset_is_that_of_kiritimati() -> None:
    assert zone("Pacific/Kiritimati").utcoffset(datetime(2026, 1, 1)) == timedelta(seconds=parse_offset("+14:00"))


@pytest.mark.parametrize(
    "name",
    [
        "Europe/Londn",
        "europe/london",
        "../../etc/passwd",
        "/etc/localtime",
        "Europe/../Europe/London",
        "",
        "Europe",
        "zones",
    ],
)
def test_an_unknown_zone_is_refused(name: str) -> None:
    with pytest.raises(StationFileError, match=r"entry 2: unknown time zone"):
        zone(name, where="[[clock]] entry 2")


def test_the_nearest_zone_is_named() -> None:
    with pytest.raises(StationFileError, match=r"nearest known: Europe/London"):
        zone("Europe/Londn")


def test_every_listed_zone_can_be_loaded() -> None:
    assert len(zone_names()) > 400
    assert all(zone(name).key == name for name in zone_names())


def test_zone_data_come_from_the_package_not_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    import zoneinfo

    zoneinfo.reset_tzpath([])
    try:
        assert zone("Asia/Kathmandu").utcoffset(datetime(2026, 1, 1)) == timedelta(hours=5, minutes=45)
    finally:
        zoneinfo.reset_tzpath()


# --- the timeline -----------------------------------------------------------------------------------------------


def test_a_fixed_clock_has_one_piece() -> None:
    assert timeline([ClockEntry(None, 3600.0, None, -2.5)], moment("2026-01-01"), moment("2026-12-31")) == [
        (SINCE_EVER, 3450.0)
    ]


def test_a_zone_changes_to_the_second() -> None:
    # EU directive 2000/84/EC: at 01:00 UTC on the last Sundays of March and October
    found = timeline(follows("Europe/London"), moment("2026-01-10"), moment("2026-12-20"))
    assert found == [(SINCE_EVER, 0.0), (moment("2026-03-29T01:00:00"), 3600.0), (moment("2026-10-25T01:00:00"), 0.0)]


def test_half_an_hour_and_minutes_ahead() -> None:
    # Lord Howe Island: half an hour of summer time, from the first Sunday of October to the first of April
    found = timeline(follows("Australia/Lord_Howe", 2.0), moment("2026-01-10"), moment("2026-12-20"))
    begins = [SINCE_EVER, moment("2026-04-04T15:00:00"), moment("2026-10-03T15:30:00")]
    assert found == list(zip(begins, [39720.0, 37920.0, 39720.0], strict=True))


def test_a_day_that_was_left_out() -> None:
    # Samoa crossed the date line at the end of 2011-12-29: IANA time-zone data
    found = timeline(follows("Pacific/Apia"), moment("2011-12-20"), moment("2012-01-10"))
    assert found == [(SINCE_EVER, -36000.0), (moment("2011-12-30T10:00:00"), 50400.0)]


def test_history_and_zone_are_merged() -> None:
    entries = [
        ClockEntry(None, None, "Europe/London"),
        ClockEntry(moment("2026-06-01T12:00:00"), 3600.0, None, 0.0),  # shows the same until October
        ClockEntry(moment("2026-11-01"), None, "Europe/London", 1.5),
    ]
    assert timeline(entries, moment("2026-01-01"), moment("2027-04-10")) == [
        (SINCE_EVER, 0.0),
        (moment("2026-03-29T01:00:00"), 3600.0),
        (moment("2026-11-01"), 90.0),
        (moment("2027-03-28T01:00:00"), 3690.0),
    ]


def test_an_entry_that_begins_when_its_zone_changes() -> None:
    entries = [
        ClockEntry(None, None, "Europe/London"),
        ClockEntry(moment("2026-10-25T01:00:00"), None, "Europe/London", 1.0),
    ]
    assert timeline(entries, moment("2026-09-01"), moment("2026-12-01")) == [
        (SINCE_EVER, 3600.0),
        (moment("2026-10-25T01:00:00"), 60.0),
    ]


def test_an_entry_that_was_over_long_before_the_rows() -> None:
    entries = [ClockEntry(None, None, "Europe/London"), ClockEntry(moment("2025-01-15"), 7200.0, None)]
    found = timeline(entries, moment("2026-07-01"), moment("2026-07-02"))  # it was winter when it ended
    assert found == [(SINCE_EVER, 0.0), (moment("2025-01-15"), 7200.0)]


@pytest.mark.parametrize(
    ("entries", "says"),
    [
        ([], "no clock"),
        ([ClockEntry(None, None, None)], "one of utc_offset and time_zone"),
        ([ClockEntry(None, 0.0, "UTC")], "one of utc_offset and time_zone"),
        ([ClockEntry(None, 0.0, None, float("nan"))], "no number"),
        ([ClockEntry(None, float("inf"), None)], "no number"),
        ([ClockEntry(moment("2026-01-01"), 0.0, None)], "leave it out in the first"),
        ([ClockEntry(None, 0.0, None), ClockEntry(None, 1.0, None)], "entry 2"),
        ([ClockEntry(None, 0.0, None), ClockEntry(NAT, 1.0, None)], "entry 2"),
        (
            [ClockEntry(None, 0.0, None)] + [ClockEntry(moment("2026-01-01"), float(n), None) for n in range(2)],
            "entry 3: does not begin after",
        ),
        (follows("Mars/Olympus"), "entry 1: unknown time zone"),
    ],
)
def test_a_history_that_makes_no_sense_is_refused(entries: list[ClockEntry], says: str) -> None:
    with pytest.raises(StationFileError, match=says):
        timeline(entries, moment("2026-01-01"), moment("2026-02-01"))


def test_a_timeline_is_the_same_wherever_it_is_cut() -> None:
    whole = timeline(follows("Europe/London"), moment("2020-01-01"), moment("2027-01-01"))
    part = timeline(follows("Europe/London"), moment("2026-10-26"), moment("2026-10-27"))
    assert part == [(SINCE_EVER, 3600.0), whole[-1]]  # a change up to two days before is seen


# --- one stamp by itself ----------------------------------------------------------------------------------------

L, N, H, S = "Europe/London", "America/New_York", "Australia/Lord_Howe", "America/Sao_Paulo"


@pytest.mark.parametrize(
    ("name", "stamp", "first", "second"),
    [
        (L, "2026-10-25T00:59:59.999999", "2026-10-24T23:59:59.999999", None),
        (L, "2026-10-25T01:00:00", "2026-10-25T00:00:00", "2026-10-25T01:00:00"),
        (L, "2026-10-25T01:59:59.999999", "2026-10-25T00:59:59.999999", "2026-10-25T01:59:59.999999"),
        (L, "2026-10-25T02:00:00", "2026-10-25T02:00:00", None),
        (L, "2026-03-29T00:59:59.999999", "2026-03-29T00:59:59.999999", None),
        (L, "2026-03-29T01:00:00", None, None),
        (L, "2026-03-29T01:59:59.999999", None, None),
        (L, "2026-03-29T02:00:00", "2026-03-29T01:00:00", None),
        (N, "2013-11-03T00:59:59", "2013-11-03T04:59:59", None),
        (N, "2013-11-03T01:00:00", "2013-11-03T05:00:00", "2013-11-03T06:00:00"),
        (N, "2013-11-03T02:00:00", "2013-11-03T07:00:00", None),
        (N, "2013-03-10T02:00:00", None, None),
        (N, "2013-03-10T03:00:00", "2013-03-10T07:00:00", None),
        (H, "2026-04-05T01:29:59", "2026-04-04T14:29:59", None),
        (H, "2026-04-05T01:30:00", "2026-04-04T14:30:00", "2026-04-04T15:00:00"),
        (H, "2026-04-05T01:59:59", "2026-04-04T14:59:59", "2026-04-04T15:29:59"),
        (H, "2026-04-05T02:00:00", "2026-04-04T15:30:00", None),
        (H, "2026-10-04T02:00:00", None, None),
        (H, "2026-10-04T02:29:59", None, None),
        (H, "2026-10-04T02:30:00", "2026-10-03T15:30:00", None),
        (S, "2018-02-17T23:00:00", "2018-02-18T01:00:00", "2018-02-18T02:00:00"),
        (S, "2018-02-18T00:00:00", "2018-02-18T03:00:00", None),
        ("Pacific/Apia", "2011-12-30T12:00:00", None, None),
    ],
)
def test_one_stamp_on_a_clock_that_follows_a_zone(name: str, stamp: str, first: str | None, second: str | None) -> None:
    utc = read(follows(name), times(stamp))
    np.testing.assert_array_equal(utc.time, times(first or "NaT"))
    np.testing.assert_array_equal(utc.other, times(second or "NaT"))
    assert utc.ambiguous.tolist() == [second is not None]
    assert utc.skipped.tolist() == [first is None]


def test_an_unreadable_stamp_is_not_skipped() -> None:
    utc = read(follows(L), times("NaT", "2026-01-01"))
    np.testing.assert_array_equal(utc.time, times("NaT", "2026-01-01"))
    assert not utc.skipped.any()
    assert not utc.ambiguous.any()


@pytest.mark.parametrize("counter", [None, []])
def test_a_file_without_rows(counter: list[float] | None) -> None:
    utc = read(follows(L), times(), counter)
    assert utc.time.shape == utc.other.shape == utc.ambiguous.shape == utc.skipped.shape == (0,)


def test_minutes_ahead_move_the_repeated_hour() -> None:
    # 7 min ahead of Greenwich summer time: repeated from 01:07 to 02:07
    utc = read(
        follows(L, 7.0),
        times("2026-10-25T01:06:59", "2026-10-25T01:07:00", "2026-10-25T02:06:59", "2026-10-25T02:07:00"),
    )
    assert utc.ambiguous.tolist() == [False, True, True, False]
    expected = times("2026-10-24T23:59:59", "2026-10-25T00:00:00", "2026-10-25T00:59:59", "2026-10-25T02:00:00")
    np.testing.assert_array_equal(utc.time, expected)


def test_a_clock_set_forward_skips_and_one_set_back_repeats() -> None:
    entries = [
        ClockEntry(None, 0.0, None, -10.0),
        ClockEntry(moment("2026-05-01T12:00:00"), 0.0, None, 0.0),  # was 10 min slow: 11:50 jumps to 12:00
        ClockEntry(moment("2026-06-01T12:00:00"), 0.0, None, -5.0),  # 12:00 goes back to 11:55
    ]
    stamps = ("2026-05-01T11:49:59", "2026-05-01T11:50:00", "2026-05-01T11:59:59", "2026-05-01T12:00:00")
    utc = read(entries, times(*stamps))
    assert utc.skipped.tolist() == [False, True, True, False]
    np.testing.assert_array_equal(utc.time, times("2026-05-01T11:59:59", "NaT", "NaT", "2026-05-01T12:00:00"))
    stamps = ("2026-06-01T11:54:59", "2026-06-01T11:55:00", "2026-06-01T11:59:59", "2026-06-01T12:00:00")
    utc = read(entries, times(*stamps)[[0]])
    assert not utc.ambiguous.any()
    for stamp, repeated in zip(stamps, [False, True, True, False], strict=True):
        assert read(entries, times(stamp)).ambiguous.tolist() == [repeated]


# --- the repeated hour: London 2026-10-25, stamps 01:00 to 01:59 come twice ---------------------------------------


def hour(text: str) -> np.ndarray:
    """Stamps `HH:MM` of the night; a day other than the 25th stands before a slash."""
    parts = [part if "/" in part else f"25/{part}" for part in text.split()]
    return times(*(f"2026-10-{part.replace('/', 'T')}" for part in parts))


# each row: stamps in the order of lines, and for each "1" or "2" (pass), "." (not repeated), "?" (stays ambiguous)
BY_ORDER = {
    "oldest first": ("00:30 01:00 01:30 01:00 01:30 02:00", ". 1 1 2 2 ."),
    "newest first": ("02:00 01:30 01:00 01:30 01:00 00:30", ". 2 2 1 1 ."),
    "hourly": ("00:00 01:00 01:00 02:00", ". 1 2 ."),
    "hourly, newest first": ("02:00 01:00 01:00 00:00", ". 2 1 ."),
    "hourly, three times": ("00:00 01:00 01:00 01:00 02:00", ". ? ? ? ."),
    "hourly, file begins there": ("01:00 01:00 02:00 03:00", "1 2 . ."),
    "hourly, file ends there": ("23:00 01:00 01:00".replace("23:00", "24/23:00 00:00"), ". . 1 2"),
    "hourly, nothing else": ("01:00 01:00", "? ?"),
    "one pass": ("00:30 01:00 01:30 02:00 02:30", ". ? ? . ."),
    "one pass, file ends there": ("00:00 00:30 01:00 01:30", ". . ? ?"),
    "one row": ("00:30 01:30 02:00", ". ? ."),
    "a row given twice is no second pass": ("00:50 01:00 01:10 01:10 01:20 01:50 02:00", ". ? ? ? ? ? ."),
    "a row given twice in the first pass": (
        "00:40 01:00 01:00 01:20 01:40 01:00 01:20 01:40 02:00",
        ". 1 1 1 1 2 2 2 .",
    ),
    "rows lost on both sides": ("00:30 01:20 01:40 01:10 02:00", ". 1 1 2 ."),
    "late rows lost in the first pass": ("00:30 01:00 01:10 01:00 01:50 02:00", ". 1 1 2 2 ."),
    "jump up while newest first": ("03:00 02:00 01:10 01:50 01:40 00:50", ". . 2 1 1 ."),
    "two jumps": ("00:30 01:00 01:30 01:00 01:30 01:00 01:30 02:00", ". ? ? ? ? ? ? ."),
    "only the hour": ("01:00 01:20 01:40 01:00 01:20 01:40", "1 1 1 2 2 2"),
    "only the hour, newest first": ("01:40 01:20 01:00 01:40 01:20 01:00", "2 2 2 1 1 1"),
    "an unreadable line between": ("00:30 01:00 01:30 - 01:00 01:30 02:00", ". 1 1 - 2 2 ."),
    "blocks out of order, cut in the hour": (
        "01:00 01:30 02:00 02:30 24/23:30 00:00 00:30 01:00 01:30",
        "? ? . . . . . ? ?",
    ),
    "blocks out of order, hour whole": (
        "24/20:00 24/20:30 02:00 02:30 00:00 00:30 01:00 01:30 01:00 01:30 24/22:00 24/22:30",
        ". . . . . . 1 1 2 2 . .",
    ),
    "shuffled": ("02:30 01:00 00:30 01:30 01:00 03:00 01:30 02:00 00:00", ". ? . ? ? . ? . ."),
    "a far row before": ("00:00 30/12:00 01:00 01:00 02:00", ". . 1 2 ."),
    "as many steps back as ahead": ("24/23:00 00:00 01:30 01:00", ". . 1 2"),
    "far rows between": ("00:30 01:00 01:30 30/12:00 01:00 01:30 02:00", ". ? ? . ? ? ."),
}


def expect(utc: Utc, stamps: np.ndarray, marks: str) -> None:
    """Compare with the marks of a table of cases."""
    found = []
    for time, stamp, doubt, other in zip(utc.time, stamps, utc.ambiguous, utc.other, strict=True):
        repeated = np.datetime64("2026-10-25T01:00") <= stamp < np.datetime64("2026-10-25T02:00")
        if doubt:
            assert time == stamp - np.timedelta64(1, "h")
            assert other == stamp
            found.append("?")
        else:
            assert np.isnat(other)
            found.append("-" if np.isnat(stamp) else "." if not repeated else "2" if time == stamp else "1")
            if found[-1] in ".1":
                summer = stamp < np.datetime64("2026-10-25T02:00")
                assert time == stamp - np.timedelta64(int(summer), "h")
    assert " ".join(found) == marks


@pytest.mark.parametrize("name", BY_ORDER)
def test_the_repeated_hour_by_the_order_of_lines(name: str) -> None:
    text, marks = BY_ORDER[name]
    stamps = hour(text.replace("-", "25/00:00"))
    stamps[[part == "-" for part in text.split()]] = NAT
    expect(read(follows(L), stamps), stamps, marks)


def test_an_hourly_pair_needs_hourly_rows() -> None:
    stamps = hour("00:00 01:00 01:00 02:00")
    expect(read(follows(L), stamps, interval_s=3600.0), stamps, ". 1 2 .")
    expect(read(follows(L), stamps, interval_s=1800.0), stamps, ". ? ? .")


ROWS = "00:30 01:00 01:30 01:00 01:30 02:00"
BY_COUNTER = {
    # stamps, counters, interval in seconds, marks
    "in order": (ROWS, "5 6 7 8 9 10", None, ". 1 1 2 2 ."),
    "newest first": ("02:00 01:30 01:00 01:30 01:00 00:30", "10 9 8 7 6 5", None, ". 2 2 1 1 ."),
    "shuffled": ("01:30 02:00 01:00 01:00 00:30 01:30", "9 10 6 8 5 7", None, "2 . 1 2 . 1"),
    "shuffled, hour only": ("01:30 01:00 01:00 01:30", "9 6 8 7", None, "2 1 2 1"),
    "hourly": ("02:00 01:00 00:00 01:00", "8 7 5 6", None, ". 2 . 1"),
    "the order of lines lies": ("00:30 01:00 01:30 01:00 01:30 02:00", "5 8 9 6 7 10", None, ". 2 2 1 1 ."),
    "first pass, by distance": ("00:30 01:00 01:30 03:00", "5 6 7 12", 1800.0, ". 1 1 ."),
    "second pass, by distance": ("00:30 01:00 01:30 02:00", "5 8 9 10", 1800.0, ". 2 2 ."),
    "some of both, no jump": ("00:30 01:00 01:30 02:00", "5 6 9 10", 1800.0, ". 1 2 ."),
    "no jump, no interval": ("00:30 01:00 01:30 02:00", "5 6 9 10", None, ". ? ? ."),
    "distance to a row before only": ("00:00 01:30", "5 10", 1800.0, ". 2"),
    "distance to a row after only": ("01:30 02:00", "5 6", 1800.0, "2 ."),
    "a row 12 h before the hour": ("24/13:00 01:30", "5 30", 1800.0, ". 1"),
    "a row 13 h before the hour": ("24/12:00 01:30", "5 32", 1800.0, ". ?"),
    "restarted in the evening": ("24/23:30 00:30 01:00 01:30", "900 5 6 7", 1800.0, ". . 1 1"),
    "exactly one hour of outage fits both": ("00:30 01:00 01:30 02:00", "5 6 7 8", 1800.0, ". ? ? ."),
    "half an hour of outage": ("00:30 01:00 01:30 01:30 02:00", "5 6 7 8 9", 1800.0, ". 1 1 2 ."),
    "a count that forbids the first": ("00:30 01:00 01:30 03:00", "5 7 8 9", 1800.0, ". 2 2 ."),
    "a count that forbids the second": ("01:00 02:00", "5 8", 1800.0, "1 ."),
    "one counter unreadable: order helps": (ROWS, "5 6 nan 8 9 10", None, ". 1 1 2 2 ."),
    "one counter unreadable, the order lies": (ROWS, "5 8 nan 6 7 10", 1800.0, ". 2 ? 1 1 ."),
    "restarted between the passes": ("00:30 01:00 01:30 01:00 01:30 02:00", "905 906 907 0 1 2", None, ". 1 1 2 2 ."),
    "restarted, shuffled": ("01:30 02:00 01:00 01:00 00:30 01:30", "1 2 906 0 905 907", None, "2 . 1 2 . 1"),
    "a line given twice": ("00:30 01:00 01:30 01:30 01:00 01:30 02:00", "5 6 7 7 8 9 10", None, ". 1 1 1 2 2 ."),
    "hourly, a line given twice": ("00:00 01:00 01:00 02:00 03:00", "5 6 6 8 9", None, ". ? ? . ."),
    "counter unreadable: order helps": (ROWS, "5 nan nan nan nan 10", None, ". 1 1 2 2 ."),
    "counter stands still: order helps": (ROWS, "5 5 5 5 5 5", None, ". 1 1 2 2 ."),
}


@pytest.mark.parametrize("name", BY_COUNTER)
def test_the_repeated_hour_by_the_line_counter(name: str) -> None:
    text, counter, interval, marks = BY_COUNTER[name]
    stamps = hour(text)
    expect(read(follows(L), stamps, [float(n) for n in counter.split()], interval), stamps, marks)


def test_a_clock_far_ahead_is_covered_by_its_own_timeline() -> None:
    # a clock a month ahead: its stamps of November are of October, in summer time until the 25th
    utc = read(follows(L, 30 * 1440.0), times("2026-11-23T13:00:00", "2026-11-25T12:00:00"))
    np.testing.assert_array_equal(utc.time, times("2026-10-24T12:00:00", "2026-10-26T12:00:00"))


def test_rows_beyond_the_reach_have_no_say() -> None:
    # the nearest sure row exactly at the edge of the reach, and one microsecond beyond
    begin = np.datetime64("2026-10-25T00:00:00", "us")
    for beyond, marks in ((0, "1"), (1, "?")):
        early = begin - REACH - np.timedelta64(beyond, "us")
        stamps = np.array([early + np.timedelta64(1, "h"), moment("2026-10-25T01:00:00")])
        count = REACH / np.timedelta64(30, "m")
        utc = read(follows(L), stamps, [0.0, count], 1800.0)
        assert utc.ambiguous.tolist() == [False, marks == "?"]


# --- simulated loggers ------------------------------------------------------------------------------------------

CHANGES = [
    (follows(L), "2026-10-25T01:00:00"),
    (follows(N), "2013-11-03T06:00:00"),
    (follows(H), "2026-04-04T15:00:00"),
    (follows(L, -3.5), "2026-10-25T01:00:00"),
    (
        [ClockEntry(None, 7200.0, None), ClockEntry(moment("2026-05-05T10:17:00"), 3600.0, None, 11.0)],
        "2026-05-05T10:17:00",
    ),
    (
        [ClockEntry(None, 0.0, None, 4320.0), ClockEntry(moment("2026-05-05T10:00:00"), 0.0, None)],
        "2026-05-05T10:00:00",
    ),
    (
        [
            ClockEntry(None, 0.0, None, 180.0),
            ClockEntry(moment("2026-05-05T10:00:00"), 0.0, None, 120.0),
            ClockEntry(moment("2026-05-05T10:30:00"), 0.0, None, 0.0),
        ],
        "2026-05-05T10:00:00",
    ),
    (
        [
            ClockEntry(None, 0.0, None, 180.0),
            ClockEntry(moment("2026-05-05T10:00:00"), 0.0, None, 0.0),
            ClockEntry(moment("2026-05-05T11:00:00"), 0.0, None, 30.0),
        ],
        "2026-05-05T10:00:00",
    ),
]
MINUTES = [1, 5, 10, 15, 20, 30]


@st.composite
def loggers(draw: st.DrawFn, minutes: list[int] | None = None) -> tuple[list[ClockEntry], np.ndarray, int]:
    """A clock that is set back, the true moments of rows around the repeated stretch, and the minutes between them."""
    entries, change = draw(st.sampled_from(CHANGES))
    interval = draw(st.sampled_from(minutes or MINUTES))
    line = timeline(entries, moment(change), moment(change))
    offsets = [offset for _, offset in line]
    length = np.timedelta64(int(max(offsets) - min(offsets)), "s") + np.timedelta64(interval, "m")
    begin = moment(change) - length - np.timedelta64(draw(st.integers(60, 3000)), "m")
    end = line[-1][0] + length + np.timedelta64(draw(st.integers(60, 3000)), "m")
    step = np.timedelta64(interval, "m").astype("timedelta64[us]")
    midnight = begin.astype("datetime64[D]").astype("datetime64[us]")
    rows = midnight + step * np.arange((end - midnight) // step)
    return entries, rows[rows >= begin], interval


def assert_right(utc: Utc, truth: np.ndarray, all_settled: bool) -> None:
    sure = ~utc.ambiguous
    if all_settled:
        assert sure.all()
    np.testing.assert_array_equal(utc.time[sure], truth[sure])
    assert (utc.time < utc.other)[~sure].all()
    assert np.isnat(utc.other[sure]).all()
    assert not utc.skipped.any()


@given(loggers(), st.booleans())
def test_a_complete_file_is_settled_by_its_order(
    logger: tuple[list[ClockEntry], np.ndarray, int], newest_first: bool
) -> None:
    entries, truth, interval = logger
    line = timeline(entries, truth[0], truth[-1])
    if newest_first:
        truth = truth[::-1]
    assert_right(to_utc(to_logger_clock(truth, line), None, line, interval * 60.0), truth, all_settled=True)


@given(loggers([1, 5, 10, 20, 30, 60, 120]), st.randoms(use_true_random=False), st.floats(0, 0.9))
def test_a_counter_settles_shuffled_and_lossy_files(
    logger: tuple[list[ClockEntry], np.ndarray, int], random: object, loss: float
) -> None:
    entries, truth, interval = logger
    line = timeline(entries, truth[0], truth[-1])
    rows = [n for n in range(len(truth)) if random.random() >= loss]  # type: ignore[attr-defined]
    random.shuffle(rows)  # type: ignore[attr-defined]
    counter = 1000.0 + np.array(rows, float)
    kept = truth[np.array(rows, int)]
    utc = to_utc(to_logger_clock(kept, line), counter, line, interval * 60.0)
    near = np.abs(kept - line[1][0]) < np.timedelta64(20, "h")
    sure_near = near & ~_repeated(kept, line)
    simple = len(line) == 2 and line[0][1] - line[1][1] <= 7200
    assert_right(utc, kept, all_settled=simple and bool(sure_near.any()))


def _repeated(truth: np.ndarray, line: list[tuple[np.datetime64, float]]) -> np.ndarray:
    local = to_logger_clock(truth, line)
    shown = [to_logger_clock(local - np.timedelta64(int(offset), "s"), line) == local for _, offset in line]
    return np.sum(shown, axis=0) > 1


@given(loggers([5, 10, 30]), st.floats(0, 1), st.integers(0, 40), st.booleans())
def test_an_outage_never_makes_a_wrong_time(
    logger: tuple[list[ClockEntry], np.ndarray, int], where: float, lost: int, counted: bool
) -> None:
    entries, truth, interval = logger
    line = timeline(entries, truth[0], truth[-1])
    at = 1 + int(where * (len(truth) - 2))
    kept = np.concatenate((truth[:at], truth[min(at + lost, len(truth) - 1) :]))
    counter = np.arange(len(kept), dtype=float) if counted else None  # the logger was off, so it did not count
    assert_right(to_utc(to_logger_clock(kept, line), counter, line, interval * 60.0), kept, all_settled=False)


@given(loggers(), st.data())
def test_a_file_cut_with_margin_gives_the_same(
    logger: tuple[list[ClockEntry], np.ndarray, int], data: st.DataObject
) -> None:
    entries, truth, interval = logger
    counter = data.draw(st.sampled_from([None, np.arange(len(truth), dtype=float)]))
    whole_local = to_logger_clock(truth, timeline(entries, truth[0], truth[-1]))
    whole = to_utc(whole_local, counter, timeline_for(entries, whole_local), interval * 60.0)
    repeated = truth[_repeated(truth, timeline(entries, truth[0], truth[-1]))]
    margin = REACH + np.timedelta64(2, "h")  # the stretch may begin earlier than its first row, by one interval
    begin = data.draw(st.integers(0, int((truth < repeated[0] - margin).sum())))
    end = data.draw(st.integers(int((truth <= repeated[-1] + margin).sum()), len(truth)))
    if data.draw(st.booleans()):  # or a piece without the repeated stretch
        begin, end = end - 1, len(truth)
    part = slice(begin, end)
    local = whole_local[part]
    cut = to_utc(local, None if counter is None else counter[part], timeline_for(entries, local), interval * 60.0)
    for name in ("time", "other", "ambiguous", "skipped"):
        np.testing.assert_array_equal(getattr(cut, name), getattr(whole, name)[part])


@settings(max_examples=200)
@given(
    st.sampled_from([L, N, H, S, "Africa/Casablanca", "America/St_Johns", "Pacific/Apia"]),
    st.datetimes(datetime(2005, 1, 1), datetime(2030, 1, 1)).map(
        lambda t: t.replace(minute=t.minute // 5 * 5, second=0)
    ),
    st.integers(0, 40),
)
def test_one_stamp_as_the_standard_library_sees_it(name: str, stamp: datetime, near: int) -> None:
    rules = zone(name)
    if near:  # draw most stamps from around a change
        line = timeline(follows(name), moment("2005-01-01"), moment("2030-01-01"))
        begin, offset = line[1 + near % (len(line) - 1)]
        stamp = (begin + np.timedelta64(int(offset), "s")).item() + timedelta(minutes=5 * (near - 20))
    folds = [stamp.replace(tzinfo=rules, fold=fold).astimezone(UTC) for fold in (0, 1)]
    shown = sorted({t.replace(tzinfo=None) for t in folds if t.astimezone(rules).replace(tzinfo=None) == stamp})
    utc = read(follows(name), times(stamp.isoformat()))
    expected = [NAT, NAT]
    expected[: len(shown)] = [np.datetime64(t, "us") for t in shown]
    np.testing.assert_array_equal([utc.time[0], utc.other[0]], expected)
    assert utc.skipped[0] == (not shown)


@given(loggers())
def test_to_logger_clock_undoes_to_utc(logger: tuple[list[ClockEntry], np.ndarray, int]) -> None:
    entries, truth, interval = logger
    line = timeline(entries, truth[0], truth[-1])
    local = to_logger_clock(truth, line)
    utc = to_utc(local, None, line, interval * 60.0)
    np.testing.assert_array_equal(to_logger_clock(utc.time, line), local)
    np.testing.assert_array_equal(to_logger_clock(utc.other[utc.ambiguous], line), local[utc.ambiguous])


def test_to_logger_clock_keeps_missing_and_bounds() -> None:
    line = timeline(follows(L), moment("2026-10-01"), moment("2026-11-01"))
    utc = times("NaT", "2026-10-25T00:59:59.999999", "2026-10-25T01:00:00")
    np.testing.assert_array_equal(
        to_logger_clock(utc, line), times("NaT", "2026-10-25T01:59:59.999999", "2026-10-25T01:00:00")
    )
