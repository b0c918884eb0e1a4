"""Small deliveries for tests: values and verdicts as arrays in, `Result` or a folder out."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from qc import run
from qc.delivery.folder import Terms, deliver
from qc.run import Result
from qc.station import Station, load, parse

SAMPLE = Path(__file__).resolve().parents[2] / "sample_data"
SAMPLE_TABLES = [SAMPLE / "otter-fell_a.csv", SAMPLE / "otter-fell_b.csv"]

HEAD = """
[station]
id = "moor"
name = "Moor"
latitude = 54.6
longitude = -2.9
elevation = 120.0
{logs}
[[clock]]
utc_offset = "+00:00"
[[table]]
id = "ten"
interval = "{interval}"
stamps = "{stamps}"
[[table.layout]]
names = ["time"]
decimal = "."
missing = ["", "NAN"]
time = {{ columns = ["time"], format = "%Y-%m-%dT%H:%M" }}
"""

CHANNELS = {
    "t": ("air_temperature", "degC", "mean", "probe"),
    "ws": ("wind_speed", "m/s", "mean", "wind"),
    "gust": ("wind_gust", "m/s", "max", "wind"),
    "wd": ("wind_direction", "degree", "vector-mean", "wind"),
    "rain": ("precipitation", "mm", "total", "gauge"),
    "word": ("other", "1", None, "logger"),
}


def station_text(
    names: tuple[str, ...] = ("t",), *, interval: str = "10min", stamps: str = "end", logs: str = ""
) -> str:
    """A station file with some of `CHANNELS`."""
    text = HEAD.format(interval=interval, stamps=stamps, logs=logs)
    for name in names:
        quantity, unit, statistic, device = CHANNELS[name]
        text += f'[[channel]]\nname = "{name}"\nquantity = "{quantity}"\ncolumn = "{name}"\nunit = "{unit}"\n'
        text += f'device = "{device}"\n' + (f'statistic = "{statistic}"\n' if statistic else "")
    return text


def station(names: tuple[str, ...] = ("t",), **more: str) -> Station:
    return parse(station_text(names, **more).encode())


def result(
    values: Mapping[str, NDArray[np.float64]],
    codes: Mapping[str, NDArray[np.uint8]] | None = None,
    *,
    first: str,
    interval: str = "10min",
    stamps: str = "end",
    keep: NDArray[np.bool_] | None = None,
    period: tuple[str | None, str | None] = (None, None),
) -> Result:
    """A result with given values from the stamp `first` on, good where `codes` says nothing; 7 where there is none.

    `keep` says which rows were read.
    """
    of = station(tuple(values), interval=interval, stamps=stamps)
    rows = len(next(iter(values.values())))
    step = np.timedelta64(round(of.table[0].interval_s or 0), "s").astype("timedelta64[us]")
    time = np.datetime64(first, "us") + np.arange(rows) * step
    kept = np.ones(rows, bool) if keep is None else keep
    frame = pd.DataFrame({k: np.asarray(v, float)[kept] for k, v in values.items()})
    frame.index = pd.DatetimeIndex(time[kept], tz="UTC")
    found = run.check(of, {"ten": frame}, first=period[0], last=period[1])
    table = found.checked.tables["ten"]
    given = {
        name: np.where(
            np.isnan(table.record.channels[name].values),
            np.uint8(7),
            np.asarray((codes or {}).get(name, np.zeros(rows)), np.uint8)[kept][: table.record.rows],
        ).astype(np.uint8)
        for name in values
    }
    return replace(found, checked=replace(found.checked, tables={"ten": replace(table, codes=given)}))


def written(where: Path, names: tuple[str, ...], rows: str, *, text: str | None = None, **logs: str) -> Station:
    """A station file, its logs and one table `moor.csv` in a folder."""
    where.mkdir(parents=True, exist_ok=True)
    keys = "\n".join(f'{kind} = "{kind}.csv"' for kind in logs)
    (where / "moor.station.toml").write_text(text or station_text(names, logs=keys), "utf-8")
    for kind, log in logs.items():
        (where / f"{kind}.csv").write_text(log, "utf-8")
    (where / "moor.csv").write_text(rows, "utf-8")
    return load(where / "moor.station.toml")


def delivered(
    of: Station,
    tables: list[Path],
    out: Path,
    *,
    replace: bool = False,
    drawn: bool = False,
    first: str | None = None,
    last: str | None = None,
    **terms: Any,
) -> dict[str, Any]:
    """A delivery from files, without the pictures unless they are asked for (they take the longest); gives the document
    of its summary, read back."""
    result = run.check(of, tables, first=first, last=last)
    with nullcontext() if drawn else patch("qc.delivery.folder.pictures", lambda *_: []):
        deliver(result, out, Terms(**terms), replace=replace)
    document: dict[str, Any] = json.loads((out / f"{of.id}.summary.json").read_text())
    return document


def rows_of(names: tuple[str, ...], *, first: str = "2026-06-01T00:10", number: int = 300) -> str:
    """A healthy little table of ten-minute rows."""
    time = np.datetime64(first, "m") + 10 * np.arange(number)
    n = np.arange(number)
    day = np.sin(2 * np.pi * n / 144)
    made = {
        "t": np.round(12 + 4 * day + 0.3 * np.sin(n), 2), "ws": np.round(4 + day + 0.7 * np.sin(1.7 * n), 2),
        "gust": np.round(7 + day + 0.7 * np.sin(1.7 * n), 2), "wd": np.round(200 + 40 * np.sin(0.9 * n), 1),
        "rain": np.where(n % 50 < 3, 0.2, 0.0), "word": n % 7,
    }  # fmt: skip
    lines = [",".join([str(time[i]), *(f"{made[c][i]:g}" for c in names)]) for i in n]
    return "\n".join([",".join(("time", *names)), *lines]) + "\n"
