"""A delivery opens as it stands: pandas, polars, DuckDB, xarray and a spreadsheet all see the same numbers."""

from __future__ import annotations

import csv
import shutil
import subprocess
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pytest
import xarray as xr

from qc.station import load
from tests.delivery.runs import SAMPLE, SAMPLE_TABLES, delivered

STEM = "otter-fell.ten"


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample station, delivered once in all formats."""
    folder = tmp_path_factory.mktemp("opens") / "out"
    delivered(load(SAMPLE / "otter-fell.station.toml"), SAMPLE_TABLES, folder, formats=("csv", "parquet", "netcdf"))
    return folder


@pytest.fixture(scope="module")
def frame(out: Path) -> pd.DataFrame:
    """All months by pandas, without a word about types."""
    parts = [pd.read_csv(p, parse_dates=["time"]) for p in sorted((out / "data").glob("*.csv"))]
    return pd.concat(parts, ignore_index=True)


def test_pandas(frame: pd.DataFrame) -> None:
    assert str(frame.time.dtype).startswith("datetime64") and str(frame.time.dt.tz) == "UTC"
    assert len(frame) == 13218
    assert frame.t_air.dtype == float and frame.t_air_verdict.dtype == int
    assert frame.t_air_usable.dtype == bool and int(frame.t_air_usable.sum()) == 13185


def test_every_csv_by_pandas_and_polars(out: Path) -> None:
    for path in out.rglob("*.csv"):
        a = pd.read_csv(path, dtype=str, keep_default_na=False)
        b = pl.read_csv(path, infer_schema=False)
        assert list(a.columns) == b.columns and len(a) == b.height, path
        assert a.to_numpy().tolist() == [[cell or "" for cell in row] for row in b.rows()], path


def test_no_reader_takes_rain_for_whole_numbers(tmp_path: Path) -> None:
    """Sixty thousand dry rows, then a tip: whoever looks at the first rows alone must see a fraction possible."""
    import pyarrow as pa

    from qc.delivery.sheets import arrow_pieces

    rain = np.zeros(60_001)
    rain[-1] = 0.2
    path = tmp_path / "rain.csv"
    path.write_bytes(b"".join(arrow_pieces(pa.table({"rain": rain, "far": rain * 1e12, "verdict": rain.astype(int)}))))
    assert path.read_text().splitlines()[1] == "0.0,0.0,0"
    assert pl.read_csv(path)["rain"].sum() == pytest.approx(0.2)
    with duckdb.connect() as db:
        total, far = db.sql(f"select sum(rain), sum(far) from read_csv('{path}')").fetchall()[0]
    assert total == pytest.approx(0.2) and far == 2e11


def test_polars(out: Path, frame: pd.DataFrame) -> None:
    parts = [pl.read_csv(p, try_parse_dates=True) for p in sorted((out / "data").glob("*.csv"))]
    table = pl.concat(parts, how="vertical_relaxed")
    assert table.height == len(frame)
    assert table["time"].dtype.is_temporal() and table["t_air_usable"].dtype == pl.Boolean
    assert table["t_air"].sum() == pytest.approx(frame.t_air.sum())
    parquet = pl.read_parquet(out / "data" / f"{STEM}.parquet")
    assert parquet["ghi"].to_list() == table["ghi"].to_list()


def test_duckdb(out: Path, frame: pd.DataFrame) -> None:
    with duckdb.connect() as db:
        for source in (f"read_csv('{out}/data/*.csv')", f"'{out}/data/{STEM}.parquet'"):
            query = f"select count(*), min(time), max(t_air), sum(ghi) from {source} where t_air_usable"
            rows, first, highest, total = db.sql(query).fetchall()[0]
            good = frame[frame.t_air_usable]
            assert rows == len(good) and highest == good.t_air.max()
            assert total == pytest.approx(good.ghi.sum())
            assert first.strftime("%Y-%m-%dT%H:%M") == "2026-03-01T00:10"


def test_xarray(out: Path, frame: pd.DataFrame) -> None:
    with xr.open_dataset(out / "data" / f"{STEM}.nc", engine="h5netcdf") as data:
        assert data.attrs["featureType"] == "timeSeries"
        np.testing.assert_array_equal(data.time.to_numpy().astype("datetime64[us]"), frame.time.dt.tz_localize(None))
        for name in ("t_air", "ghi", "ghi_corrected", "rain", "wd"):
            np.testing.assert_array_equal(data[name], frame[name])
            np.testing.assert_array_equal(data[f"{name}_verdict"].astype(int), frame[f"{name}_verdict"])
        np.testing.assert_array_equal(data.t_air_usable.astype(bool), frame.t_air_usable)
        masks = dict(zip(data.t_air_checks.flag_meanings.split(), data.t_air_checks.flag_masks.tolist(), strict=True))
        told = [";".join(k for k, bit in masks.items() if bits & bit) for bits in data.t_air_checks.to_numpy().tolist()]
        assert told == frame.t_air_checks.fillna("").tolist()
        bounds = data.time_bnds.to_numpy()
        assert (bounds[:, 1] - bounds[:, 0] == np.timedelta64(600, "s")).all()
        assert (bounds[:, 1] == data.time.to_numpy()).all()  # stamps mark the end
        assert data.t_air_read.to_numpy().tolist() == frame.t_air_read.fillna("").tolist()


def test_means_have_one_row_for_each_hour(out: Path) -> None:
    hours = pd.read_csv(out / "means" / f"{STEM}.hour.csv", parse_dates=["from", "to"])
    assert len(hours) == 92 * 24
    assert (hours["to"] - hours["from"] == pd.Timedelta("1h")).all()
    assert (hours["from"].iloc[1:].to_numpy() == hours["to"].iloc[:-1].to_numpy()).all()


def test_a_spreadsheet(out: Path, tmp_path: Path) -> None:
    """LibreOffice opens each kind of table, and what it saves has the same cells: no formula, no date gone wrong."""
    office = shutil.which("soffice")
    if office is None:
        pytest.skip("no LibreOffice here: apt-get install --no-install-recommends libreoffice-calc")
    names = ["completeness.csv", "episodes.csv", "corrections.csv", f"means/{STEM}.day.csv", f"data/{STEM}.2026-03.csv"]
    profile = f"-env:UserInstallation=file://{tmp_path}/profile"
    # comma, quotation mark, UTF-8, from line 1, no column's type given, English; read as the sheet's own language
    options = "44,34,76,1,,1033,false,true,false,false,false,-1"
    done = subprocess.run(
        [office, profile, "--headless", "--infilter=CSV:44,34,76,1,,1033", "--convert-to",
         f"csv:Text - txt - csv (StarCalc):{options}", "--outdir", str(tmp_path / "saved"),
         *(str(out / n) for n in names)],
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    for name in names:
        saved = next((tmp_path / "saved").glob(f"{Path(name).stem}*.csv"), None)
        assert saved is not None, done.stdout + done.stderr
        with saved.open(encoding="utf-8", newline="") as a, (out / name).open(encoding="utf-8", newline="") as b:
            seen, written = list(csv.reader(a)), list(csv.reader(b))
        assert len(seen) == len(written)
        for mine, theirs in zip(written, seen, strict=True):
            for x, y in zip(mine, theirs, strict=True):
                assert _same(x, y), f"{name}: {x!r} became {y!r}"


def _same(written: str, seen: str) -> bool:
    """A cell as it stands, or the same number, truth or time in the spreadsheet's way of writing it."""
    if written == seen or written.lower() == seen.lower():
        return True
    try:
        return float(written) == pytest.approx(float(seen), rel=1e-9, abs=1e-9)
    except ValueError:
        return written.rstrip("Z").replace("T", " ")[:16] == seen.rstrip("Z").replace("T", " ")[:16]
