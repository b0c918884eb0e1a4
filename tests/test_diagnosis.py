"""The engine of diagnosis: order of work, undoing, rivals, confidence, what is not tested. Its faults are made up."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from qc import chain, diagnosis, faults
from qc.case import Case
from qc.diagnosis import Finding, calibrated, diagnose, weighed
from qc.faults import CAP, Cleared, Clue, Fault, Outcome, Suspect, Untested
from qc.limits import Limit, Limits
from qc.mends import Mend
from qc.record import ReadChannel, Record, TableRecord
from qc.station import Station, parse
from tests.faults.planted import unchecked

STATION = """
[station]
id = "hay-loft"
latitude = 54.5
longitude = -3.1
elevation = 120.0
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "ten"
interval = "10min"
stamps = "end"
[[table.layout]]
names = ["Stamp", "A", "B"]
decimal = "."
missing = [""]
time = { columns = ["Stamp"], format = "%Y-%m-%d %H:%M" }
[[channel]]
name = "a"
quantity = "air_temperature"
column = "A"
unit = "degC"
[[channel]]
name = "b"
quantity = "relative_humidity"
column = "B"
unit = "%"
"""
T0 = np.datetime64("2026-05-01T00:10", "us")


def record(rows: int = 144, a: float = 10.0, b: float = 50.0) -> Record:
    station: Station = parse(STATION.encode())
    none = np.zeros(rows, bool)
    channels = {n: ReadChannel(np.full(rows, v), None, None) for n, v in (("a", a), ("b", b))}
    time = T0 + np.arange(rows) * np.timedelta64(600, "s")
    table = TableRecord(station.table[0], time, channels, np.zeros(rows), none, none)
    return Record(station, {"ten": table})


def suspect(channels: tuple[str, ...] = ("a",), odds: float = 3.0, **more: Any) -> Suspect:
    last = T0 + np.timedelta64(1, "D") - np.timedelta64(600, "s")
    evidence = more.pop("evidence", {})
    return Suspect(channels, (Clue("c", odds, "said"),), evidence, "Summary.", T0, last, (T0, T0), **more)


def fault(i: str, test: Callable[[Case], Sequence[Outcome]], rank: str = "sensor", **more: Any) -> Fault:
    given: dict[str, Any] = {"needs": (), "least_s": 0.0, "inject": None, "picture": None} | more
    return Fault(i, rank, test=test, keys=(), go="remote", **given)


def use(monkeypatch: pytest.MonkeyPatch, *given: Fault, prior: float = 0.0) -> None:
    """Let these be the book, with one prior for all, and the logistic function as calibration."""
    book = {f.id: f for f in given}
    limits = Limits({f"{i}.prior": Limit(i, "prior", prior, "ln odds", "Fairvane", "judgement") for i in faults.IDS})
    monkeypatch.setattr(diagnosis, "registry", lambda: book)
    monkeypatch.setattr(diagnosis, "of_faults", lambda: limits)
    monkeypatch.setattr(diagnosis, "_calibration", lambda: ())


def logistic(x: float) -> float:
    return 1.0 / (1.0 + math.exp(-x))


# ---- confidence


def test_confidence_is_the_share_of_prior_and_clues(monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, fault("vane-stuck", lambda c: [suspect(odds=3.0)]), prior=-1.0)
    found = diagnose(unchecked(record())).findings
    assert [f.confidence for f in found] == [round(logistic(2.0), 3)]


@pytest.mark.parametrize(
    ("odds", "weight"), [(CAP, CAP), (CAP + 1, CAP), (-9.0, -CAP), (1.5, 1.5), (float("nan"), 0.0)]
)
def test_a_clue_is_capped_and_what_is_no_number_weighs_nothing(odds: float, weight: float) -> None:
    assert Clue("c", odds, "").weight == weight


@pytest.mark.parametrize(("odds", "listed"), [(0.0, True), (-0.01, False)])
def test_a_half_is_the_line_for_listing(monkeypatch: pytest.MonkeyPatch, odds: float, listed: bool) -> None:
    use(monkeypatch, fault("vane-stuck", lambda c: [suspect(odds=odds)]))
    assert bool(diagnose(unchecked(record())).findings) is listed


def test_two_causes_that_cannot_be_told_apart_both_stand(monkeypatch: pytest.MonkeyPatch) -> None:
    use(
        monkeypatch,
        fault("clock-offset", lambda c: [suspect((), 0.0)], "clock", rivals={"site-facts": "the time of receipt"}),
        fault("site-facts", lambda c: [suspect((), 0.0)], "site"),
    )
    found = diagnose(unchecked(record())).findings
    # odds 1 : 1 : 1 for clock, site and nothing: each alone would stand at 1/2, both together at 2/3
    assert {f.fault.id: f.confidence for f in found} == {"clock-offset": 0.333, "site-facts": 0.333}
    clock = next(f for f in found if f.fault.id == "clock-offset")
    assert [(r.fault, r.confidence, r.split_by) for r in clock.rivals] == [("site-facts", 0.333, "the time of receipt")]


def test_a_rival_elsewhere_takes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    one = fault("vane-stuck", lambda c: [suspect(("a",), 2.0)], rivals={"sensor-frozen": "look"})
    other = fault("sensor-frozen", lambda c: [suspect(("b",), 2.0)])
    use(monkeypatch, one, other)
    assert [f.confidence for f in diagnose(unchecked(record())).findings] == [round(logistic(2.0), 3)] * 2


def test_a_rival_that_the_test_tells_itself_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, fault("vane-stuck", lambda c: [suspect(odds=1.0, rivals={"vane-dead-band": 1.0})]))
    (found,) = diagnose(unchecked(record())).findings
    both = 2 * math.e
    assert found.confidence == round(both / (1 + both) / 2, 3)
    assert found.rivals[0].confidence == found.confidence


def test_of_a_rival_told_and_found_the_likelier_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test that sees the same data less well does not lower what the other test says of its cause."""
    told = suspect(odds=1.0, rivals={"sensor-frozen": 1.0})
    use(monkeypatch, fault("vane-stuck", lambda c: [told]), fault("sensor-frozen", lambda c: [suspect(odds=-2.0)],
        rivals={"vane-stuck": ""}))  # fmt: skip
    (found,) = (f for f in diagnose(unchecked(record())).findings if f.fault.id == "vane-stuck")
    assert found.rivals[0].fault == "sensor-frozen" and found.rivals[0].confidence == found.confidence


