"""What one finding explains is taken off another; a later cause competes with an earlier one. Faults are made up."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from qc import diagnosis
from qc.diagnosis import EXPLAINS, Finding, diagnose, explained
from qc.faults import IDS, Suspect
from qc.mends import Mend
from tests.faults.planted import unchecked
from tests.test_diagnosis import T0, fault, logistic, record, suspect, use


def found(monkeypatch: pytest.MonkeyPatch, *given: tuple[str, str, Suspect]) -> dict[str, float]:
    use(monkeypatch, *(fault(i, lambda c, s=s: [s], rank) for i, rank, s in given))
    return {f.fault.id: f.confidence for f in diagnose(unchecked(record())).findings}


def test_the_level_of_a_copied_column_is_no_unit(monkeypatch: pytest.MonkeyPatch) -> None:
    told = found(
        monkeypatch,
        ("channels-copied", "wiring", suspect(("a", "b"), 3.0)),
        ("unit-wrong", "layout", suspect(("a",), 3.5)),
    )
    # 3.5 less the 3.0 that is the copy's own doing: odds e^3 : e^0.5 : 1
    total = math.exp(3.0) + math.exp(0.5)
    assert told == {"channels-copied": round(total / (1 + total) * math.exp(3.0) / total, 3)}


def test_a_wrong_unit_explains_no_copy(monkeypatch: pytest.MonkeyPatch) -> None:
    told = found(
        monkeypatch,
        ("channels-copied", "wiring", suspect(("a", "b"), 1.0)),
        ("unit-wrong", "layout", suspect(("a",), 4.0)),
    )
    assert told["unit-wrong"] > 0.8


@pytest.mark.parametrize("elsewhere", ["channel", "time"])
def test_nothing_is_explained_elsewhere(monkeypatch: pytest.MonkeyPatch, elsewhere: str) -> None:
    unit = suspect(("b",) if elsewhere == "channel" else ("a",), 3.5)
    half = T0 + np.timedelta64(600 * 60, "s")
    if elsewhere == "time":
        unit = Suspect(unit.channels, unit.clues, {}, "s", half, unit.last, (half, half))
    open_ = suspect(("a",), 3.0)
    if elsewhere == "time":
        before = half - np.timedelta64(600, "s")
        open_ = Suspect(("a",), open_.clues, {}, "s", T0, before, (T0, T0))
    told = found(monkeypatch, ("channel-open", "wiring", open_), ("unit-wrong", "layout", unit))
    assert told == {"channel-open": round(logistic(3.0), 3), "unit-wrong": round(logistic(3.5), 3)}


def test_what_speaks_against_a_fault_explains_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    told = found(
        monkeypatch,
        ("channel-open", "wiring", suspect(("a",), -3.0)),
        ("unit-wrong", "layout", suspect(("a",), 3.5)),
    )
    assert told["unit-wrong"] == pytest.approx(logistic(3.5), abs=0.01)


@pytest.mark.parametrize(("odds", "explained"), [(0.5, False), (1.0, True), (1.5, True)])
def test_what_is_neither_listed_nor_likelier_explains_nothing(
    monkeypatch: pytest.MonkeyPatch, odds: float, explained: bool
) -> None:
    """An open input that would not be listed (below 1) is no word against a jump of 2.5."""
    use(
        monkeypatch,
        fault("channel-open", lambda c: [suspect(("a",), odds)], "wiring"),
        fault("constants-wrong", lambda c: [suspect(("a",), 2.5)], "wiring"),
    )
    monkeypatch.setattr(diagnosis, "_calibration", lambda: ((0.0, 0.0), (1.0, 0.5), (2.0, 0.9)))
    odds_left = {f.fault.id: f.log_odds for f in diagnose(unchecked(record())).findings}["constants-wrong"]
    assert odds_left == pytest.approx(2.5 - odds if explained else 2.5)


def test_what_was_explained_away_is_no_rival_of_later_faults(monkeypatch: pytest.MonkeyPatch) -> None:
    """The copy of another column has a unit's level: no word against a step that is found in the next stage."""
    told = found(
        monkeypatch,
        ("channels-copied", "wiring", suspect(("a", "b"), 3.0)),
        ("unit-wrong", "layout", suspect(("a",), 2.9)),
        ("constants-wrong", "sensor", suspect(("a",), 2.5)),
    )
    assert told["constants-wrong"] == pytest.approx(logistic(2.5), abs=0.001)


def test_a_later_cause_that_explains_an_earlier_one_keeps_it_from_being_undone(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[float] = []

    def stalled(case: object) -> list[Suspect]:
        seen.append(float(case.values(case.of("air_temperature")[0])[0]))  # type: ignore[attr-defined]
        return [suspect(("a",), 4.0)]

    unit = suspect(("a",), 3.5, mend=Mend("unit", ("a",), amount=2.0, unit="K"))
    use(monkeypatch, fault("unit-wrong", lambda c: [unit], "layout"), fault("anemometer-stalled", stalled, "sensor"))
    told = {f.fault.id: f.confidence for f in diagnose(unchecked(record(a=10.0))).findings}
    assert set(told) == {"anemometer-stalled"}
    assert set(seen) == {10.0}


@pytest.mark.parametrize(("rival", "left"), [(None, 2.5), (3.4, 1.6), (1.0, 2.5)])
def test_a_rival_told_by_the_test_explains_with_its_own_odds(
    monkeypatch: pytest.MonkeyPatch, rival: float | None, left: float
) -> None:
    """A factor of global that is rather the sensor's than the program's breaks the closure all the same."""
    use(monkeypatch)
    told = {} if rival is None else {"pyranometer-scale": rival, "barometer-offset": 9.0}
    one = Finding(
        fault("constants-wrong", lambda c: []), replace(suspect(("g",), 2.5), rivals=told), "t", 2.5, 0.0, sunny=True
    )
    other = Finding(fault("tracker-astray", lambda c: []), suspect(("d", "f"), 5.0), "t", 5.0, 0.0)
    assert explained([other, one])[0].log_odds == pytest.approx(left)
    dark = replace(one, sunny=False)
    assert explained([other, dark])[0].log_odds == 5.0


def test_only_faults_of_the_book_are_explained() -> None:
    for fault_, others in EXPLAINS.items():
        assert fault_ in IDS
        assert set(others) <= set(IDS)
        assert fault_ not in others


@pytest.mark.parametrize(
    ("by", "what", "left"),
    [
        ("sensor-frozen", "coordinates", 2.0),
        ("unit-wrong", "zone", 2.0),
        ("pyranometer-scale", "coordinates", 5.0),  # a factor moves no first light
        ("sensor-frozen", "elevation", 5.0),  # by pressure, not by the sun
    ],
)
def test_a_fault_of_the_light_explains_what_the_light_told_of_the_site(by: str, what: str, left: float) -> None:
    light = Finding(fault(by, lambda c: []), suspect(("a",), 3.0), "ten", 3.0, 0.0, sunny=True)
    site = Finding(
        fault("site-facts", lambda c: [], "site"), suspect((), 5.0, evidence={"what": what}), "ten", 5.0, 0.0
    )
    assert [f.log_odds for f in explained([light, site])] == [3.0, left]
