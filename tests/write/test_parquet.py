"""Parquet holds what the CSV holds."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from qc import run
from tests.write.runs import checked


@pytest.fixture(params=[False, True], ids=["as read", "gaps filled"])
def out(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    run.write(checked(tmp_path / "in"), tmp_path / "out", formats=("csv", "parquet"), fill_gaps=request.param)
    return tmp_path / "out"


def test_the_same_content(out: Path) -> None:
    table = pq.read_table(out / "moor.ten.flagged.parquet")
    text = (out / "moor.ten.flagged.csv").read_bytes().decode("utf-8")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert table.column_names == rows[0]
    for n, name in enumerate(rows[0]):
        column = table.column(name).to_pylist()
        told = [row[n] for row in rows[1:]]
        if name == "time":
            assert [f"{t:%Y-%m-%dT%H:%M:%SZ}" for t in column] == told
        elif name.endswith("_verdict"):
            assert column == [int(c) for c in told]
        elif name.endswith(("_checks", "_read")):
            assert [c or "" for c in column] == told
        else:
            assert column == [float(c) if c else None for c in told]


def test_types(out: Path) -> None:
    types = {f.name: str(f.type) for f in pq.read_schema(out / "moor.ten.flagged.parquet")}
    assert types["time"] == "timestamp[us, tz=UTC]"
    assert types["t"] == "double"
    assert types["t_verdict"] == "uint8"


def test_pandas_reads_missing_as_missing(out: Path) -> None:
    frame = pd.read_parquet(out / "moor.ten.flagged.parquet")
    assert frame["t"].isna().sum() == (frame["t_verdict"] == 7).sum()


def test_parquet_alone(tmp_path: Path) -> None:
    document = run.write(checked(tmp_path / "in"), tmp_path / "out", formats=("parquet",))
    assert "moor.ten.flagged.parquet" in document["outputs"]
    assert not (tmp_path / "out" / "moor.ten.flagged.csv").exists()
