"""Hours, days and months of whole tables: which rows lie in which, what enough is, and what a bound is."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from qc.delivery.aggregates import Rules, aggregates, fields, kind_of, speed_of, why_not
from qc.delivery.calendar import UTC, Calendar
from qc.delivery.means import DAY_RULES, SAMPLE_RULES
from qc.run import Result
from tests.delivery.runs import result, station

RULES = Rules(UTC, SAMPLE_RULES["2/3"], DAY_RULES["3/5"])
DAY = 144
SOME = {"t": np.arange(12.0)}


def made(of: Result, span: str, rules: Rules = RULES) -> pd.DataFrame:
    return aggregates(of, of.checked.tables["ten"], span, rules).to_pandas()


def bad(rows: int, *wrong: int, code: int = 3) -> NDArray[np.uint8]:
    codes = np.zeros(rows, np.uint8)
    codes[list(wrong)] = code
    return codes


@pytest.mark.parametrize(
    ("stamps", "first", "hours", "means"),
    [
        ("end", "2026-06-01T00:10", ["00", "01"], [2.5, 8.5]),  # the row stamped 01:00 ends the hour before
        ("end", "2026-06-01T00:00", ["23", "00", "01"], [3.5]),
        ("start", "2026-06-01T00:00", ["00", "01"], [2.5, 8.5]),
        ("instant", "2026-06-01T00:00", ["00", "01"], [2.5, 8.5]),  # an instant at 01:00 lies in the hour that begins
        ("instant", "2026-06-01T00:10", ["00", "01", "02"], [7.5]),
    ],
)
def test_the_side_that_stamps_name_decides_the_hour(
    stamps: str, first: str, hours: list[str], means: list[float]
) -> None:
    """Twelve values, 0 to 11; `means` are those of the hours that have all six."""
    table = made(result(SOME, first=first, stamps=stamps), "hour")
    assert [label[-2:] for label in table.label] == hours
    assert (table.expected == 6).all()
    assert table.t_mean[table.t_used == 6].tolist() == means


def test_an_hour_by_hand() -> None:
    """Six values, one of them wrong, one missing: the mean of four, bounds, shares."""
    values = np.array([1.0, 2.0, np.nan, 90.0, 3.0, 6.0])
    row = made(result({"t": values}, {"t": bad(6, 3)}, first="2026-06-01T00:10"), "hour").iloc[0]
    assert (row["from"], row["to"]) == ("2026-06-01T00:00:00Z", "2026-06-01T01:00:00Z")
    assert (row.t_mean, row.t_min, row.t_max, row.t_used, row.t_excluded) == (3.0, 1.0, 6.0, 4, round(1 / 6, 4))
    assert row.t_bound and row.t_verdict == 0


def test_too_few_give_no_mean_but_bounds() -> None:
    values = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    row = made(result({"t": values}, {"t": bad(6, 0, 1, 2)}, first="2026-06-01T00:10"), "hour").iloc[0]
    assert math.isnan(row.t_mean) and row.t_verdict == 7
    assert (row.t_min, row.t_max, row.t_bound) == (4.0, 6.0, True)


def test_exactly_enough_and_all() -> None:
    values = np.arange(6.0)
    row = made(result({"t": values}, {"t": bad(6, 0, 1)}, first="2026-06-01T00:10"), "hour").iloc[0]
    assert row.t_mean == 3.5 and row.t_verdict == 0 and row.t_bound
    row = made(result({"t": values}, first="2026-06-01T00:10"), "hour").iloc[0]
    assert not row.t_bound and row.t_excluded == 0.0
    strict = Rules(UTC, SAMPLE_RULES["75%"], DAY_RULES["3/5"])
    row = made(result({"t": values}, {"t": bad(6, 0, 1)}, first="2026-06-01T00:10"), "hour", strict).iloc[0]
    assert math.isnan(row.t_mean)


def test_a_sum_needs_every_value() -> None:
    rain = np.array([0.2, 0.0, 0.4, 0.0, 0.0, 0.6, 0.2, 0.0, 0.0, 5.0, 0.0, 0.0])
    table = made(result({"rain": rain}, {"rain": bad(12, 9)}, first="2026-06-01T00:10"), "hour")
    first, second = table.iloc[0], table.iloc[1]
    assert (first.rain_sum, first.rain_sum_at_least, first.rain_max, first.rain_verdict) == (1.2, 1.2, 0.6, 0)
    assert math.isnan(second.rain_sum) and second.rain_verdict == 7
    assert (second.rain_sum_at_least, second.rain_bound) == (0.2, True)
    assert list(table.filter(like="rain_")) == [
        f"rain_{x}" for x in ("sum", "sum_at_least", "max", "used", "excluded", "bound", "verdict")
    ]


def test_gusts_have_only_a_highest() -> None:
    table = made(result({"gust": np.arange(6.0)}, {"gust": bad(6, 5)}, first="2026-06-01T00:10"), "hour")
    assert list(table.filter(like="gust_")) == [f"gust_{x}" for x in ("max", "used", "excluded", "bound", "verdict")]
    assert table.gust_max[0] == 4.0 and table.gust_bound[0]  # the wrong 5.0 may have been the highest


def test_direction_is_weighed_by_the_speed_beside_it() -> None:
    """3 m/s from north and 4 m/s from east in turn; where one of the two is wrong, neither counts."""
    ws, wd = np.tile([3.0, 4.0], 3), np.tile([0.0, 90.0], 3)
    row = made(result({"ws": ws, "wd": wd}, first="2026-06-01T00:10"), "hour").iloc[0]
    assert (row.wd_mean, row.wd_vector_speed, row.wd_steadiness) == (53.130102, 2.5, 0.714286)
    assert row.ws_mean == 3.5  # the scalar mean beside it
    row = made(result({"ws": ws, "wd": wd}, {"ws": bad(6, 1), "wd": bad(6, 3)}, first="2026-06-01T00:10"), "hour").iloc[
        0
    ]
    assert row.wd_used == 4 and row.ws_used == 5
    assert row.wd_mean == pytest.approx(math.degrees(math.atan2(4, 9)), abs=1e-6)


def test_direction_without_a_speed_is_a_mean_of_unit_vectors() -> None:
    table = made(result({"wd": np.array([350.0, 10.0] * 3)}, first="2026-06-01T00:10"), "hour")
    assert (table.wd_mean[0], table.wd_steadiness[0]) == (0.0, 0.984808)
    assert "wd_vector_speed" not in table


def test_days_of_a_clock_ahead_of_utc() -> None:
    """Ten-minute ends from 00:10 UTC on: at UTC+01:00 an hour of the first day is gone already."""
    values = np.arange(2.0 * DAY)
    rules = Rules(Calendar(3600.0), SAMPLE_RULES["2/3"], DAY_RULES["3/5"])
    table = made(result({"t": values}, first="2026-06-01T00:10"), "day", rules)
    assert list(table["from"]) == ["2026-05-31T23:00:00Z", "2026-06-01T23:00:00Z", "2026-06-02T23:00:00Z"]
    assert list(table.label) == ["2026-06-01", "2026-06-02", "2026-06-03"]
    assert list(table.t_used) == [138, 144, 6] and list(table.expected) == [144] * 3
    assert table.t_mean[0] == values[:138].mean() and math.isnan(table.t_mean[2])


def days_of_june(*lacking: int) -> Result:
    """June at 10 min, each value the number of its day; days that lack are wrong throughout."""
    values = np.repeat(np.arange(1.0, 31.0), DAY)
    codes = np.where(np.isin(values, lacking), 3, 0).astype(np.uint8)
    return result({"t": values}, {"t": codes}, first="2026-06-01T00:10")


@pytest.mark.parametrize(
    ("lacking", "rule", "mean"),
    [
        ((), "3/5", 15.5),
        ((4, 5, 6), "3/5", (465 - 15) / 27),
        ((4, 5, 6, 7), "3/5", math.nan),
        ((4, 5, 6, 7), "11/5", (465 - 22) / 26),
        ((4, 5, 6, 7, 8), "11/5", math.nan),
        ((1, 8, 15, 22, 29), "3/5", (465 - 75) / 25),
        ((1, 8, 15, 22, 29, 30), "3/5", math.nan),
        ((1, 8, 15, 22, 29, 30), "11/5", (465 - 105) / 24),
    ],
)
def test_months_are_means_of_enough_days(lacking: tuple[int, ...], rule: str, mean: float) -> None:
    row = made(days_of_june(*lacking), "month", Rules(UTC, SAMPLE_RULES["2/3"], DAY_RULES[rule])).iloc[0]
    assert row.t_mean == pytest.approx(mean, abs=1e-6, nan_ok=True)
    assert row.t_verdict == (7 if math.isnan(mean) else 0)
    assert row.expected == 30 * DAY and row.t_bound == bool(lacking)


def test_each_day_counts_the_same_in_a_month() -> None:
    """Day 1 has its first 96 values only (two thirds), all 31; the others 0: (31 + 0 * 29) / 30."""
    values = np.zeros(30 * DAY)
    values[:DAY] = 31.0
    codes = bad(30 * DAY, *range(96, DAY))
    row = made(result({"t": values}, {"t": codes}, first="2026-06-01T00:10"), "month").iloc[0]
    assert row.t_mean == pytest.approx(31 / 30, abs=1e-6)
    codes = bad(30 * DAY, *range(95, DAY))  # one value less, and the day does not count
    row = made(result({"t": values}, {"t": codes}, first="2026-06-01T00:10"), "month").iloc[0]
    assert row.t_mean == 0.0 and row.t_max == 31.0


def test_days_outside_the_record_are_missing_days() -> None:
    """A record from the 6th on lacks five days in a row; from the 4th on it lacks three."""
    for first, mean in (("2026-06-06T00:10", math.nan), ("2026-06-04T00:10", 2.0)):
        days = 30 - int(first[8:10]) + 1
        row = made(result({"t": np.full(days * DAY, 2.0)}, first=first), "month").iloc[0]
        assert row.t_mean == pytest.approx(mean, nan_ok=True)


def test_rain_of_a_month_needs_every_day() -> None:
    rain = np.full(30 * DAY, 0.2)
    row = made(result({"rain": rain}, first="2026-06-01T00:10"), "month").iloc[0]
    assert row.rain_sum == pytest.approx(864.0)
    keep = np.ones(30 * DAY, bool)
    keep[77] = False
    row = made(result({"rain": rain}, first="2026-06-01T00:10", keep=keep), "month").iloc[0]
    assert math.isnan(row.rain_sum) and row.rain_sum_at_least == pytest.approx(863.8)


def test_a_gap_has_its_hours() -> None:
    keep = np.ones(24, bool)
    keep[6:18] = False
    table = made(result({"t": np.arange(24.0)}, first="2026-06-01T00:10", keep=keep), "hour")
    assert list(table.t_used) == [6, 0, 0, 6] and list(table.t_verdict) == [0, 7, 7, 0]


def test_against_pandas_resampling() -> None:
    """A fortnight with a third of its values away or wrong, by another way."""
    rng = np.random.default_rng(7)
    rows = 14 * DAY
    values = rng.normal(10.0, 5.0, rows).round(2)
    codes = rng.choice([0, 2, 3, 5, 6], rows, p=[0.6, 0.1, 0.1, 0.1, 0.1]).astype(np.uint8)
    keep = rng.random(rows) > 0.1
    of = result({"t": values}, {"t": codes}, first="2026-06-01T00:10", keep=keep)
    codes = of.checked.tables["ten"].codes["t"]
    index = pd.DatetimeIndex(of.checked.tables["ten"].record.time)
    used = pd.Series(values[keep], index)[np.isin(codes, (0, 5, 6))]
    for span, freq, expected in (("hour", "h", 6), ("day", "D", 144)):
        table = made(of, span).set_index(pd.DatetimeIndex(pd.to_datetime(made(of, span)["from"]).dt.tz_localize(None)))
        by = used.resample(freq, closed="right", label="left").agg(["mean", "min", "max", "count"]).reindex(table.index)
        by["mean"] = by["mean"].where(by["count"].fillna(0) * 3 >= expected * 2)
        np.testing.assert_allclose(table.t_mean, by["mean"], atol=2e-6)
        np.testing.assert_array_equal(table.t_min, by["min"])
        np.testing.assert_array_equal(table.t_max, by["max"])
        np.testing.assert_array_equal(table.t_used, by["count"].fillna(0))


@pytest.mark.parametrize(
    ("interval", "span", "why"),
    [
        ("10min", "hour", None),
        ("1h", "hour", None),
        ("3h", "hour", "does not divide an hour"),
        ("3h", "day", None),
        ("7min", "hour", "does not divide an hour"),
        ("7min", "month", "does not divide a day"),
    ],
)
def test_what_has_no_means_says_why(interval: str, span: str, why: str | None) -> None:
    found = why_not(station(interval=interval).table[0], span)
    assert (found is None) if why is None else (found is not None and why in found)


def test_columns_and_their_meaning_go_together() -> None:
    names = ("t", "ws", "gust", "wd", "rain", "word")
    of = result({name: np.ones(DAY) for name in names}, first="2026-06-01T00:10")
    for span in ("hour", "day", "month"):
        told = fields(of.checked.record.station, of.checked.tables["ten"].record.table, span, RULES, "")
        assert [f.name for f in told] == list(made(of, span))
    assert not [name for name in made(of, "hour") if name.startswith("word_")]


def test_what_is_made_of_a_channel() -> None:
    def kind(**changed: Any) -> str:
        return kind_of(station(("t",)).channel[0].model_copy(update=changed))

    assert kind() == "mean"
    assert kind(statistic=None) == "mean"
    assert kind(statistic="sd") == "none"
    assert kind(statistic="min") == "min"
    assert kind(quantity="precipitation", statistic="counter") == "sum"
    assert kind(quantity="precipitation", statistic="max") == "max"
    assert kind(quantity="sunshine", statistic="total") == "sum"
    assert kind(quantity="global_irradiance", statistic="total") == "mean"  # amounts of it are made means at reading
    assert kind(quantity="wind_direction", statistic="sample") == "vector"
    assert kind(quantity="wind_direction", statistic="max") == "none"


def test_the_speed_of_the_same_head_weighs() -> None:
    of = station(("ws", "wd"))
    ws, wd = of.channel
    far = ws.model_copy(update={"name": "ws_far", "device": "other"})
    assert speed_of(of.model_copy(update={"channel": [far, ws, wd]}), wd) == ws
    assert speed_of(of.model_copy(update={"channel": [far, wd]}), wd) == far
    highest = ws.model_copy(update={"statistic": "max"})
    assert speed_of(of.model_copy(update={"channel": [highest, wd]}), wd) is None
