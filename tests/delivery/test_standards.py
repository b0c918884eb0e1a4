"""Deliveries before the validators of the open standards that they follow.

CF 1.11 and ACDD 1.3 by compliance-checker, Table Schema and data package by frictionless, SHA-256 sums by sha256sum.
The validators run as processes of their own: what they warn of is theirs.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from qc.cli import main
from qc.station import load
from qc.write.netcdf import cf_names
from tests.delivery.runs import SAMPLE, SAMPLE_TABLES
from tests.shared import shared

TERMS = ["--licence", "CC BY 4.0", "--contact", "data@example.org", "--owner", "Sallowby Commons", "--quiet"]

STATIONS = {
    "coast": ("coast_*.csv", []),
    "hills": ("hills_*.csv", ["--from", "2021-01-01", "--to", "2021-03-31"]),
    "roof": ("roof_*.csv", ["--from", "2024-07-01", "--to", "2024-07-31"]),
    "campus": ("campus_2024_12.csv", ["--from", "2024-12-01", "--to", "2024-12-03"]),
    "forest": ("forest_5min_2016_03.csv", []),
    "estuary": ("estuary_*.csv", ["--to", "2016-01-31"]),
}
"""Open stations: an interval of an hour, 10 min, 1 min, 5 min and 15 min; counters, two layouts, amounts of energy."""


def delivered(where: Path, name: str, flags: str = "wmo") -> tuple[Path, Path]:
    """A delivery by the command line; its folder, and its station file."""
    if name == "sample":
        station, tables, more = SAMPLE / "otter-fell.station.toml", SAMPLE_TABLES, []
    else:
        pattern, more = STATIONS[name]
        station, tables = shared(f"expected/{name}.toml"), sorted(shared().glob(pattern))
    out = where / name
    words = ["deliver", station, *tables, "--out", out, "--write", "csv,parquet,netcdf", "--flags", flags]
    with patch("qc.delivery.folder.pictures", lambda *_: []), pytest.raises(SystemExit) as left:  # they are no tables
        main([os.fspath(w) for w in (*words, *more, *TERMS)])
    assert left.value.code == 0
    return out, station


def complaints(path: Path, spec: str, where: Path) -> list[str]:
    """What the checker says against a file, whatever its weight."""
    report = where / "report.json"
    checker = Path(sys.executable).with_name("compliance-checker")
    command = [str(checker), f"--test={spec}", "--format=json", f"--output={report}", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600)
    assert report.exists(), done.stdout[-500:] + done.stderr[-2000:]
    document: dict[str, Any] = json.loads(report.read_text())
    (found,) = document.values()
    every = [p for weight in ("high_priorities", "medium_priorities", "low_priorities") for p in found[weight]]
    assert found["scored_points"] > 0
    return [f"{p['name']}: {m}" for p in every for m in p["msgs"]]


def invalid(path: Path) -> list[str]:
    """What frictionless says against a data package."""
    code = "import sys; from frictionless import validate; print(validate(sys.argv[1]).to_json())"
    command = [sys.executable, "-c", code, path.name]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=600, cwd=path.parent)
    assert done.returncode == 0, done.stderr[-2000:]
    report = json.loads(done.stdout)
    tables = [t for t in report["tasks"] if t["type"] == "table"]
    assert len(tables) == len(json.loads(path.read_text())["resources"])
    errors = [*report["errors"], *(e for task in report["tasks"] for e in task["errors"])]
    assert report["valid"] is (not errors)
    return [e["message"] for e in errors]


@pytest.mark.parametrize(
    ("name", "flags"), [("sample", "wmo"), ("sample", "ioc"), *((name, "wmo") for name in STATIONS)]
)
def test_validators_report_no_error(name: str, flags: str, tmp_path: Path) -> None:
    out, station_file = delivered(tmp_path, name, flags)
    done = subprocess.run(["sha256sum", "-c", "--quiet", "checksums.sha256"], cwd=out, capture_output=True, check=False)
    assert done.returncode == 0, done.stdout
    assert invalid(out / "datapackage.json") == []
    (path,) = (out / "data").glob("*.nc")
    assert complaints(path, "cf:1.11", tmp_path) == []
    # the standard name table has no name for a battery's voltage: such variables have a long name and units alone
    nameless = [c.name for c in load(station_file).channel if "standard_name" not in cf_names().get(c.quantity, {})]
    allowed = {f'variable "{n}" missing the following attributes:: standard_name' for n in nameless}
    assert set(complaints(path, "acdd:1.3", tmp_path)) <= allowed


def test_the_flagged_table_of_check_too(tmp_path: Path) -> None:
    words = [
        "check",
        SAMPLE / "otter-fell.station.toml",
        *SAMPLE_TABLES,
        "--out",
        tmp_path,
        "--write",
        "netcdf",
        "--quiet",
    ]
    with pytest.raises(SystemExit) as left:
        main([os.fspath(w) for w in words])
    assert left.value.code == 0
    assert complaints(tmp_path / "otter-fell.ten.flagged.nc", "cf:1.11", tmp_path) == []
    against = complaints(tmp_path / "otter-fell.ten.flagged.nc", "acdd:1.3", tmp_path)
    assert all("standard_name" in line for line in against)


# ---- the validators themselves can say no


def test_the_checkers_would_notice(tmp_path: Path) -> None:
    """A unit of another dimension, a flag without its meaning, a missing attribute; a letter among numbers."""
    import h5py

    out, _ = delivered(tmp_path, "sample")
    (path,) = (out / "data").glob("*.nc")
    spoilt = tmp_path / "spoilt.nc"
    shutil.copy(path, spoilt)
    with h5py.File(spoilt, "r+") as file:
        file["t_air"].attrs["units"] = "kg"
        file["rh_verdict"].attrs["flag_meanings"] = "good"
        del file.attrs["license"]
    told = "\n".join(complaints(spoilt, "cf:1.11", tmp_path))
    assert "t_air" in told and "rh_verdict" in told
    assert any("license" in line for line in complaints(spoilt, "acdd:1.3", tmp_path))
    table = out / "data" / "otter-fell.ten.2026-04.csv"
    lines = table.read_text().splitlines()
    cells = lines[100].split(",")
    lines[100] = ",".join([cells[0], "warm", "8", *cells[3:]])
    table.write_text("\n".join(lines) + "\n")
    told = "\n".join(invalid(out / "datapackage.json"))
    assert '"warm"' in told and '"8"' in told
