"""Why: the law of merging in words and in numbers; the same verdicts and episodes as a run over everything."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc import chain
from qc.chain import Checked
from qc.checks import registry
from qc.episodes import Episode, episodes
from qc.limits import Limits
from qc.record import Record
from qc.run import limits_of
from qc.verdicts import BIT, Failure, merge, names_of
from qc.why import FAILED, NOT_APPLIED, PASSED, Left, merged, why
from qc.write.explained import explained
from qc.write.text import stamp
from tests.worlds import World, heath, sample, write

IDS = list(registry())


@cache
def checked(name: str) -> tuple[Record, Limits, Checked, dict[str, list[Episode]]]:
    """One run over everything: the sample station, or a made-up one whose tables have units, counters and gaps."""
    world = sample() if name == "sample" else heath(int(name), hours=200)
    record, limits = _read(world)
    whole = chain.run(record, limits)
    return record, limits, whole, {t: episodes(record.station, table) for t, table in whole.tables.items()}


def _read(world: World) -> tuple[Record, Limits]:
    from qc.read.tables import read_tables

    with tempfile.TemporaryDirectory() as where:
        record, refused = read_tables(world.station, write(world, Path(where), [world.rows]))
    assert not refused
    return record, limits_of(world.station)


def _same_as_check(name: str, pick: float, channel_number: int, failing: bool) -> None:
    """`why` of one value, chosen by a share of the rows (or of those that fail), agrees with the whole run."""
    record, limits, whole, told = checked(name)
    channel = record.station.channel[channel_number % len(record.station.channel)]
    table = whole.tables[record.station.table_of(channel).id]
    verdicts = table.verdicts[channel.name]
    rows = np.flatnonzero(verdicts.failed) if failing and verdicts.failed.any() else np.arange(table.record.rows)
    row = int(rows[int(pick * (len(rows) - 1))])
    moment = table.record.time[row]
    document = why(record, limits, channel, [moment])
    assert document["verdict"] == int(table.codes[channel.name][row])
    assert document["time"] == stamp(moment)
    by_outcome = {
        o: [c["check"] for c in document["checks"] if c["outcome"] == o] for o in (FAILED, PASSED, NOT_APPLIED)
    }
    assert ";".join(by_outcome[FAILED]) == names_of(int(verdicts.failed[row]))
    applied = by_outcome[PASSED] + by_outcome[FAILED]
    assert sorted(applied) == sorted(names_of(int(verdicts.applied[row] | verdicts.failed[row])).split(";"))
    left = [Left(c["check"], c["witness"], c["verdict"]) for c in document["checks"] if c["outcome"] == FAILED]
    code, words = merged(document["value"] is not None, applied, left)
    assert (code, words) == (document["verdict"], document["how"])
    expected = {
        e.check: (stamp(e.start), stamp(e.end), e.values, e.message)
        for e in told[table.record.table.id]
        if e.channel == channel.name and e.start <= moment <= e.end and e.check in by_outcome[FAILED]
    }
    found = {
        c["check"]: tuple(c["episode"][key] for key in ("from", "to", "values", "message"))
        for c in document["checks"]
        if c["outcome"] == FAILED
    }
    assert found == expected
    for one in document["checks"]:
        assert (one["outcome"] in (FAILED, PASSED)) == (one["why"] is None)
    shown = explained(document)
    assert not {"nan", "None", "inf"} & set(shown.replace(",", " ").split())


@settings(max_examples=30, deadline=None)
@given(st.floats(0, 1), st.integers(0, 11), st.booleans())
def test_same_as_check_at_the_sample_station(pick: float, channel: int, failing: bool) -> None:
    _same_as_check("sample", pick, channel, failing)


@settings(max_examples=15, deadline=None)
@given(st.sampled_from(["1", "2"]), st.floats(0, 1), st.integers(0, 6), st.booleans())
def test_same_as_check_with_units_counters_and_gaps(name: str, pick: float, channel: int, failing: bool) -> None:
    _same_as_check(name, pick, channel, failing)


def test_episode_longer_than_the_first_look() -> None:
    """Two days of a barometer that reads 160 hPa low, seen from its middle: the episode is told whole."""
    record, limits, _, _ = checked("sample")
    document = why(record, limits, record.channel("p"), [np.datetime64("2026-03-17T00:00", "us")])
    (told,) = [c["episode"] for c in document["checks"] if c["outcome"] == FAILED]
    assert (told["from"], told["to"]) == ("2026-03-16T00:10:00Z", "2026-03-18T00:00:00Z")  # truth.toml
    assert told["values"] == 288


def test_first_and_last_row() -> None:
    record, limits, whole, _ = checked("sample")
    for row, beside in ((0, 4), (-1, 4)):
        document = why(record, limits, record.channel("t_air"), [whole.tables["ten"].record.time[row]])
        assert document["verdict"] == int(whole.tables["ten"].codes["t_air"][row])
        assert len(document["around"]) == beside


LAW = [
    (["range"], [], 0, "one check applied, none failed"),
    (["range", "timing"], [], 0, "two checks applied, none failed"),
    (["timing", "marker"], [], 4, "no check outside the record family could be applied"),
    (["step"], [Left("step", "own record", 2)], 2, "one doubt: step (own record)"),
    (
        ["step", "spike"],
        [Left("step", "own record", 2), Left("spike", "own record", 2)],
        2,
        "two doubts from one witness, and one witness is no proof: step (own record) and spike (own record)",
    ),
    (
        ["persistence", "frozen"],
        [Left("persistence", "own record", 2), Left("frozen", "another device", 2)],
        3,
        "two doubts from different witnesses: persistence (own record) and frozen (another device)",
    ),
    (
        ["range", "gust"],
        [Left("range", "own record", 3), Left("gust", "own record", 1)],
        3,
        "one check finding it impossible: range (own record)",
    ),
    (["gust"], [Left("gust", "own record", 1)], 1, "one check finding a contradiction: gust (own record)"),
    (
        ["step", "calm"],
        [Left("step", "own record", 2), Left("calm", "another device", 1)],
        2,
        "one doubt: step (own record)",
    ),
]


@pytest.mark.parametrize(("applied", "left", "code", "words"), LAW)
def test_law_in_words(applied: list[str], left: list[Left], code: int, words: str) -> None:
    assert merged(True, applied, left) == (code, words)
    assert merged(True, applied, left, 0)[0] == 0, "a decision goes before all checks"
    assert merged(False, applied, left, 0)[0] == 7, "no value is no value, whatever was decided"


@given(
    st.booleans(),
    st.lists(st.sampled_from(IDS), unique=True),
    st.dictionaries(st.sampled_from(IDS), st.sampled_from([1, 2, 3, 7]), max_size=5),
    st.one_of(st.none(), st.integers(0, 3)),
)
def test_words_and_numbers_agree(
    has_value: bool, applied: list[str], verdicts: dict[str, int], decided: int | None
) -> None:
    """`merged` gives the code that `qc.verdicts.merge` gives, for any failures."""
    left = [Left(check, registry()[check].witness, verdict) for check, verdict in verdicts.items()]
    mask = np.array([sum(1 << BIT[check] for check in applied)], np.uint64)
    row, none = np.zeros(1, np.int64), np.full(1, np.nan)
    failures = [Failure(one.check, one.witness, row, np.array([one.verdict], np.uint8), none, none) for one in left]
    given_ = None if decided is None else np.array([decided], np.int8)
    assert merged(has_value, applied, left, decided)[0] == merge(np.array([has_value]), mask, failures, given_)[0]
