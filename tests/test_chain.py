"""The chain: timing and gaps, stages, a check that crashes, the reach, and that limits work in one direction."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc import chain, checks
from qc.case import ISOLATED
from qc.chain import Checked
from qc.checks import EVERY, Check, Told, registry
from qc.episodes import Episode, episodes
from qc.errors import StationFileError
from qc.limits import in_force
from qc.places import folder
from qc.read import clock
from qc.read.numbers import MARKER, VALUE
from qc.read.tables import read_tables
from qc.record import ReadChannel, Record, TableRecord
from qc.scene import Scene
from qc.station import Channel, Station, load, parse
from qc.verdicts import IDS, MISSING, NOT_CHECKED, OWN, WRONG, Found

STATION = """
[station]
id = "moor"
latitude = 54.6
longitude = -2.9
elevation = 0.0
{clock}
[[table]]
id = "ten"
interval = "10min"
stamps = "end"
{stray}
[[table.layout]]
names = ["time", "t"]
decimal = "."
missing = [""]
time = {{ columns = ["time"], format = "%Y-%m-%d %H:%M" }}
{channels}
"""
UTC = '[[clock]]\nutc_offset = "+00:00"'
UNITS = {
    "air_temperature": "degC", "air_pressure": "hPa", "relative_humidity": "%", "wind_speed": "m/s",
    "global_irradiance": "W/m2", "precipitation": "mm", "other": "1",
}  # fmt: skip


def text_of(*quantities: str, clock: str = UTC, stray: str = "", more: str = "") -> str:
    """The station file of channels a, b, c ... of these quantities."""
    channels = "".join(
        f'[[channel]]\nname = "{name}"\nquantity = "{quantity}"\ncolumn = "{name}"\nunit = "{UNITS[quantity]}"\n'
        f"{more}\n"
        for name, quantity in zip("abcdef", quantities, strict=False)
    )
    return STATION.format(clock=clock, stray=stray, channels=channels)


def station(*quantities: str, **more: str) -> Station:
    """A station of channels a, b, c ... of these quantities."""
    return parse(text_of(*quantities, **more).encode())


def record(of: Station, values: Mapping[str, list[float]], minutes: list[float] | None = None, **more: Any) -> Record:
    """Values by channel at minutes after 2026-06-21T12:00 (every ten where left out)."""
    rows = len(next(iter(values.values())))
    after = np.array(minutes if minutes is not None else np.arange(rows) * 10.0)
    time = np.datetime64("2026-06-21T12:00", "us") + (after * 60e6).astype("m8[us]")
    none = np.zeros(rows, bool)
    table = TableRecord(
        of.table[0], time, {n: ReadChannel(np.array(v, float), None, None) for n, v in values.items()},
        more.pop("off_grid_s", np.zeros(rows)), more.pop("conflicting", none), more.pop("unsettled", none),
    )  # fmt: skip
    assert not more
    return Record(of, {"ten": table})


def run(of: Record, overrides: Mapping[str, Any] | None = None, **more: Any) -> Checked:
    rules = {name: {"value": value, "reason": "a test"} for name, value in (overrides or {}).items()}
    return chain.run(of, in_force(None, None, rules), **more)


def failed(checked: Checked, channel: str, check: str) -> list[int]:
    """Verdicts that a check left on the rows of a channel, 0 where none."""
    table = checked.tables["ten"]
    found = [0] * table.record.rows
    failure = table.verdicts[channel].failures.get(check)
    for row, verdict in zip(failure.rows, failure.verdict, strict=True) if failure else ():
        found[row] = int(verdict)
    return found


def told(checked: Checked, check: str) -> list[Episode]:
    return [e for e in episodes(checked.record.station, checked.tables["ten"]) if e.check == check]


# --- timing and gap


def test_stamps_off_the_grid() -> None:
    some = record(station("air_temperature"), {"a": [10.0] * 3}, [0, 10, 23], off_grid_s=np.array([0.0, 0.0, 180.0]))
    checked = run(some)
    assert failed(checked, "a", "timing") == [0, 0, 1]
    (episode,) = told(checked, "timing")
    assert (episode.worst, episode.limit, episode.verdict) == (180.0, 0.0, 1)
    assert "180 s off the grid (allowed: 0 s)" in episode.message


def test_conflicting_and_unsettled_stamps() -> None:
    marks = {"conflicting": np.array([False, True, False]), "unsettled": np.array([False, False, True])}
    checked = run(record(station("air_temperature"), {"a": [10.0] * 3}, **marks))
    assert failed(checked, "a", "timing") == [0, 1, 1]
    assert checked.tables["ten"].codes["a"].tolist() == [0, 1, 1]


def test_the_future_begins_after_as_of() -> None:
    some = record(station("air_temperature"), {"a": [10.0] * 3})
    now = np.datetime64("2026-06-21T12:10", "us")
    assert failed(run(some), "a", "timing") == [0, 0, 0]
    checked = run(some, as_of=now)
    assert failed(checked, "a", "timing") == [0, 0, 2]
    assert failed(run(some, as_of=now - np.timedelta64(1, "us")), "a", "timing") == [0, 2, 2]
    (episode,) = told(checked, "timing")
    assert episode.worst == 600.0
    assert "future" in episode.message


def test_without_as_of_the_future_is_not_applied() -> None:
    some = record(station("air_temperature"), {"a": [10.0]})
    without = [why for check, _, why in run(some).not_applied if check == "timing"]
    assert len(without) == 1
    assert "--as-of" in without[0]
    with_it = run(some, as_of=np.datetime64("2027-01-01", "us"))
    assert not [why for check, _, why in with_it.not_applied if check == "timing"]


def test_timing_leaves_nothing_where_there_is_no_value() -> None:
    some = record(station("air_temperature"), {"a": [np.nan, 10.0]}, conflicting=np.array([True, True]))
    assert failed(run(some), "a", "timing") == [0, 1]


def test_timing_stands_on_a_channel_that_nothing_else_tests() -> None:
    some = record(station("other"), {"a": [1.0, 2.0]}, conflicting=np.array([False, True]))
    assert run(some).tables["ten"].codes["a"].tolist() == [NOT_CHECKED, 1]


@pytest.mark.parametrize(
    ("minutes", "expected"),
    [
        ([0, 10, 20], []),
        ([0, 10, 30], [("12:20", "12:20", 1)]),
        ([0, 10, 340], [("12:20", "17:30", 32)]),
        ([0, 15, 25], []),  # one interval and a half is not yet a gap
        ([0, 15.1, 25.1], [("12:10", "12:05", 1)]),  # a row is missing, though none fits between
        ([0, 0.5, 10, 20], []),
    ],
)
def test_gaps(minutes: list[float], expected: list[tuple[str, str, int]]) -> None:
    checked = run(record(station("air_temperature"), {"a": [10.0] * len(minutes)}, minutes))
    found = [(str(e.start)[11:16], str(e.end)[11:16], e.values) for e in told(checked, "gap")]
    assert found == expected
    assert all((e.channel, e.verdict) == ("all", MISSING) for e in told(checked, "gap"))


def test_an_episode_ends_at_a_gap() -> None:
    checked = run(record(station("air_temperature"), {"a": [99.0] * 4}, [0, 10, 40, 50]))
    assert [e.values for e in told(checked, "range")] == [2, 2]


# --- stages


def test_condemned_values_are_missing_in_the_next_stage() -> None:
    """84 degC is impossible (range, stage 1); step (stage 2) then finds no neighbours that differ."""
    checked = run(record(station("air_temperature"), {"a": [10.0, 10.0, 84.0, 10.0, 10.0]}))
    assert failed(checked, "a", "range") == [0, 0, 3, 0, 0]
    assert failed(checked, "a", "step") == [0] * 5
    assert checked.tables["ten"].codes["a"].tolist() == [0, 0, WRONG, 0, 0]


def test_doubtful_values_are_not() -> None:
    checked = run(
        record(station("air_temperature"), {"a": [-79.0, -79.0, -85.0, -79.0, -79.0]}), {"step.air_temperature": 5.0}
    )
    assert failed(checked, "a", "range") == [0, 0, 2, 0, 0]
    assert failed(checked, "a", "step") == [0, 0, 2, 0, 0]
    assert checked.tables["ten"].codes["a"].tolist() == [0, 0, 2, 0, 0]  # one witness: the own record


def test_a_condemned_temperature_does_not_reduce_pressure() -> None:
    """With 99 degC (condemned) the standard atmosphere stands in, as where no temperature is there."""
    text = text_of("air_pressure", "air_temperature").replace("elevation = 0.0", "elevation = 900.0")
    high = parse(text.encode())
    number = {}
    for name, temperature in (("missing", np.nan), ("condemned", 99.0), ("another", 30.0)):
        found = run(record(high, {"a": [1050.0], "b": [temperature]}))
        number[name] = found.tables["ten"].verdicts["a"].failures["sea-level"].number.tolist()
    assert number["condemned"] == number["missing"] != number["another"]


def _fake(id_: str, stage: int, run_: Any, **more: Any) -> Check:
    def say(_: Told) -> str:
        return "a check made for a test, which tells nothing"

    return Check(id_, stage=stage, witness=OWN, quantities=EVERY, run=run_, say=say, **more)


def _with(monkeypatch: pytest.MonkeyPatch, *more: Check) -> None:
    """The registry with other checks in it."""
    found = {**registry(), **{c.id: c for c in more}}
    monkeypatch.setattr(chain, "registry", lambda: {i: found[i] for i in IDS if i in found})


def test_a_check_that_crashes_is_not_applied_and_the_rest_goes_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(scene: Scene, channel: Channel) -> Found:
        raise ZeroDivisionError("no data is this odd")

    some = record(station("air_temperature", "wind_speed"), {"a": [10.0, 99.0], "b": [3.0, -1.0]})
    whole = run(some)
    _with(monkeypatch, _fake("range", 1, registry()["range"].run), _fake("neighbour", 1, broken))
    with caplog.at_level(logging.DEBUG, "fairvane"):
        checked = run(some)
    ((names, why),) = [(n, w) for check, n, w in checked.not_applied if check == "neighbour"]
    assert names == ("a", "b")
    assert "ZeroDivisionError" in why
    assert "no data is this odd" in caplog.text
    assert "Traceback" in caplog.text
    for channel in "ab":
        assert failed(checked, channel, "range") == failed(whole, channel, "range")
        assert checked.tables["ten"].codes[channel].tolist() == whole.tables["ten"].codes[channel].tolist()


def test_checks_of_one_stage_do_not_see_each_other(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, list[float]] = {}

    def looks(stage: str) -> Any:
        def run_(scene: Scene, channel: Channel) -> Found:
            seen[stage] = scene.values(channel).tolist()
            rows = np.zeros(scene.rows)
            return Found(rows == 0, rows.astype(np.uint8), rows, rows)

        return run_

    _with(monkeypatch, _fake("snow-melt", 1, looks("same stage")), _fake("supply", 2, looks("next stage")))
    run(record(station("air_temperature"), {"a": [10.0, 99.0]}))
    assert seen["same stage"] == [10.0, 99.0]
    assert seen["next stage"][0] == 10.0
    assert np.isnan(seen["next stage"][1])


def test_the_order_of_checks_in_a_stage_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    of = station("air_temperature", "air_pressure", "wind_speed", "global_irradiance")
    rng = np.random.default_rng(4)
    values = {
        "a": rng.choice([10.0, 11.0, 35.0, 99.0], 60), "b": rng.choice([1000.0, 1004.0, 900.0, 400.0], 60),
        "c": rng.choice([0.0, 5.0, 25.0, -1.0], 60), "d": rng.choice([100.0, 900.0, 1500.0, np.nan], 60),
    }  # fmt: skip
    some = record(of, {k: v.tolist() for k, v in values.items()})
    whole = run(some)
    backwards = dict(reversed(registry().items()))
    monkeypatch.setattr(chain, "registry", lambda: backwards)
    other = run(some)
    for channel, verdicts in whole.tables["ten"].verdicts.items():
        again = other.tables["ten"].verdicts[channel]
        assert np.array_equal(verdicts.applied, again.applied)
        assert np.array_equal(verdicts.failed, again.failed)
        assert np.array_equal(whole.tables["ten"].codes[channel], other.tables["ten"].codes[channel])
    assert any(v.failures for v in whole.tables["ten"].verdicts.values())
    assert whole.not_applied == other.not_applied


# --- reach


def test_reach_is_the_sum_over_stages(monkeypatch: pytest.MonkeyPatch) -> None:
    def fixed(back: float, ahead: float) -> Any:
        return {"reach": lambda limits, interval: (back + interval, ahead)}

    def nothing(scene: Scene, channel: Channel) -> Found:
        raise AssertionError("not run here")

    some = [
        _fake("range", 1, nothing), _fake("step", 2, nothing, **fixed(100.0, 7.0)),
        _fake("spike", 2, nothing, **fixed(50.0, 20.0)), _fake("frozen", 3, nothing, **fixed(1000.0, 0.0)),
    ]  # fmt: skip
    monkeypatch.setattr(chain, "registry", lambda: {c.id: c for c in some})
    limits = in_force()
    assert chain.reach(station("air_temperature"), limits) == chain.Reach(100.0 + 600.0 + 1000.0 + 600.0, 20.0)
    # rows that may stray by 30 s are neighbours over 11 minutes
    stray = station("air_temperature", stray='stray = "30s"')
    assert chain.reach(stray, limits) == chain.Reach(100.0 + 660.0 + 1000.0 + 660.0, 20.0)
    # a counter needs the total before
    counter = station("precipitation", more='statistic = "counter"')
    assert chain.reach(counter, limits) == chain.Reach(600.0 + 100.0 + 600.0 + 1000.0 + 600.0, 20.0)
    # a counter in a table of events may have had its last event a day ago
    text = text_of("precipitation", more='statistic = "counter"')
    events = parse(text.replace('interval = "10min"\nstamps = "end"', 'kind = "event"').encode())
    assert chain.reach(events, limits) == chain.Reach(86400.0 + 100.0 + 1000.0, 20.0)


LONDON = '[[clock]]\ntime_zone = "Europe/London"'
BACK = """
[[clock]]
utc_offset = "+00:00"
minutes_ahead = {0}
[[clock]]
from = 2026-05-01T00:00:00Z
utc_offset = "+00:00"
"""


@pytest.mark.parametrize(
    ("what", "hours"),
    [
        (UTC, 0.0),
        ('[[clock]]\ntime_zone = "Asia/Kathmandu"', 0.0),  # set on by 15 min in 1986, never back
        (LONDON, 14.0),  # an hour twice, and half a day around
        (BACK.format(30.0), 13.0),
        (BACK.format(-30.0), 0.0),  # set on: nothing comes twice
    ],
)
def test_a_clock_that_shows_stamps_twice_reaches_farther(what: str, hours: float) -> None:
    limits = in_force()
    plain = chain.reach(station("air_temperature"), limits)
    found = chain.reach(station("air_temperature", clock=what), limits)
    assert found.back_s - plain.back_s == found.ahead_s - plain.ahead_s == hours * 3600
    assert np.timedelta64(12, "h") == clock.REACH


def test_a_clock_set_back_by_too_much_is_refused_in_one_line() -> None:
    with pytest.raises(StationFileError) as caught:
        chain.reach(station("air_temperature", clock=BACK.format(3000.0)), in_force())
    assert "[[clock]] is set back by too much" in caught.value.line()
    assert "\n" not in caught.value.line()


@pytest.mark.parametrize("interval", ["1min", "10min", "1h", "3h", "1d"])
@pytest.mark.parametrize("what", [UTC, LONDON, BACK.format(60 * 12.0)])
def test_reach_keeps_within_72_hours(interval: str, what: str) -> None:
    text = text_of("precipitation", "air_temperature", clock=what, stray='stray = "20s"')
    text = text.replace('"10min"', f'"{interval}"').replace('unit = "mm"', 'unit = "mm"\nstatistic = "counter"')
    reach = chain.reach(parse(text.encode()), in_force())
    assert 0 < max(reach.back_s, reach.ahead_s) <= chain.LONGEST_REACH_S


def test_a_check_that_would_look_too_far_is_told() -> None:
    """In a table of days a step would look two days to each side."""
    days = parse(text_of("air_temperature").replace('"10min"', '"1d"').encode())
    some = record(days, {"a": [10.0, 10.0, 50.0, 70.0]}, [0, 1440, 2880, 4320])
    checked = run(some)
    assert failed(checked, "a", "step") == [0] * 4
    assert failed(checked, "a", "range") == [0, 0, 0, 3]
    ((names, why),) = [(n, w) for check, n, w in checked.not_applied if check == "step"]
    assert names == ("a",)
    assert "72 h" in why
    assert not [
        1 for check, _, why in run(record(station("air_temperature"), {"a": [10.0]})).not_applied if "72 h" in why
    ]


# --- properties

VALUES = st.lists(
    st.one_of(st.sampled_from([np.nan, 0.0, 20.0, 60.0, 60.1, -90.0, -90.1, 28.0, 28.1]), st.floats(-120, 120)),
    min_size=1, max_size=30,
)  # fmt: skip
QUANTITIES = ["air_temperature", "wind_speed", "global_irradiance", "air_pressure"]


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(QUANTITIES), VALUES, st.data())
def test_a_missing_value_never_passes(quantity: str, values: list[float], data: st.DataObject) -> None:
    table = run(record(station(quantity), {"a": values})).tables["ten"]
    missing = np.isnan(np.array(values))
    assert np.array_equal(table.codes["a"] == MISSING, missing)
    assert (
        not table.verdicts["a"].failures.get("range") or not missing[table.verdicts["a"].failures["range"].rows].any()
    )
    assert not np.isin(table.codes["a"][missing], (0, 1, 2, 3)).any()


@settings(deadline=None, max_examples=80)
@given(
    st.sampled_from(QUANTITIES), VALUES,
    st.floats(-100, 100), st.floats(0, 50), st.sampled_from(["range.high", "range.low", "step"]),
)  # fmt: skip
def test_widening_a_limit_never_adds_a_failure(
    quantity: str, values: list[float], limit: float, wider: float, which: str
) -> None:
    """Of the check itself, all else equal; the chain's later stages may see more values then."""
    check, _, key = which.partition(".")
    name = f"{check}.{quantity}" + (f".{key}" if key else "")
    limit = abs(limit) if check == "step" else limit
    towards = -wider if key == "low" else wider
    others = {
        f"range.{quantity}.{k}": -1e9 if k.startswith("low") else 1e9
        for k in ("low", "high", "low_doubtful", "high_doubtful")
    }
    known = in_force()
    others = {n: v for n, v in others.items() if n in known and n != name}
    some = record(station(quantity), {"a": values})
    narrow, wide = (run(some, {**others, name: bound}) for bound in (limit, limit + towards))
    before, after = failed(narrow, "a", check), failed(wide, "a", check)
    if check == "range":
        assert all(b >= a for b, a in zip(before, after, strict=True))
    else:  # where a jump goes, the blame for another one may move to its other value, but no value more is blamed
        assert sum(map(bool, before)) >= sum(map(bool, after))


