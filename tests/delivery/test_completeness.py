"""Completeness and gaps: counted by hand, and adding up to what the summary says."""

from __future__ import annotations

import numpy as np
import pytest

from qc import run
from qc.delivery.calendar import Calendar
from qc.delivery.completeness import gaps, shares, whole
from qc.read.tables import read_tables
from qc.station import load
from tests.delivery.runs import SAMPLE, SAMPLE_TABLES, result

DAY = 144
KEEP = np.ones(3 * DAY, bool)
KEEP[[1, *range(140, 150), 300]] = False  # rows lacking: one, ten across the end of the month, one
VALUES = np.arange(3.0 * DAY)
VALUES[[2, 200, 201, 301]] = np.nan  # the first and the last join a gap of rows


def test_months_by_hand() -> None:
    """Three days from the last of May on; ten rows lack across midnight: stamps 23:30 to 00:00 still lie in May."""
    of = result({"t": VALUES}, first="2026-05-31T00:10", keep=KEEP)
    may, june = shares(of)
    assert (may.month, may.expected, may.rows, may.values) == ("2026-05", 144, 139, 138)
    assert (may.gaps, may.longest_gap_s) == (2, 4 * 600.0)
    assert (june.month, june.expected, june.rows, june.values) == ("2026-06", 288, 281, 278)
    assert (june.gaps, june.longest_gap_s) == (3, 6 * 600.0)
    assert may.verdicts == (138, 0, 0, 0, 0, 0, 0, 1)
    assert may.completeness == 138 / 144


def test_gaps_by_hand() -> None:
    found = gaps(result({"t": VALUES}, first="2026-05-31T00:10", keep=KEEP))
    told = [(str(g.start)[5:16], str(g.end)[5:16], g.channel, g.rows, g.values) for g in found]
    assert told == [
        ("05-31T00:20", "05-31T00:20", "all", 1, 1),
        ("05-31T00:20", "05-31T00:30", "t", 1, 2),
        ("05-31T23:30", "06-01T01:00", "all", 10, 10),
        ("06-01T09:30", "06-01T09:40", "t", 0, 2),
        ("06-02T02:10", "06-02T02:10", "all", 1, 1),
        ("06-02T02:10", "06-02T02:20", "t", 1, 2),
    ]
    assert found[2].lasts_s == 6000.0


def test_the_period_asked_for_is_what_is_expected() -> None:
    of = result({"t": np.arange(6.0)}, first="2026-06-01T00:10", period=("2026-05-31T23:00Z", "2026-06-01T02:00Z"))
    may, june = shares(of)
    assert (may.expected, may.rows, june.expected, june.rows) == (7, 0, 12, 6)  # 23:00 to 00:00, 00:10 to 02:00
    assert [(g.rows, g.channel) for g in gaps(of)] == [(7, "all"), (6, "all")]


def test_months_of_another_clock() -> None:
    of = result({"t": np.arange(12.0)}, first="2026-05-31T22:10")
    assert [s.month for s in shares(of)] == ["2026-05"]
    assert [(s.month, s.rows) for s in shares(of, Calendar(3600.0))] == [("2026-05", 6), ("2026-06", 6)]


@pytest.mark.parametrize("calendar", [Calendar(), Calendar(-9 * 3600.0)])
def test_months_add_up_to_the_summary(calendar: Calendar) -> None:
    station = load(SAMPLE / "otter-fell.station.toml")
    of = run.check_record(read_tables(station, SAMPLE_TABLES)[0], run.limits_of(station))
    table = of.summary()["tables"]["ten"]
    for all_of_it in whole(of):
        entry = table["channels"][all_of_it.channel]
        mine = [s for s in shares(of, calendar) if s.channel == all_of_it.channel]
        assert sum(s.expected for s in mine) == table["expected_rows"] == all_of_it.expected
        assert sum(s.rows for s in mine) == table["rows"]
        assert [sum(s.verdicts[n] for s in mine) for n in range(8)] == list(entry["verdicts"].values())
        assert round(all_of_it.completeness or 0, 6) == entry["completeness"]
        assert round(sum(s.usable for s in mine) / table["expected_rows"], 6) == entry["usable"]
        lacking = sum(g.values for g in gaps(of) if g.channel == all_of_it.channel)
        rows_only = [g for g in gaps(of) if g.channel == "all"]
        assert lacking + sum(g.values for g in rows_only) >= table["expected_rows"] - all_of_it.values


def test_a_corrected_value_that_fails_again_is_not_usable() -> None:
    from dataclasses import replace

    from qc.chain import Corrected

    of = result({"t": np.arange(6.0)}, first="2026-06-01T00:10")
    table = of.checked.tables["ten"]
    values = np.array([1.0, 2.0, np.nan, np.nan, np.nan, np.nan])
    corrected = Corrected(values, np.array([5, 3, 7, 7, 7, 7], np.uint8), np.zeros(6, np.uint64))
    table = replace(table, corrected={"t": corrected}, codes={"t": np.array([3, 0, 0, 2, 0, 0], np.uint8)})
    best, codes = table.best("t")
    assert best.tolist() == [1.0, 2.0, 2.0, 3.0, 4.0, 5.0]
    assert codes.tolist() == [5, 3, 0, 2, 0, 0]
    of = replace(of, checked=replace(of.checked, tables={"ten": table}))
    assert [s.usable for s in shares(of)] == [4]
