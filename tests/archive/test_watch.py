"""Findings over the nights: new, going on, cleared, returned, and no noise in between."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from qc.archive import ledger, nightly, watch
from qc.archive.nightly import Night
from qc.archive.watch import MISSED_NIGHTS, QUIET_DAYS, SURE, Watched, moved

DAY = 86_400_000_000
ID = "vane-stuck@wd"
LAST = int(np.datetime64("2026-05-20T00:00", "us").astype(np.int64))


def finding(
    to_days_ago: float = 0.0, onset: str = "2026-05-01T00:00:00Z", confidence: float = SURE, *,
    fault: str = "vane-stuck", channels: Sequence[str] = ("wd",), go: str = "next-visit",
    rivals: Mapping[str, float] = MappingProxyType({}),
) -> dict[str, Any]:  # fmt: skip
    shown = np.datetime64(round(LAST - to_days_ago * DAY), "us")
    return {
        "id": f"{fault}@{'.'.join(channels)}",
        "fault": fault,
        "go": go,
        "rivals": [{"fault": f, "confidence": c, "split_by": ""} for f, c in rivals.items()],
        "to": f"{shown}Z",
        "onset": [onset, onset],
        "channels": list(channels),
        "confidence": confidence,
    }


def begun(connection: sqlite3.Connection, night: str) -> Night:
    """A run of a night."""
    with ledger.writing(connection):
        row = (night, "t", "0", "")
        cursor = connection.execute("insert into run (night, token, fairvane, begun) values (?,?,?,?)", row)
    return Night(night, int(cursor.lastrowid or 0), {})


def step(
    connection: sqlite3.Connection, night: str, found: Watched, station: str = "hay-loft", told: bool = True
) -> list[watch.Change]:  # fmt: skip
    """One run, whose digest is told or which is killed before."""
    run = begun(connection, night)
    with ledger.writing(connection):
        changes = moved(connection, station, run, found)
    if told:
        nightly.ended(connection, run, [station])
    return changes


def nights(tmp_path: Path, *found: list[dict[str, Any]]) -> list[list[tuple[str, str]]]:
    """States after each night."""
    out = []
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        for number, tonight in enumerate(found):
            changes = step(connection, f"2026-05-{number + 1:02}", Watched(tuple(tonight), LAST))
            out.append([(c.id, c.state) for c in changes])
    return out


def test_new_then_going_on_then_cleared_then_returned(tmp_path: Path) -> None:
    here, gone = [finding()], []
    states = nights(tmp_path, here, here, *[gone] * MISSED_NIGHTS, gone, here, here)
    told = [dict(night).get(ID) for night in states]
    assert told == ["new", "going on", *["going on"] * (MISSED_NIGHTS - 1), "cleared", None, "returned", "going on"]


def test_one_doubtful_night_is_no_news(tmp_path: Path) -> None:
    states = nights(tmp_path, [finding()], [], [finding()])
    assert [dict(n)[ID] for n in states] == ["new", "going on", "going on"]


@pytest.mark.parametrize(("days", "state"), [(QUIET_DAYS, "going on"), (QUIET_DAYS + 0.01, "cleared")])
def test_what_has_not_shown_for_some_days_is_over(tmp_path: Path, days: float, state: str) -> None:
    assert dict(nights(tmp_path, [finding()], [finding(days)])[1])[ID] == state


def test_an_old_fault_in_the_window_is_no_news(tmp_path: Path) -> None:
    assert nights(tmp_path, [finding(QUIET_DAYS + 1)]) == [[]]


def test_the_first_onset_stays(tmp_path: Path) -> None:
    """The window moves on, and with it the earliest onset that it can show."""
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        for day, onset in enumerate(("2026-05-01T00:00:00Z", "2026-05-09T00:00:00Z"), 20):
            (change,) = step(connection, f"2026-05-{day}", Watched((finding(onset=onset),), LAST))
    assert change.document["onset"][0] == "2026-05-01T00:00:00Z"


@pytest.mark.parametrize(
    ("hours", "states"),
    [
        (0.0, ["new", "cleared", None, None]),
        (1.0, ["new", "cleared", None, None]),
        (1.1, ["new", "cleared", "returned", "going on"]),
        (-1.0, ["new", "cleared", None, None]),
        (-1.1, ["new", "cleared", "returned", "going on"]),
    ],
)
def test_the_end_of_a_fault_is_no_fault(tmp_path: Path, hours: float, states: list[str | None]) -> None:
    """Its begin has left the window: what is left is a step, where it was set right."""
    ended = QUIET_DAYS + 1.0
    step_back = f"{np.datetime64(round(LAST - ended * DAY + hours * DAY / 24), 'us')}Z"
    again = finding(onset=step_back)
    told = nights(tmp_path, [finding(ended - 3.0)], [finding(ended)], [again], [again])
    assert [dict(night).get(ID) for night in told] == states


def test_a_fault_that_lasted_as_long_as_the_window_is_over_some_days_after_it(tmp_path: Path) -> None:
    """Its begin leaves the window before it is cleared."""
    again = finding(onset=finding(3.0)["to"])
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        told = []
        for number, (found, later) in enumerate([(finding(3.0), 0), (again, 0), (again, 4), (again, 5)]):
            changes = step(connection, f"2026-05-{number + 1:02}", Watched((found,), LAST + later * DAY))
            told.append(next((c.state for c in changes), None))
    assert told == ["new", "going on", "going on", "cleared"]


def test_findings_of_stations_are_apart(tmp_path: Path) -> None:
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        for name in ("hay-loft", "mill"):
            (change,) = step(connection, "2026-05-20", Watched((finding(),), LAST), name)
            assert (change.station, change.state) == (name, watch.NEW)


def test_the_picture_of_a_finding_is_kept(tmp_path: Path) -> None:
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        step(connection, "2026-05-20", Watched((finding(),), LAST, {ID: b"png"}))
        (change,) = step(connection, "2026-05-21", Watched((finding(),), LAST))
    assert change.document["picture"] == "cG5n"


def test_what_a_killed_run_told_nobody_is_still_new(tmp_path: Path) -> None:
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        step(connection, "2026-05-20", Watched((finding(),), LAST), told=False)
        (same,) = step(connection, "2026-05-20", Watched((finding(),), LAST), told=False)
        (change,) = step(connection, "2026-05-21", Watched((finding(),), LAST))
        assert (same.state, change.state) == (watch.NEW, watch.NEW)
        (after,) = step(connection, "2026-05-22", Watched((finding(),), LAST))
    assert after.state == watch.GOING_ON


def test_a_second_run_of_a_night_says_the_same(tmp_path: Path) -> None:
    """Nor does it count as a night in which a finding was missed."""
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        for _ in range(2):
            (change,) = step(connection, "2026-05-20", Watched((finding(),), LAST))
            assert change.state == watch.NEW
        for _ in range(MISSED_NIGHTS + 1):
            (change,) = step(connection, "2026-05-21", Watched((), LAST))
        assert change.state == watch.GOING_ON
        assert connection.execute("select count(*) from finding").fetchone()[0] <= MISSED_NIGHTS + 2


def test_what_is_not_sure_is_told_on_the_second_night_in_a_row(tmp_path: Path) -> None:
    unsure, sure = [finding(confidence=SURE - 0.01)], [finding()]
    gone: list[dict[str, Any]] = []
    over = [gone] * MISSED_NIGHTS
    found = [unsure, gone, unsure, unsure, unsure, *over, unsure, gone, unsure, sure, *over, sure]
    told = [dict(night).get(ID) for night in nights(tmp_path, *found)]
    waning = [*["going on"] * (MISSED_NIGHTS - 1), "cleared"]
    assert told == [None, None, None, "new", "going on", *waning, None, None, None, "returned", *waning, "returned"]


FACTOR, OWN = "constants-wrong@ghi", "pyranometer-scale@ghi"


def ghi(fault: str, confidence: float = SURE, **more: Any) -> dict[str, Any]:
    other = {"constants-wrong": "pyranometer-scale", "pyranometer-scale": "constants-wrong"}[fault]
    return finding(**{
        "fault": fault, "channels": ("ghi",), "rivals": {other: 0.1}, "confidence": confidence, **more
    })  # fmt: skip


def test_causes_that_nothing_tells_apart_are_one_finding(tmp_path: Path) -> None:
    both = [ghi("constants-wrong", 0.3), ghi("pyranometer-scale", 0.6)]
    assert nights(tmp_path, both, both, both) == [[], [(OWN, "new")], [(OWN, "going on")]]


def test_a_known_finding_goes_on_as_itself_when_its_rival_is_the_likelier_one(tmp_path: Path) -> None:
    one, other = ghi("constants-wrong"), ghi("pyranometer-scale")
    gone = [[]] * MISSED_NIGHTS
    waning = [[(FACTOR, "going on")]] * (MISSED_NIGHTS - 1)
    states = nights(tmp_path, [one], [other], [{**one, "confidence": 0.3}, other], [other], *gone)
    assert states == [[(FACTOR, "new")], *[[(FACTOR, "going on")]] * 3, *waning, [(FACTOR, "cleared")]]


def test_what_is_not_sure_may_change_its_name_before_it_is_told(tmp_path: Path) -> None:
    one, other = ghi("constants-wrong", 0.6), ghi("pyranometer-scale", 0.6)
    assert nights(tmp_path, [one], [other], [one]) == [[], [(FACTOR, "new")], [(FACTOR, "going on")]]


@pytest.mark.parametrize(
    ("more", "alone"),
    [
        ({}, False),
        ({"channels": ("ghi", "dhi")}, False),
        ({"channels": ()}, False),
        ({"channels": ("dhi",)}, True),
        ({"rivals": {}}, True),
        ({"rivals": {"pyranometer-zero": 0.4}}, True),
        ({"rivals": {"constants-wrong": 0.0}}, True),
        ({"onset": "2026-05-20T00:00:00Z"}, False),  # the very stamp that shows the other last
        ({"onset": "2026-05-20T00:00:01Z", "to_days_ago": -1.0}, True),
    ],
)
def test_only_rivals_of_the_same_channels_and_time_are_one(more: dict[str, Any], alone: bool) -> None:
    one = ghi("constants-wrong", rivals={})
    other = ghi("pyranometer-scale", 0.6, **more)
    assert len(watch.one_each([one, other], {}, [], LAST)) == 1 + alone


@pytest.mark.parametrize(
    ("old", "new", "same"),
    [("remote", "remote", True), ("drive", "remote", True), ("remote", "drive", False), ("next-visit", "drive", False)],
)
def test_what_asks_for_more_haste_is_told_anew(old: str, new: str, same: bool) -> None:
    """Unless what was told does not show any more."""
    known = {FACTOR: ghi("constants-wrong", go=old)}
    assert list(watch.one_each([ghi("pyranometer-scale", go=new)], known, [], LAST)) == [FACTOR if same else OWN]
    mended = {FACTOR: ghi("constants-wrong", go=old, to_days_ago=1.001)}
    late = [ghi("pyranometer-scale", go=new, to_days_ago=1.0)]
    assert list(watch.one_each(late, mended, [], LAST)) == [FACTOR]


HOUR_DAYS = 1.0 / 24.0


@pytest.mark.parametrize(
    ("onset", "to_days_ago", "again"),
    [
        ("2026-05-01T00:00:00Z", 8.0, False),  # the very rows
        ("2026-05-03T00:00:00Z", 9.0, False),
        ("2026-04-30T23:00:00Z", 8.0 - HOUR_DAYS, False),  # an hour to either side
        ("2026-04-30T22:59:59Z", 8.0, True),
        ("2026-05-01T00:00:00Z", 8.0 - 1.001 * HOUR_DAYS, True),
        ("2026-05-13T00:00:00Z", 0.0, True),  # from the mend on
    ],
)
def test_rows_that_were_told_once_are_not_told_under_another_name(onset: str, to_days_ago: float, again: bool) -> None:
    old = finding(8.0, fault="unit-wrong", channels=("t",))
    new = finding(to_days_ago, onset, fault="channel-open", channels=("t",))
    name = new["id"]
    assert (name in watch.one_each([new], {}, [old], LAST)) is again
    assert list(watch.one_each([new], {old["id"]: old}, [], LAST)) == [name if again else old["id"]]
    beside = finding(to_days_ago, onset, fault="channel-open", channels=("td",))
    assert list(watch.one_each([beside], {}, [old], LAST)) == [beside["id"]]
    assert list(watch.one_each([old, new], {old["id"]: old}, [], LAST)) == [
        old["id"],
        name,
    ]  # both are made: two things


def test_a_second_name_of_what_is_over_makes_no_line(tmp_path: Path) -> None:
    """As after a mend: half of the window is sound again, and the first test clears what it had told."""
    fresh, old = finding(0.0, fault="unit-wrong", channels=("t",)), finding(8.0, fault="unit-wrong", channels=("t",))
    second = finding(8.5, fault="constants-wrong", channels=("t",))
    states = nights(tmp_path, [fresh], [old], [second], [second], [second])
    assert states == [[("unit-wrong@t", "new")], [("unit-wrong@t", "cleared")], [], [], []]


@pytest.mark.parametrize(("channels", "state"), [(("rh",), "new"), (("t", "rh"), "returned"), (("t",), "returned")])
def test_another_channel_of_a_device_has_not_been_there_before(
    tmp_path: Path, channels: tuple[str, ...], state: str
) -> None:
    probe = {"id": "channel-open@probe-1"}
    old, new = finding(channels=("t",)) | probe, finding(channels=channels) | probe
    gone: list[dict[str, Any]] = []
    states = nights(tmp_path, [old], *[gone] * MISSED_NIGHTS, [new])
    assert [dict(n).get(probe["id"]) for n in states][-2:] == ["cleared", state]


def test_two_that_are_known_stay_two() -> None:
    """A store of an earlier version may hold them."""
    both = [ghi("constants-wrong", 0.3), ghi("pyranometer-scale", 0.6)]
    assert set(watch.one_each(both, {f["id"]: f for f in both}, [], LAST)) == {FACTOR, OWN}


def test_a_finding_tells_what_it_was_told_as_and_shows_its_own_picture(tmp_path: Path) -> None:
    with contextlib.closing(ledger.connect(tmp_path / "ledger.sqlite")) as connection:
        step(connection, "2026-05-20", Watched((ghi("constants-wrong"),), LAST, {FACTOR: b"one"}))
        (change,) = step(connection, "2026-05-21", Watched((ghi("pyranometer-scale"),), LAST, {OWN: b"two"}))
    told = change.document
    assert (told["id"], told["fault"], told["told_as"]) == (FACTOR, "pyranometer-scale", "constants-wrong")
    assert told["picture"] == "dHdv"