# --- joining


def _cut(checked: Checked, at: str) -> list[Checked]:
    moment = np.datetime64(at, "us")
    return [chain.period(checked, None, moment), chain.period(checked, moment + np.timedelta64(1, "us"), None)]


def test_join_gives_back_what_was_cut() -> None:
    some = record(station("air_temperature"), {"a": [10.0, 99.0, 99.0, 10.0, np.nan]})
    state = np.array([VALUE, VALUE, VALUE, VALUE, MARKER], np.uint8)
    table = some.tables["ten"]
    some = replace(some, tables={"ten": replace(table, channels={"a": replace(table.channels["a"], state=state)})})
    whole = run(some)
    together = chain.join(_cut(whole, "2026-06-21T12:10")[::-1])
    one, other = whole.tables["ten"], together.tables["ten"]
    assert np.array_equal(other.record.time, one.record.time)
    assert np.array_equal(other.codes["a"], one.codes["a"])
    assert np.array_equal(other.record.channels["a"].state, state)
    for check, failure in one.verdicts["a"].failures.items():
        assert other.verdicts["a"].failures[check].rows.tolist() == failure.rows.tolist()
        np.testing.assert_array_equal(other.verdicts["a"].failures[check].number, failure.number)
        np.testing.assert_array_equal(other.verdicts["a"].failures[check].limit, failure.limit)
    assert episodes(some.station, other)[0].values == 2  # one episode, though it was cut
    assert together.not_applied == whole.not_applied


