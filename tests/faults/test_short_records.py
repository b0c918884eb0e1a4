"""With too little data nothing is claimed: a property over short, torn and empty records of site, clock and units."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qc.diagnosis import diagnose
from qc.record import Record
from tests.faults.dawn import healthy
from tests.faults.planted import unchecked

FAULTS = ("site-facts", "clock-offset", "stamp-side", "unit-wrong", "barometer-reduced")
WHOLE = {interval: healthy(days=3, interval=interval) for interval in ("10min", "1h")}


def only(record: Record, rows: np.ndarray) -> Record:  # type: ignore[type-arg]
    return replace(record, tables={"main": record.tables["main"].take(rows)})


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from(("10min", "1h")),
    st.floats(0.0, 1.0),
    st.floats(0.0, 1.0),
    st.floats(0.0, 0.9),
    st.integers(0, 2**32 - 1),
    st.sampled_from(("", "all missing", "constant")),
)
def test_short_and_torn_records_give_nothing(
    interval: str, begin: float, share: float, lost: float, seed: int, kind: str
) -> None:
    record = WHOLE[interval]
    rng = np.random.default_rng(seed)
    n = record.tables["main"].rows
    first = round(begin * (n - 1))
    rows = np.arange(first, min(n, first + max(1, round(share * n))))
    rows = rows[rng.random(len(rows)) >= lost]
    short = only(record, rows)
    table = short.tables["main"]
    if kind:
        fill = np.nan if kind == "all missing" else 8.0
        channels = {
            name: c if kind == "constant" and name == "air_pressure" else replace(c, values=np.full(len(rows), fill))
            for name, c in table.channels.items()
        }
        short = replace(short, tables={"main": replace(table, channels=channels)})
    if table.rows:
        assert not diagnose(unchecked(short), only=FAULTS).findings


@pytest.mark.parametrize("fault", FAULTS)
def test_no_test_breaks_on_odd_records(fault: str, caplog: pytest.LogCaptureFixture) -> None:
    for rows in (np.arange(1), np.arange(2), np.arange(50), np.arange(0, 400, 37)):
        diagnose(unchecked(only(WHOLE["10min"], rows)), only=(fault,))
    assert "broke" not in caplog.text
