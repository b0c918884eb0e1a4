"""Proposed mends: lines that the station file and the correction log take as they stand."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import pytest

from qc.diagnosis import Diagnosis, Finding, Rival
from qc.logs import parse as parse_log
from qc.mends import Mend
from qc.moments import clock_entries
from qc.read import clock
from qc.station import Clock
from qc.write.proposed import SURE, Proposed, proposed
from tests.faults.planted import unchecked
from tests.test_diagnosis import T0, fault, record, suspect


def of(mend: Mend | None, confidence: float = 0.95, rivals: tuple[Rival, ...] = (), **more: Any) -> Proposed:
    one = fault("clock-offset", lambda c: [])
    found = Finding(one, suspect(mend.channels if mend else ("a",), mend=mend, **more), "ten", 3.0, confidence, rivals)
    return proposed(Diagnosis(unchecked(record()), (found,), (), (), {}))


def piece(made: Proposed) -> dict[str, Any]:
    """The TOML of the one piece; fails where it is no TOML."""
    assert made.count == 1
    return tomllib.loads(made.toml)


@pytest.mark.parametrize(
    ("confidence", "rival", "count"), [(SURE, 0.09, 1), (SURE - 0.001, 0.0, 0), (0.99, 0.1, 0), (0.99, 0.0, 1)]
)
def test_only_what_is_sure_and_alone_is_proposed(confidence: float, rival: float, count: int) -> None:
    mend = Mend("offset", ("a",), amount=1.0)
    assert of(mend, confidence, (Rival("site-facts", rival, ""),)).count == count


def test_a_mend_that_is_for_memory_only_is_not_proposed() -> None:
    assert of(Mend("offset", ("a",), amount=1.0, proposed=False)).count == 0


def test_lines_of_corrections_are_taken_by_the_log() -> None:
    made = of(Mend("offset", ("a",), T0, None, -2.4, uncertainty=0.2))
    (line,) = parse_log("corrections", made.corrections.encode(), record().station, where="log.csv")
    assert (line.operation, line.parameter, line.channels) == ("offset", -2.4, ("a",))
    assert line.start == T0
    assert line.end == T0 + np.timedelta64(600 * 143, "s")
    assert "+- 0.2" in line.reason and "Summary." in line.reason


def test_a_wrong_zone_gets_another_offset() -> None:
    made = piece(of(Mend("clock", amount=60.0), evidence={"kind": "zone"}))
    assert made == {"clock": [{"utc_offset": "+01:00"}]}


def test_a_clock_that_was_set_gets_an_entry_from_then_on() -> None:
    made = piece(of(Mend("clock", first=T0 + np.timedelta64(1, "h"), amount=10.0), evidence={"kind": "set-by-hand"}))
    (entry,) = made["clock"]
    # the first stamp that is 10 min ahead shows 01:10: it was 01:00
    assert entry["from"].isoformat() == "2026-05-01T01:00:00+00:00"
    assert (entry["utc_offset"], entry["minutes_ahead"]) == ("+00:00", 10.0)


@pytest.mark.parametrize(("amount", "kind"), [(10.0, "set-by-hand"), (-60.0, "zone"), (60.0, "zone")])
@pytest.mark.parametrize("begin", [None, 30])
def test_a_clock_that_was_set_right_reads_truly_before_and_after(amount: float, kind: str, begin: int | None) -> None:
    """The entries, taken over, turn what the logger stamped back into true time."""
    true = T0 + np.arange(144) * np.timedelta64(600, "s")
    rows = np.arange(144)
    wrong = (rows >= (begin or 0)) & (rows <= 99)
    stamped = true + np.where(wrong, round(amount * 60), 0).astype("timedelta64[s]")
    first = None if begin is None else stamped[begin]
    made = piece(of(Mend("clock", (), first, stamped[99], amount), evidence={"kind": kind}))
    station = record().station
    entries = made["clock"] if begin is None else [*station.model_dump(by_alias=True)["clock"], *made["clock"]]
    mended = station.model_copy(update={"clock": [Clock.model_validate(e) for e in entries]})
    read = clock.to_utc(stamped, None, clock.timeline_for(clock_entries(mended), stamped), 600.0)
    np.testing.assert_array_equal(read.time, true)


def test_sides_units_sites_and_swaps() -> None:
    assert piece(of(Mend("side", amount=10.0, side="start"))) == {"stamps": "start"}
    assert piece(of(Mend("unit", ("a",), amount=5 / 9, unit="degF"))) == {"unit": "degF"}
    assert piece(of(Mend("site", site={"latitude": -54.5}))) == {"latitude": -54.5}
    made = of(Mend("swap", ("a", "b")))
    assert 'name = "a":\ncolumn = "B"' in made.toml and 'name = "b":\ncolumn = "A"' in made.toml


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [
        (None, None, ":\nunit"),
        (T0, None, ", from 2026-05-01T00:10:00Z on, as [[channel.deployment]]:\nunit"),
        (None, T0, ", up to 2026-05-01T00:10:00Z, then again as it was, as [[channel.deployment]]:\nunit"),
        (T0, T0, ", from 2026-05-01T00:10:00Z on up to 2026-05-01T00:10:00Z, then again as it was, as"),
    ],
)
def test_a_unit_of_a_while_is_a_deployment(first: Any, last: Any, told: str) -> None:
    made = of(Mend("unit", ("a",), first, last, 5 / 9, unit="degF"))
    assert f'name = "a"{told}' in made.toml
    assert piece(made) == {"unit": "degF"}


@pytest.mark.parametrize(
    ("first", "last", "told"),
    [
        (None, None, ""),
        (T0, None, " of a copy of the station file, to read the rows from 2026-05-01T00:10:00Z on with"),
        (T0, T0, " of a copy of the station file, to read the rows from 2026-05-01T00:10:00Z on up to 2026-05"),
    ],
)
def test_columns_exchanged_for_a_while_are_of_those_rows_only(first: Any, last: Any, told: str) -> None:
    assert f'name = "a"{told}' in of(Mend("swap", ("a", "b"), first, last)).toml


def test_hostile_channel_text_stays_in_its_quotes() -> None:
    made = of(Mend("unit", ("a",), amount=1.0, unit='"]\n[rules]'))
    assert tomllib.loads(made.toml) == {"unit": '"]\n[rules]'}


def test_nothing_found_leaves_the_header_alone() -> None:
    made = proposed(Diagnosis(unchecked(record()), (), (), (), {}))
    assert made.count == 0
    assert made.corrections.strip() == "from,to,channel,operation,parameter,reason,by,decided"
    assert tomllib.loads(made.toml) == {}
