"""The schemas at the borders reject tables that break their promise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pandera.errors import SchemaError, SchemaErrors

from qc import borders
from qc.chain import CheckedTable
from qc.record import ReadChannel, TableRecord
from tests.write.runs import checked


@pytest.fixture
def whole(tmp_path: Path) -> CheckedTable:
    return checked(tmp_path).checked.tables["ten"]


def test_sound_tables_pass(whole: CheckedTable) -> None:
    borders.validate_read(whole.record)
    borders.validate_written(whole)


def _with_time(record: TableRecord, time: np.ndarray) -> TableRecord:
    return replace(record, time=time)


def _with_values(record: TableRecord, values: np.ndarray) -> TableRecord:
    return replace(record, channels={**record.channels, "t": ReadChannel(values, None, None)})


def test_times_that_fall(whole: CheckedTable) -> None:
    with pytest.raises(SchemaError, match="times rise"):
        borders.validate_read(_with_time(whole.record, whole.record.time[::-1]))


def test_times_that_stand_twice(whole: CheckedTable) -> None:
    time = whole.record.time.copy()
    time[1] = time[0]
    with pytest.raises(SchemaError, match="times rise"):
        borders.validate_read(_with_time(whole.record, time))


def test_an_infinite_value(whole: CheckedTable) -> None:
    values = whole.record.channels["t"].values.copy()
    values[0] = np.inf
    with pytest.raises(SchemaError, match="no infinite value"):
        borders.validate_read(_with_values(whole.record, values))


def test_values_that_are_no_floats(whole: CheckedTable) -> None:
    with pytest.raises(SchemaError):
        borders.validate_read(_with_values(whole.record, np.arange(whole.record.rows)))


def _with_codes(table: CheckedTable, row: int, code: int, dtype: type = np.uint8) -> CheckedTable:
    codes = table.codes["t"].astype(dtype)
    codes[row] = code
    return replace(table, codes={**table.codes, "t": codes})


@pytest.mark.parametrize(
    ("row", "code", "message"),
    [
        (0, 7, "t: verdict 7 where there is no value"),  # a value called missing
        (2, 0, "t: verdict 7 where there is no value"),  # a missing value called good
        (0, 8, "isin"),
    ],
)
def test_codes_that_cannot_be(whole: CheckedTable, row: int, code: int, message: str) -> None:
    with pytest.raises(SchemaError, match=message):
        borders.validate_written(_with_codes(whole, row, code))


def test_codes_of_another_type(whole: CheckedTable) -> None:
    with pytest.raises(SchemaError, match="uint8"):
        borders.validate_written(_with_codes(whole, 0, 0, np.int64))


def test_a_column_too_many(whole: CheckedTable) -> None:
    frame = borders.written_frame(whole).assign(more=1.0)
    with pytest.raises((SchemaError, SchemaErrors), match="column 'more' not in"):
        borders.written_schema(whole).validate(frame)
