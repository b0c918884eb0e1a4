"""Mends: what was spoilt comes back, and nothing else moves."""

from __future__ import annotations

import numpy as np
import pytest

from qc.mends import Mend, Operation, mended
from qc.record import Record
from qc.verdicts import Floats
from tests.test_diagnosis import T0, record

HOUR = np.timedelta64(3600, "s")


def with_a(values: Floats) -> Record:
    from dataclasses import replace

    from qc.record import ReadChannel

    base = record(len(values))
    table = base.tables["ten"]
    return replace(
        base, tables={"ten": replace(table, channels={**table.channels, "a": ReadChannel(values, None, None)})}
    )


@pytest.mark.parametrize(
    ("operation", "amount", "plus", "given", "expected"),
    [
        ("unit", 5 / 9, -160 / 9, 50.0, 10.0),
        ("scale", 2.0, 0.0, 5.0, 10.0),
        ("offset", -3.5, 0.0, 5.0, 1.5),
        ("negate", 0.0, 0.0, 5.0, -5.0),
        ("rotate", 20.0, 0.0, 350.0, 10.0),
        ("mirror", 0.0, 0.0, 350.0, 10.0),
    ],
)
def test_values_after_a_mend(operation: Operation, amount: float, plus: float, given: float, expected: float) -> None:
    after = mended(record(a=given), Mend(operation, ("a",), amount=amount, plus=plus)).tables["ten"].channels
    assert after["a"].values == pytest.approx(np.full(144, expected))
    assert (after["b"].values == 50.0).all()


def test_only_stamps_from_first_to_last_are_mended_both_included() -> None:
    first, last = T0 + HOUR, T0 + 2 * HOUR
    values = mended(record(), Mend("offset", ("a",), first, last, 1.0)).tables["ten"].channels["a"].values
    assert np.flatnonzero(values == 11.0).tolist() == list(range(6, 13))


def test_swap_exchanges_two_channels_within_the_period() -> None:
    after = mended(record(), Mend("swap", ("a", "b"), first=T0 + HOUR)).tables["ten"].channels
    assert after["a"].values[[5, 6]].tolist() == [10.0, 50.0]
    assert after["b"].values[[5, 6]].tolist() == [50.0, 10.0]


def test_a_clock_that_is_ahead_is_put_back() -> None:
    after = mended(record(), Mend("clock", amount=60.0)).tables["ten"]
    assert after.time[0] == T0 - HOUR
    assert after.rows == 144


def test_rows_that_meet_after_a_step_of_the_clock_stand_once() -> None:
    # from the second hour on the clock is an hour ahead: there rows fall onto those of the first hour
    after = mended(record(), Mend("clock", first=T0 + HOUR, amount=60.0)).tables["ten"]
    assert after.rows == 144 - 6
    assert (np.diff(after.time) > np.timedelta64(0, "us")).all()


def test_site_moves_the_station_and_no_value() -> None:
    before = record()
    after = mended(before, Mend("site", site={"elevation": 395.0}))
    assert after.station.station.elevation == 395.0
    assert before.station.station.elevation == 120.0
    assert after.tables is before.tables


def test_an_unknown_channel_changes_nothing() -> None:
    before = record()
    assert mended(before, Mend("scale", ("zz",), amount=2.0)).tables["ten"] is before.tables["ten"]


def test_missing_stays_missing() -> None:
    values = np.full(144, 10.0)
    values[3] = np.nan
    after = mended(with_a(values), Mend("scale", ("a",), amount=2.0)).tables["ten"].channels["a"].values
    assert np.flatnonzero(np.isnan(after)).tolist() == [3]