def test_join_refuses_what_does_not_fit() -> None:
    some = record(station("air_temperature"), {"a": [10.0, 11.0]})
    whole = run(some)
    with pytest.raises(ValueError, match="no pieces"):
        chain.join([])
    with pytest.raises(ValueError, match="hold the same time"):
        chain.join([whole, whole])
    with pytest.raises(ValueError, match="differ in station or limits"):
        chain.join([whole, run(some, {"range.air_temperature.high": 50.0})])


def test_the_registry_is_in_the_order_of_the_contract() -> None:
    assert list(registry()) == [i for i in IDS if i in registry()]
    assert checks.registry() is registry()


# --- a chain of some checks


def test_some_checks_leave_what_they_leave_in_a_whole_run() -> None:
    """On the sample month: stages before the last of them are whole, since what they condemn is missing later."""
    sample = folder("sample_data")
    about = load(sample / "otter-fell.station.toml")
    whole_record, _ = read_tables(about, sorted(sample.glob("otter-fell_?.csv")))
    limits = in_force()
    whole, some = chain.run(whole_record, limits), chain.run(whole_record, limits, only=ISOLATED)
    counted = 0
    for name, table in whole.tables.items():
        for channel, verdicts in table.verdicts.items():
            found = some.tables[name].verdicts[channel].failures
            assert "persistence" not in found
            for check in ISOLATED:
                assert (check in found) == (check in verdicts.failures), (channel, check)
                if check in found:
                    counted += len(found[check].rows)
                    one, other = found[check], verdicts.failures[check]
                    for key in ("rows", "verdict", "number", "limit"):
                        np.testing.assert_array_equal(getattr(one, key), getattr(other, key))
    assert counted >= 10


def test_the_reach_of_some_checks(monkeypatch: pytest.MonkeyPatch) -> None:
    def nothing(scene: Scene, channel: Channel) -> Found:
        raise AssertionError("not run here")

    some = [
        _fake("range", 1, nothing, reach=lambda limits, interval: (1.0, 2.0)),
        _fake("step", 2, nothing, reach=lambda limits, interval: (10.0, 20.0)),
        _fake("spike", 2, nothing, reach=lambda limits, interval: (100.0, 200.0)),
        _fake("frozen", 3, nothing, reach=lambda limits, interval: (1000.0, 2000.0)),
    ]
    monkeypatch.setattr(chain, "registry", lambda: {c.id: c for c in some})
    about, limits = station("air_temperature"), in_force()
    assert chain.reach(about, limits, ["step"]) == chain.Reach(11.0, 22.0)
    assert chain.reach(about, limits, ["range"]) == chain.Reach(1.0, 2.0)
    assert chain.reach(about, limits, ["frozen"]) == chain.Reach(1101.0, 2202.0) == chain.reach(about, limits)