def test_calibration_runs_in_line_between_its_points(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(diagnosis, "_calibration", lambda: ((0.0, 0.2), (2.0, 0.6)))
    assert [calibrated(x) for x in (-1.0, 0.0, 1.0, 2.0, 9.0)] == [0.2, 0.2, pytest.approx(0.4), 0.6, 0.6]


# ---- the order of work


def test_what_an_earlier_fault_spoilt_is_missing_later(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, float] = {}

    def later(case: Case) -> Sequence[Outcome]:
        seen.update({c.name: float(np.isfinite(case.values(c)).sum()) for c in case.channels})
        return []

    first = suspect(("a",), 3.0, spoils=("a",))
    half = replace(first, last=T0 + np.timedelta64(600 * 71, "s"))
    use(monkeypatch, fault("channel-open", lambda c: [half], "wiring"), fault("vane-stuck", later))
    diagnose(unchecked(record()))
    assert seen == {"a": 72.0, "b": 144.0}


def test_a_later_fault_is_not_tested_on_what_is_spoilt(monkeypatch: pytest.MonkeyPatch) -> None:
    spoilt = suspect(("a",), 3.0, spoils=("a",))
    later = fault("shield-heating", lambda c: pytest.fail("tested"), needs=(("air_temperature",),))
    use(monkeypatch, fault("channel-open", lambda c: [spoilt], "wiring"), later)
    found = diagnose(unchecked(record()))
    assert [(i, u.why, u.decidable_after) for i, u in found.not_tested] == [
        ("shield-heating", "a is spoilt by channel-open", "channel-open is mended")
    ]


def test_what_can_be_undone_is_undone_for_later_tests(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[float] = []

    def later(case: Case) -> Sequence[Outcome]:
        seen.append(float(case.values(case.of("air_temperature")[0])[0]))
        return []

    unit = suspect(("a",), 3.0, mend=Mend("unit", ("a",), amount=5 / 9, plus=-160 / 9, unit="degF"))
    use(monkeypatch, fault("unit-wrong", lambda c: [unit], "layout"), fault("shield-heating", later))
    diagnose(unchecked(record(a=50.0)))
    assert seen == [pytest.approx(10.0)]


def test_of_two_rivals_only_the_likelier_is_undone(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[np.datetime64] = []
    clock = suspect((), 1.0, mend=Mend("clock", amount=60.0))
    site = suspect((), 0.5, mend=Mend("clock", amount=30.0))
    use(
        monkeypatch,
        fault("clock-offset", lambda c: [clock], "clock", rivals={"site-facts": ""}),
        fault("site-facts", lambda c: [site], "site"),
        fault("vane-stuck", lambda c: seen.append(c.first) or []),
    )
    diagnose(unchecked(record()))
    assert seen == [T0 - np.timedelta64(3600, "s")]


def test_the_rest_of_a_rank_is_tested_again_after_undoing(monkeypatch: pytest.MonkeyPatch) -> None:
    def other(case: Case) -> Sequence[Outcome]:
        return [suspect(("b",), 3.0)] if case.values(case.of("air_temperature")[0])[0] < 20 else [Cleared(("b",), "no")]

    unit = suspect(("a",), 3.0, mend=Mend("unit", ("a",), amount=5 / 9, plus=-160 / 9, unit="degF"))
    use(monkeypatch, fault("unit-wrong", lambda c: [unit], "layout"), fault("constants-wrong", other, "layout"))
    found = diagnose(unchecked(record(a=50.0)))
    assert {f.fault.id for f in found.findings} == {"unit-wrong", "constants-wrong"}
    assert found.cleared == ()  # it was cleared before the unit was undone, and found after it


def test_after_undoing_it_keeps_to_the_period(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows before it are there for the chain alone."""
    seen: list[tuple[np.datetime64, np.datetime64]] = []

    def later(case: Case) -> Sequence[Outcome]:
        seen.append((case.first, case.last))
        return []

    unit = suspect(("a",), 3.0, mend=Mend("unit", ("a",), amount=5 / 9, plus=-160 / 9, unit="degF"))
    use(monkeypatch, fault("unit-wrong", lambda c: [unit], "layout"), fault("shield-heating", later))
    first, last = T0 + np.timedelta64(2, "h"), T0 + np.timedelta64(9, "h")
    diagnose(chain.period(unchecked(record(a=50.0)), first, last))
    assert seen == [(first, last)]


@pytest.mark.parametrize(("spoils", "times"), [((), 1), (("a",), 2)])
def test_a_test_is_asked_once_about_the_same_rows(
    monkeypatch: pytest.MonkeyPatch, spoils: tuple[str, ...], times: int
) -> None:
    """A rival of an earlier fault is asked ahead of its turn; what that one spoils makes the rows others."""
    asked: list[bool] = []

    def later(case: Case) -> Sequence[Outcome]:
        asked.append(bool(np.isfinite(case.values(case.of("air_temperature")[0])).any()))
        return [suspect(("b",), 0.4)]

    use(
        monkeypatch,
        fault("channel-open", lambda c: [suspect(("a",), 3.0, spoils=spoils)], "wiring", rivals={"vane-stuck": ""}),
        fault("vane-stuck", later),
    )
    monkeypatch.setattr(diagnosis, "WITHHELD", {})
    diagnose(unchecked(record()))
    assert asked == [True, False][:times]


# ---- what cannot be tested


def test_without_a_quantity_it_is_not_tested(monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, fault("vane-stuck", lambda c: pytest.fail("tested"), needs=(("wind_direction", "wind_speed"),)))
    assert [u.why for _, u in diagnose(unchecked(record())).not_tested] == ["needs wind_direction or wind_speed"]


@pytest.mark.parametrize(("rows", "tested"), [(143, False), (144, True)])
def test_least_record_and_the_date_after_which_it_can_be_decided(
    monkeypatch: pytest.MonkeyPatch, rows: int, tested: bool
) -> None:
    use(monkeypatch, fault("vane-stuck", lambda c: [Cleared(("a",), "fine")], least_s=86400.0))
    found = diagnose(unchecked(record(rows)))
    assert bool(found.cleared) is tested
    if not tested:
        assert [(u.why, u.decidable_after) for _, u in found.not_tested] == [
            ("needs 24 h of record, has 23.8 h", "2026-05-02T00:00:00Z")
        ]


def test_one_broken_test_never_stops_a_run(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(case: Case) -> Sequence[Outcome]:
        raise ZeroDivisionError

    use(monkeypatch, fault("vane-stuck", broken), fault("gauge-open", lambda c: [suspect(("b",))]))
    found = diagnose(unchecked(record()))
    assert [f.fault.id for f in found.findings] == ["gauge-open"]
    assert [u.why for _, u in found.not_tested] == ["the test broke on these data (ZeroDivisionError); see the log"]


# ---- ids


@pytest.mark.parametrize(
    ("channels", "device", "named"),
    [(("a",), "probe-1", "vane-stuck@probe-1"), (("a", "b"), None, "vane-stuck@a.b"), ((), None, "vane-stuck@station")],
)
def test_a_finding_keeps_one_id(channels: tuple[str, ...], device: str | None, named: str) -> None:
    one = Finding(fault("vane-stuck", lambda c: []), suspect(channels, device=device), "ten", 1.0, 0.5)
    assert one.id == named


def test_nothing_weighed_gives_nothing() -> None:
    assert weighed([]) == []


def test_same_reasons_are_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    use(monkeypatch, fault("vane-stuck", lambda c: [Untested(("a",), "why"), Untested(("b",), "why")]))
    assert diagnose(unchecked(record())).not_tested == (("vane-stuck", Untested(("a", "b"), "why")),)
