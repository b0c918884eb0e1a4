"""The fault book: each fault has its words, numbers, tests; keys and ids are those of the contract; too little data
and odd data claim nothing."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import qc
from qc import chain, faults
from qc.case import Case
from qc.diagnosis import case_of, diagnose
from qc.diagnosis import tested as outcomes_of
from qc.faults import RANKS, Cleared, Fault, Suspect, Untested, doc, registry, steps
from qc.limits import of_faults
from qc.places import folder
from qc.quantities import quantities
from qc.record import ReadChannel, Record, TableRecord
from qc.run import limits_of
from tests.faults.planted import unchecked

ROOT = Path(__file__).resolve().parents[1]
BOOK = list(registry().values())
NAMES = [f.id for f in BOOK]

# contract 7
KEYS = {
    "site-facts": {"what", "found"},
    "clock-offset": {"minutes", "kind"},
    "stamp-side": {"minutes"},
    "channels-swapped": {"pair"},
    "channels-copied": {"pair", "slope", "intercept"},
    "channel-open": {"level"},
    "unit-wrong": {"unit_found"},
    "constants-wrong": {"factor", "offset", "onset"},
    "sensor-frozen": {"hours"},
    "bus-dropout": {"bursts", "share_together"},
    "supply-disturbed": {"events"},
    "battery-failing": {"night_sag_v"},
    "pyranometer-shaded": {"azimuth_from", "azimuth_to", "elevation_top", "days"},
    "pyranometer-scale": {"factor"},
    "pyranometer-reversed": {"factor"},
    "pyranometer-zero": {"offset_w_m2"},
    "tracker-astray": {"share", "ratio"},
    "barometer-reduced": {"offset_hpa"},
    "shield-heating": {"excess_k"},
    "hygrometer-ceiling": {"ceiling_percent"},
    "vane-stuck": {"direction_deg"},
    "anemometer-stalled": {"hours", "threshold_m_s"},
    "gauge-clogged": {"events"},
    "gauge-open": {"wet_hours"},
    "gauge-noise": {"tips"},
}


def test_the_faults_of_this_step_are_all_there() -> None:
    assert set(NAMES) >= set(KEYS)


@pytest.mark.parametrize("fault", BOOK, ids=NAMES)
def test_form(fault: Fault) -> None:
    assert set(fault.keys) == KEYS.get(fault.id, set(fault.keys))
    assert fault.rank in RANKS
    assert fault.go in ("remote", "next-visit", "drive")
    assert set(fault.rivals) <= set(faults.IDS) - {fault.id}
    assert all(words.strip() for words in fault.rivals.values()), "a rival without what would split it"
    assert fault.least_s > 0 and fault.needs
    assert {q for any_of in fault.needs for q in any_of} <= set(quantities())


@pytest.mark.parametrize("fault", BOOK, ids=NAMES)
def test_words(fault: Fault) -> None:
    parts = doc(fault.id)
    assert len(steps(fault.id)) >= 2, "what to check, in order, parted by semicolons"
    assert re.search(r"fall|lightning|power line|battery|fuse|ladder|two people|license|mains|climb", parts["Caution"])
    assert parts["Title"].endswith(".") and len(parts["Title"]) < 90


@pytest.mark.parametrize("fault", BOOK, ids=NAMES)
def test_numbers_have_unit_source_and_standing(fault: Fault) -> None:
    own = {e.key: e for e in of_faults().values() if e.check == fault.id}
    assert "prior" in own and own["prior"].unit == "ln odds" and own["prior"].at(600.0) < 0
    own_room = fault.id.replace("-", "_")
    files = [*(ROOT / "qc" / "faults").glob(f"{own_room}.py"), *(ROOT / "qc" / "faults" / own_room).glob("*.py")]
    text = "".join(p.read_text("utf-8") for p in files)
    physics = "".join(p.read_text("utf-8") for p in (ROOT / "qc" / "physics").glob("*.py"))
    physics += "".join((ROOT / "qc" / f"{room}.py").read_text("utf-8") for room in ("ratios", "copied"))
    unused = [key for key in own if key != "prior" and f'"{key}"' not in text + physics]
    assert not unused, f"numbers that no test goes by: {unused}"


@pytest.mark.parametrize("fault", BOOK, ids=NAMES)
def test_each_has_tests_of_its_own(fault: Fault) -> None:
    assert (ROOT / "tests" / "faults" / f"test_{fault.id.replace('-', '_')}.py").exists()


def test_no_numbers_without_a_fault() -> None:
    assert {e.check for e in of_faults().values()} <= set(NAMES)


# ---- too little data claims nothing


@cache
def sample() -> Record:
    station = qc.read_station(folder("sample_data") / "otter-fell.station.toml")
    names = [folder("sample_data") / f"otter-fell_{part}.csv" for part in "ab"]
    return qc.read_tables(station, names)


def part(first: int, rows: int, gaps: float = 0.0, seed: int = 0) -> Record:
    whole = sample()
    table = whole.tables["ten"]
    keep = np.arange(first, min(first + rows, table.rows))
    if gaps:
        keep = keep[np.random.default_rng(seed).random(len(keep)) >= gaps]
    return replace(whole, tables={"ten": table.take(keep)})


def row_of(day: str) -> int:
    return int(np.searchsorted(sample().tables["ten"].time, np.datetime64(day, "us")))


@settings(max_examples=25, deadline=None)
@given(
    first=st.integers(row_of("2026-04-01T00:10"), row_of("2026-04-17")),
    rows=st.integers(1, 432),
    gaps=st.sampled_from([0.0, 0.0, 0.3, 0.9]),
)
def test_three_healthy_days_and_less_give_no_finding(first: int, rows: int, gaps: float) -> None:
    record = part(first, rows, gaps)
    if not record.tables["ten"].rows:
        return
    found = diagnose(chain.run(record, limits_of(record.station)))
    assert [(f.id, f.confidence) for f in found.findings] == []
    assert not any("broke" in u.why for _, u in found.not_tested)


def changed(record: Record, values: dict[str, np.ndarray]) -> Record:
    table = record.tables["ten"]
    channels = {**table.channels, **{n: ReadChannel(v, None, None) for n, v in values.items()}}
    return replace(record, tables={"ten": replace(table, channels=channels)})


@pytest.mark.parametrize("fault", BOOK, ids=NAMES)
@pytest.mark.parametrize("what", ["no value", "no row", "one row", "one value", "constant", "huge"])
def test_odd_data_break_no_test_and_prove_little(fault: Fault, what: str) -> None:
    record = part(row_of("2026-04-01T00:10"), 2000)
    table: TableRecord = record.tables["ten"]
    numbers = {n: c.values for n, c in table.channels.items()}
    if what == "no row":
        record = replace(record, tables={"ten": table.take(np.zeros(0, np.int64))})
    elif what == "one row":
        record = replace(record, tables={"ten": table.take(np.array([700]))})
    elif what == "no value":
        record = changed(record, {n: np.full(table.rows, np.nan) for n in numbers})
    elif what == "one value":
        one = np.arange(table.rows) == 700
        record = changed(record, {n: np.where(one, v, np.nan) for n, v in numbers.items()})
    elif what == "constant":
        record = changed(record, {n: np.where(np.isfinite(v), np.nanmedian(v), np.nan) for n, v in numbers.items()})
    else:
        record = changed(record, {n: v * 1e12 for n, v in numbers.items()})
    with np.errstate(all="ignore"):
        outcomes = outcomes_of(fault, case_of(unchecked(record), "ten"))
    assert all(isinstance(o, Suspect | Cleared | Untested) for o in outcomes)
    broken = [o.why for o in outcomes if isinstance(o, Untested) and "broke" in o.why]
    assert not broken
    if what in ("no value", "no row", "one row", "one value"):
        assert not [
            o for o in outcomes if isinstance(o, Suspect) and o.log_odds + of_faults().number(fault.id, "prior") > 0
        ]


@pytest.mark.parametrize("fault", BOOK, ids=NAMES)
def test_a_suspect_tells_all_that_the_contract_asks(fault: Fault) -> None:
    """A gross fault in three healthy weeks, where it can be made there: found, in the contract's words."""
    record = part(row_of("2026-04-01T00:10"), 20 * 144)
    case: Case = case_of(unchecked(record), "ten")
    injection = fault.inject(case, "gross", np.random.default_rng(1))
    if injection is None:
        pytest.skip("cannot be made from the sample station")
    from tests.faults.planted import planted

    spoilt = planted(record, "ten", injection)
    found = diagnose(chain.run(spoilt, limits_of(spoilt.station)), only=[fault.id]).findings
    own = [f for f in found if f.fault.id == fault.id]
    assert own, "a gross one is found"
    suspect = own[0].suspect
    assert set(suspect.evidence) == set(fault.keys)
    assert suspect.onset[0] <= suspect.onset[1] and suspect.first <= suspect.last
    assert suspect.summary.rstrip().endswith(".") and re.search(r"\d", suspect.summary)
    from qc.write import picture

    with picture.house():
        drawn = picture.png(fault.picture(case_of(unchecked(spoilt), "ten"), suspect))
    assert drawn.startswith(b"\x89PNG") and len(drawn) > 5000
