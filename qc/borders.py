"""pandera schemas at the two borders: the table read and the table written. Inside, the types carry the weight."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from qc.chain import CheckedTable
from qc.record import TableRecord
from qc.verdicts import CHANGED, DOUBTFUL, ESTIMATED, GOOD, INCONSISTENT, MISSING, NOT_CHECKED, WRONG

if TYPE_CHECKING:
    import pandas as pd


def _schema(columns: dict[str, Any], *checks: Any) -> Any:
    import pandera.pandas as pa

    index = pa.Index(
        "datetime64[us, UTC]",
        pa.Check(
            lambda t: bool((np.diff(t.to_numpy("datetime64[us]")) > np.timedelta64(0)).all()),
            error="times rise, each once",
        ),
    )
    return pa.DataFrameSchema(columns, index=index, checks=list(checks), strict=True)


def read_schema(record: TableRecord) -> Any:
    """The table read: a float column for each channel, without infinities, over rising UTC times."""
    import pandera.pandas as pa

    finite = pa.Check(lambda v: not np.isinf(v.to_numpy()).any(), error="no infinite value")
    return _schema({name: pa.Column(float, finite, nullable=True) for name in record.channels})


def written_schema(table: CheckedTable) -> Any:
    """The table written: codes 0 to 4 for raw values, 2, 3, 5 or 6 for corrected ones, 7 where there is none."""
    import pandera.pandas as pa

    columns: dict[str, Any] = {}
    checks = []
    for name in table.record.channels:
        columns[name] = pa.Column(float, nullable=True)
        columns[f"{name}_verdict"] = pa.Column(
            "uint8", _among(GOOD, INCONSISTENT, DOUBTFUL, WRONG, NOT_CHECKED, MISSING)
        )
        checks.append(
            pa.Check(_missing_is_seven(name), error=f"{name}: verdict 7 where there is no value, and only there")
        )
    for name in (f"{name}_corrected" for name in table.corrected):
        columns[name] = pa.Column(float, nullable=True)
        columns[f"{name}_verdict"] = pa.Column("uint8", _among(DOUBTFUL, WRONG, CHANGED, ESTIMATED, MISSING))
        checks.append(
            pa.Check(_missing_is_seven(name), error=f"{name}: verdict 7 where there is no value, and only there")
        )
    return _schema(columns, *checks)


def _among(*codes: int) -> Any:
    """Whether all codes of a column are some of these; looked up, since a year of minutes has millions."""
    import pandera.pandas as pa

    known = np.zeros(256, bool)
    known[list(codes)] = True
    return pa.Check(lambda v: bool(known[v.to_numpy()].all()), error=f"isin({list(codes)})")


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
    for name, corrected in table.corrected.items():
        columns[f"{name}_corrected"] = corrected.values
        columns[f"{name}_corrected_verdict"] = corrected.codes
    return pd.DataFrame(columns, index=pd.DatetimeIndex(table.record.time, tz="UTC", name="time"), copy=False)


def validate_read(record: TableRecord) -> None:
    """Raise pandera's SchemaError if a table read is not what the chain expects: a defect of Fairvane, not of the
    data."""
    read_schema(record).validate(record.frame(), inplace=True)


def validate_written(table: CheckedTable) -> None:
    """Raise pandera's SchemaError if a table to be written breaks its promise: a defect of Fairvane, not of the
    data."""
    written_schema(table).validate(written_frame(table), inplace=True)
