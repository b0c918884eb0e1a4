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
from qc.limits import Limits, in_force
from qc.read.source import Look
from qc.read.tables import read_tables
from qc.record import Record
from qc.run import limits_of
from qc.verdicts import BIT, Failure, merge, names_of
from qc.why import FAILED, NOT_APPLIED, PASSED, Left, merged, why
from qc.write.explained import explained
from qc.write.text import stamp
from tests.test_chain import record, station
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


def test_the_whole_reach_is_looked_at() -> None:
    """Still for 40 h in saturated air: it takes a window of 36 h, so the first value of it rests on rows 36 h away."""
    of = station("air_temperature", "relative_humidity", more="resolution = 1.0")
    hours = np.arange(100 * 6) / 6
    still = (hours >= 30) & (hours < 70)
    values = {"a": np.where(still, 12.0, np.round(12 + 5 * np.sin(hours))), "b": np.full(len(hours), 100.0)}
    made = record(of, {name: v.tolist() for name, v in values.items()})
    limits = in_force()
    codes = chain.run(made, limits).tables["ten"].codes["a"]
    assert codes[still].tolist() == [2] * still.sum()
    for row in (*np.flatnonzero(still)[[0, -1]].tolist(), int(np.flatnonzero(still)[0]) - 8):
        document = why(made, limits, of.channel[0], [made.tables["ten"].time[row]])
        assert document["verdict"] == codes[row]


CONVERSIONS = [
    ("t", 10, {"from": "degC", "as_it_stands": True}),
    ("t", -10, {"from": "degF", "as_it_stands": False}),  # the deployment from the middle on
    ("g", 10, {"from": "kW/m2", "factor": 1000.0, "as_it_stands": False}),
    ("wd", 10, {"declination": 2.3, "as_it_stands": False}),
    ("rain", 10, {"from": "0.2 mm", "factor": 0.2, "counter": True, "as_it_stands": False}),
    ("p", 10, {"from": "hPa", "as_it_stands": True}),
]


@pytest.mark.parametrize(("name", "nth", "expected"), CONVERSIONS)
def test_conversion_and_line(tmp_path: Path, name: str, nth: int, expected: dict[str, object]) -> None:
    """What is done to the cell, and the line that it stands in: its values are those of the row."""
    world = heath(1)
    channel = next(c for c in world.station.channel if c.name == name)
    table = world.station.table_of(channel)
    paths = write(world, tmp_path, [world.rows])
    plain, _ = read_tables(world.station, paths)
    values = plain.tables[table.id].channels[name].values
    moment = plain.tables[table.id].time[np.flatnonzero(np.isfinite(values))[nth]]
    look = Look(table, channel, (moment,))
    read, _ = read_tables(world.station, paths, note=look.note)
    document = why(read, limits_of(world.station), channel, [moment], look=look)
    assert expected.items() <= document["conversion"].items()
    assert sum(line["stands"] for line in document["lines"]) == 1
    line = next(line for line in document["lines"] if line["stands"])
    assert Path(line["path"]).read_text("utf-8").split("\n")[line["line"] - 1] == line["text"]
    if not document["conversion"]["counter"]:
        how = document["conversion"]
        number = float(line["cell"].replace(",", "."))
        converted = (number * how["factor"] + how["offset"] + (how["declination"] or 0.0)) % (
            360 if name == "wd" else 1e9
        )
        assert document["value"] == pytest.approx(converted)
