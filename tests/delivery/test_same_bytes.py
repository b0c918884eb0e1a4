"""The same inputs give the same bytes: other zones, locales, hash seeds, folders, orders of files, other threads."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests.cli.runs import held
from tests.delivery.runs import SAMPLE, SAMPLE_TABLES

ROOT = Path(__file__).resolve().parents[2]
WORDS = ["--write", "csv,parquet,netcdf", "--from", "2026-03-20", "--to", "2026-04-09", "--quiet", "--flags", "ioc"]


def delivered(station: Path, tables: list[Path], out: Path, cwd: Path, **environment: str) -> dict[str, bytes | str]:
    command = [sys.executable, "-m", "qc", "deliver", str(station), *map(str, tables), "--out", str(out), *WORDS]
    env = {**os.environ, "PYTHONPATH": str(ROOT), **environment}
    done = subprocess.run(command, cwd=cwd, env=env, capture_output=True, text=True, check=False, timeout=300)
    assert done.returncode == 0, done.stderr
    return held(out)


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes | str]:
    where = tmp_path_factory.mktemp("first")
    return delivered(SAMPLE / "otter-fell.station.toml", SAMPLE_TABLES, where / "out", where, PYTHONHASHSEED="0")


@pytest.mark.parametrize(
    "environment",
    [
        {"TZ": "Asia/Kathmandu", "LC_ALL": "C", "PYTHONHASHSEED": "1"},
        {"TZ": "America/St_Johns", "LC_ALL": "de_DE.UTF-8", "LANG": "tr_TR.UTF-8", "PYTHONHASHSEED": "4711"},
        {"SOURCE_DATE_EPOCH": "1", "MPLBACKEND": "svg", "OMP_NUM_THREADS": "1", "COLUMNS": "20", "HOME": "/nowhere"},
    ],
    ids=["zone", "locale", "environment"],
)
def test_elsewhere(first: dict[str, bytes | str], environment: dict[str, str], tmp_path: Path) -> None:
    """In a folder with a space and an accent in its name, with the files in the other order."""
    inside = tmp_path / "été à la mer"
    shutil.copytree(SAMPLE, inside)
    tables = [inside / t.name for t in reversed(SAMPLE_TABLES)]
    again = delivered(inside / "otter-fell.station.toml", tables, tmp_path / "out", inside, **environment)
    assert again.keys() == first.keys()
    assert [name for name in first if again[name] != first[name]] == []


def test_what_no_clock_says(first: dict[str, bytes | str]) -> None:
    """Today's date stands in no file of text."""
    import datetime

    today = datetime.datetime.now(datetime.UTC).date().isoformat().encode()
    assert today not in b"".join(v for v in first.values() if isinstance(v, bytes))
