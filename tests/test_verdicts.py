"""The law of merging (contract 1), as a table of cases and as properties."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qc.verdicts import (
    BIT,
    DEVICE,
    FAMILIES,
    FAMILY_OF,
    IDS,
    MISSING,
    NEIGHBOUR,
    NOT_CHECKED,
    OWN,
    PEOPLE,
    SUN,
    WITNESSES,
    WORDS,
    WRONG,
    ChannelVerdicts,
    Failure,
    Found,
    merge,
    names_of,
)

Left = tuple[str, str, int]  # check, witness, verdict


def merged(
    left: list[Left], *, value: bool = True, applied: tuple[str, ...] = ("range",), decided: int | None = None
) -> int:
    """The verdict of one value on which checks left something."""
    verdicts = ChannelVerdicts.empty(1)
    yes, nothing = np.ones(1, bool), np.full(1, np.nan)
    for check in applied:
        verdicts.add(check, OWN, Found(yes, np.zeros(1, np.uint8), nothing, nothing))
    for check, witness, verdict in left:
        verdicts.add(check, witness, Found(yes, np.full(1, verdict, np.uint8), nothing, nothing))
    given = None if decided is None else np.full(1, decided, np.int8)
    return int(verdicts.merged(np.full(1, value), given)[0])


CASES: dict[str, tuple[list[Left], dict[str, object], int]] = {
    "nothing left": ([], {}, 0),
    "inconsistent": ([("step", OWN, 1)], {}, 1),
    "doubtful": ([("step", OWN, 2)], {}, 2),
    "wrong": ([("range", OWN, 3)], {}, 3),
    "the highest counts": ([("timing", OWN, 1), ("step", OWN, 2)], {}, 2),
    "the highest counts, wrong": ([("timing", OWN, 1), ("step", OWN, 2), ("range", OWN, 3)], {}, 3),
    "2 and 2, two witnesses": ([("step", OWN, 2), ("clear-sky", SUN, 2)], {}, 3),
    "2 and 2, one witness": ([("step", OWN, 2), ("spike", OWN, 2)], {}, 2),
    "2 and 2 and 2, two witnesses": ([("step", OWN, 2), ("spike", OWN, 2), ("neighbour", NEIGHBOUR, 2)], {}, 3),
    "1 and 2, two witnesses": ([("timing", OWN, 1), ("clear-sky", SUN, 2)], {}, 2),
    "1 and 1, two witnesses": ([("timing", OWN, 1), ("twin", DEVICE, 1)], {}, 1),
    "3 and 2, two witnesses": ([("range", OWN, 3), ("clear-sky", SUN, 2)], {}, 3),
    "no value": ([("marker", OWN, 7)], {"value": False}, 7),
    "no value, whatever was left": ([("range", OWN, 3)], {"value": False}, 7),
    "no value, whatever was decided": ([], {"value": False, "decided": 0}, 7),
    "a marker's 7 is no verdict on a value": ([("marker", OWN, 7)], {}, 0),
    "decided up": ([], {"decided": 3}, 3),
    "decided down": ([("range", OWN, 3)], {"decided": 0}, 0),
    "decided down from two witnesses": ([("step", OWN, 2), ("clear-sky", SUN, 2)], {"decided": 1}, 1),
    "not decided": ([("step", OWN, 2)], {"decided": -1}, 2),
    "no check at all": ([], {"applied": ()}, 4),
    "the record family alone": ([], {"applied": FAMILIES["record"]}, 4),
    "the record family alone, one fails": ([("timing", OWN, 1)], {"applied": FAMILIES["record"]}, 1),
    "the record family and one more": ([], {"applied": ("timing", "step")}, 0),
    "not checked, but decided": ([], {"applied": ("timing",), "decided": 0}, 0),
    "not checked, no value": ([], {"applied": ("timing",), "value": False}, 7),
}


@pytest.mark.parametrize("name", CASES)
def test_merging(name: str) -> None:
    left, more, expected = CASES[name]
    assert merged(left, **more) == expected  # type: ignore[arg-type]


NOT_RECORD = [i for i in IDS if FAMILY_OF[i] != "record" and i != "decision"]  # a decision is no vote: it decides
LEFT = st.lists(
    st.tuples(st.sampled_from(NOT_RECORD), st.sampled_from(WITNESSES), st.integers(0, 3)),
    max_size=8,
    unique_by=lambda left: left[0],
)


@given(LEFT, st.data())
def test_raising_a_failure_never_lowers_the_verdict(left: list[Left], data: st.DataObject) -> None:
    before = merged(left)
    if not left:
        return
    at = data.draw(st.integers(0, len(left) - 1))
    check, witness, verdict = left[at]
    raised = [*left[:at], (check, witness, data.draw(st.integers(verdict, 3))), *left[at + 1 :]]
    assert merged(raised) >= before


@given(LEFT, st.sampled_from(NOT_RECORD), st.sampled_from(WITNESSES), st.integers(0, 3))
def test_one_more_failure_never_lowers_the_verdict(left: list[Left], check: str, witness: str, verdict: int) -> None:
    others = [entry for entry in left if entry[0] != check]
    assert merged([*others, (check, witness, verdict)]) >= merged(others)


@given(LEFT, st.randoms(use_true_random=False))
def test_the_order_of_checks_does_not_matter(left: list[Left], chance: object) -> None:
    shuffled = list(left)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    assert merged(shuffled) == merged(left)


@given(LEFT)
def test_wrong_takes_an_impossibility_or_two_witnesses(left: list[Left]) -> None:
    impossible = any(verdict == 3 for _, _, verdict in left)
    doubts = {witness for _, witness, verdict in left if verdict == 2}
    assert (merged(left) == WRONG) == (impossible or len(doubts) >= 2)


@given(LEFT, st.integers(0, 6))
def test_a_decision_stands_whatever_checks_left(left: list[Left], decided: int) -> None:
    assert merged(left, decided=decided) == decided
    assert merged(left, decided=decided, value=False) == MISSING


@given(st.lists(st.tuples(st.booleans(), LEFT), min_size=1, max_size=6), st.data())
def test_rows_do_not_touch_each_other(rows: list[tuple[bool, list[Left]]], data: st.DataObject) -> None:
    """Merging many rows at once is merging each, and taking rows before is taking them after."""
    n = len(rows)
    verdicts = ChannelVerdicts.empty(n)
    witness = dict(zip(IDS, itertools.cycle(WITNESSES), strict=False))
    for check in NOT_RECORD:
        verdict = np.array([next((v for i, _, v in left if i == check), 0) for _, left in rows], np.uint8)
        applied = np.array([any(i == check for i, _, _ in left) for _, left in rows])
        verdicts.add(check, witness[check], Found(applied, verdict, np.arange(n) * 1.0, np.arange(n) * 2.0))
    value = np.array([has for has, _ in rows])
    whole = verdicts.merged(value)
    for row, (has, left) in enumerate(rows):
        same = [(i, witness[i], v) for i, _, v in left]
        applied = tuple(i for i, _, _ in left)
        assert whole[row] == merged(same, value=has, applied=applied)
    keep = np.array(data.draw(st.lists(st.booleans(), min_size=n, max_size=n)))
    some = verdicts.take(keep)
    assert np.array_equal(some.merged(value[keep]), whole[keep])
    for check, failure in some.failures.items():
        assert isinstance(failure, Failure)
        assert failure.number.tolist() == [
            float(r) for r in np.flatnonzero(keep) if verdicts.failed[r] >> np.uint64(BIT[check]) & np.uint64(1)
        ]
        assert len(failure.rows)


@given(st.lists(st.tuples(st.booleans(), LEFT, st.integers(-1, 3)), min_size=1, max_size=6))
def test_wrong_between_stages_is_wrong_at_the_end(rows: list[tuple[bool, list[Left], int]]) -> None:
    """Decisions up and down, doubts of two witnesses and missing values included."""
    verdicts, nothing = ChannelVerdicts.empty(len(rows)), np.full(len(rows), np.nan)
    for check, witness in zip(NOT_RECORD, itertools.cycle(WITNESSES), strict=False):
        verdict = np.array([next((v for i, _, v in left if i == check), 0) for _, left, _ in rows], np.uint8)
        verdicts.add(check, witness, Found(verdict > 0, verdict, nothing, nothing))
    decided = np.array([verdict for _, _, verdict in rows])
    notes = np.full(len(rows), "seen")
    verdicts.add("decision", PEOPLE, Found(decided >= 0, decided.clip(0).astype(np.uint8), nothing, nothing, notes))
    value = np.array([has for has, _, _ in rows])
    assert np.array_equal(verdicts.wrong(value), verdicts.merged(value) == WRONG)


def test_merge_of_no_rows() -> None:
    assert merge(np.zeros(0, bool), np.zeros(0, np.uint64), []).tolist() == []


def test_names_stand_in_the_order_of_the_contract() -> None:
    assert names_of(0) == ""
    assert names_of(1 << BIT["sea-level"] | 1 << BIT["timing"] | 1 << BIT["step"]) == "timing;step;sea-level"
    everything = sum(1 << bit for bit in BIT.values())
    assert names_of(everything).split(";") == list(IDS)


def test_every_id_has_its_own_bit_of_64() -> None:
    assert sorted(BIT.values()) == list(range(len(IDS)))
    assert len(IDS) <= 64
    assert len(set(IDS)) == len(IDS)


def test_codes_are_those_of_the_code_table() -> None:
    """WMO BUFR/CREX code table 0 33 020 (handbook 10, published)."""
    table = "good inconsistent doubtful wrong not_checked changed estimated missing"
    assert table.split() == list(WORDS)
    assert (WRONG, NOT_CHECKED, MISSING) == (3, 4, 7)
