"""pandera schemas at the two borders: the table read and the table written. Inside, the types carry the weight."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from qc.chain import CheckedTable
from qc.record import TableRecord
from qc.verdicts import MISSING

if TYPE_CHECKING:
    import pandas as pd


def _schema(columns: dict[str, Any], *checks: Any) -> Any:
    import pandera.pandas as pa

    index = pa.Index(
        "datetime64[us, UTC]",
        pa.Check(lambda t: t.is_monotonic_increasing and t.is_unique, error="times rise, each once"),
    )
    return pa.DataFrameSchema(columns, index=index, checks=list(checks), strict=True)


def read_schema(record: TableRecord) -> Any:
    """The table read: a float column for each channel, without infinities, over rising UTC times."""
    import pandera.pandas as pa

    finite = pa.Check(lambda v: not np.isinf(v.to_numpy()).any(), error="no infinite value")
    return _schema({name: pa.Column(float, finite, nullable=True) for name in record.channels})


def written_schema(table: CheckedTable) -> Any:
    """The table written: each value with a code from 0 to 7, and no value where, and only where, the code is 7."""
    import pandera.pandas as pa

    columns: dict[str, Any] = {}
    checks = []
    for name in table.record.channels:
        columns[name] = pa.Column(float, nullable=True)
        columns[f"{name}_verdict"] = pa.Column("uint8", pa.Check.in_range(0, 7))
        checks.append(
            pa.Check(_missing_is_seven(name), error=f"{name}: verdict 7 where there is no value, and only there")
        )
    return _schema(columns, *checks)


def _missing_is_seven(name: str) -> Any:
    def holds(frame: pd.DataFrame) -> bool:
        return bool((np.isnan(frame[name].to_numpy()) == (frame[f"{name}_verdict"].to_numpy() == MISSING)).all())

    return holds


def written_frame(table: CheckedTable) -> pd.DataFrame:
    """Values and verdicts as a pandas frame."""
    import pandas as pd

    columns: dict[str, Any] = {}
    for name, channel in table.record.channels.items():
        columns[name] = channel.values
        columns[f"{name}_verdict"] = table.codes[name]
    return pd.DataFrame(columns, index=pd.DatetimeIndex(table.record.time, tz="UTC", name="time"))


def validate_read(record: TableRecord) -> None:
    """Raise pandera's SchemaError if a table read is not what the chain expects: a defect of Fairvane, not of the
    data."""
    read_schema(record).validate(record.frame())


def validate_written(table: CheckedTable) -> None:
    """Raise pandera's SchemaError if a table to be written breaks its promise: a defect of Fairvane, not of the
    data."""
    written_schema(table).validate(written_frame(table))
