"""`not_applied` is complete: a check that is meant for a channel and that no row bears is listed, with why."""

from __future__ import annotations

import numpy as np
import pytest

from qc import chain
from qc.chain import Checked, not_applied
from qc.checks import registry
from qc.record import Record
from qc.verdicts import BIT
from qc.write.summary import summary
from tests.checks.cases import Case, scene, tables
from tests.test_why import checked


def _complete(found: Checked) -> int:
    """Each check meant for a channel was applied to one of its rows, or is listed; gives how many are listed."""
    listed = {(e["check"], name) for e in summary(found, (None, None), {})["not_applied"] for name in e["channels"]}
    silent = 0
    for channel in found.record.station.channel:
        table = found.tables.get(found.record.station.table_of(channel).id)
        rows = np.zeros(1, np.uint64) if table is None else table.verdicts[channel.name].applied
        for check in registry().values():
            if check.scope == "channel" and check.tests(channel) and not (rows >> np.uint64(BIT[check.id]) & 1).any():
                assert (check.id, channel.name) in listed, f"{check.id} on {channel.name}"
                silent += 1
    assert silent <= len(listed)
    assert all(why for _, _, why in not_applied(found))
    return silent


@pytest.mark.parametrize("name", ["sample", "1", "2"])
def test_stations(name: str) -> None:
    assert _complete(checked(name)[2])


def test_a_period_and_pieces_tell_of_themselves() -> None:
    """A night alone: no value by day in it; joined with a noon, the checks by day are no longer listed."""
    whole = checked("sample")[2]
    night = chain.period(whole, np.datetime64("2026-03-10T00:00", "us"), np.datetime64("2026-03-10T04:00", "us"))
    noon = chain.period(whole, np.datetime64("2026-03-10T10:00", "us"), np.datetime64("2026-03-10T14:00", "us"))
    by_day = ("dark-day", ("ghi",), "no row has a value with the sun high above the horizon")
    by_night = ("night", ("ghi",), "no row has a value with the sun well down")
    assert by_day in not_applied(night) and by_night not in not_applied(night)
    assert by_night in not_applied(noon) and by_day not in not_applied(noon)
    joined = chain.join([night, noon])
    assert not {by_day, by_night} & set(not_applied(joined))
    assert all(_complete(part) for part in (night, noon, joined))


def test_channel_without_values_or_column() -> None:
    record, limits, _, _ = checked("sample")
    table = record.tables["ten"].take(np.arange(144))  # a copy: the record is shared with other tests
    table.channels["t_air"].values[:] = np.nan
    lacking = Record(record.station, {"ten": table}, absent=("rh",))
    found = chain.run(lacking, limits)
    assert _complete(found)
    entries = {(check, name): why for check, names, why in not_applied(found) for name in names}
    assert entries["range", "t_air"] == "no row has a value"
    assert entries["dew-point", "t_air"].startswith("no row has values of air temperature and of humidity")
    assert _complete(chain.run(Record(record.station, {}), limits))


@pytest.mark.parametrize("case", tables(), ids=str)
def test_case_scenes(case: Case) -> None:
    made = scene(case)
    record = Record(made.station, {made.table.table.id: made.table})
    found = chain.run(record, made.limits)
    _complete(found)
