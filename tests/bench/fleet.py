"""A night of a fleet: stations with one new day of 1 min data each, and a night with nothing new.

    python -m tests.bench.fleet --stations 100 --jobs 2

Prints seconds of reading, checks and archive, of diagnosis, and of a night with nothing new, and the memory of the
parent and its workers. The stations are invented, and alike but for their noise; four weeks of eight of them are read
and checked, those of the others are copies of what came of that.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import resource
import shutil
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from qc.archive import fleet, ledger, whole
from qc.archive.workers import Cluster, Here, Processes, Workers
from tests.bench.year import channels, station_text

START = np.datetime64("2026-05-01T00:00", "m")
DAYS = 28
KINDS = 8


def made(folder: Path, stations: int) -> None:
    """A fleet with inboxes; the first days lie in them."""
    entries = []
    for n in range(stations):
        name = f"s{n:04}"
        (folder / "in" / name).mkdir(parents=True)
        (folder / f"{name}.toml").write_text(station_text().replace('id = "bench"', f'id = "{name}"'), "utf-8")
        entries.append(f'[[station]]\nfile = "{name}.toml"\ninbox = "in/{name}/*.csv"\n')
    head = '[fleet]\nstore = "store"\noutbox = "outbox"\n'
    (folder / "fleet.toml").write_text(head + "".join(entries), "utf-8")


def lines(start: np.datetime64, rows: int, seed: int) -> str:
    """A table of some minutes as text."""
    import io

    import pyarrow as pa
    from pyarrow import csv

    time_ = start + np.arange(1, rows + 1) * np.timedelta64(1, "m")
    stamps = np.char.replace(np.datetime_as_string(time_.astype("datetime64[s]")), "T", " ")
    columns = {"Time": pa.array(stamps)}
    for name, column in channels(rows, start, seed).items():
        columns[name] = pa.array(np.round(column, 1 if name in ("wd", "rain") else 2))
    sink = io.BytesIO()
    csv.write_csv(pa.table(columns), sink, csv.WriteOptions(quoting_style="none"))
    return sink.getvalue().decode("ascii")


def arrive(folder: Path, stations: int, first: int, days: int) -> None:
    """Some days of each station, a file for each day."""
    for day in range(first, first + days):
        texts = [lines(START + np.timedelta64(day, "D"), 1440, seed=1000 * day + k) for k in range(KINDS)]
        for n in range(stations):
            (folder / "in" / f"s{n:04}" / f"{day:03}.csv").write_text(texts[n % KINDS], "utf-8")


def copied(folder: Path, stations: int) -> None:
    """Give the other stations what the store holds of the first ones."""
    store = folder / "store"
    with contextlib.closing(ledger.connect(store / "ledger.sqlite")) as connection, ledger.writing(connection):
        for n in range(KINDS, stations):
            old, new = f"s{n % KINDS:04}", f"s{n:04}"
            for kind in ("archive", "raw"):
                shutil.copytree(store / kind / f"station={old}", store / kind / f"station={new}")
            for path in (folder / "in" / old).iterdir():
                shutil.copy2(path, folder / "in" / new / path.name)
            told = "next_line, last_us, battery, pressure_us, pressure"
            connection.execute(
                f"update station set ({told}) = (select {told} from station where id = ?) where id = ?", (old, new)
            )
            for table in ("file", "month", "day"):
                names = [row[1] for row in connection.execute(f"pragma table_info({table})") if row[1] != "id"]
                asked = [f"replace({name}, ?1, ?2)" if name in ("station", "path") else name for name in names]
                connection.execute(
                    f"insert into {table} ({','.join(names)}) select {','.join(asked)} from {table} where station = ?1",
                    (old, new),
                )
            for path in (folder / "in" / new).iterdir():
                about = path.stat()
                connection.execute(
                    "insert into seen select station, path, ?, ?, ?, id from file where path = ?",
                    (about.st_size, about.st_mtime_ns, about.st_ino, str(path)),
                )


def night(folder: Path, workers: Workers, day: int) -> tuple[float, whole.Done]:
    """Seconds of one night."""
    now = datetime(2026, 5, 1, 0, 5, tzinfo=UTC) + timedelta(days=day)
    begun = time.perf_counter()
    done = whole.night(
        fleet.load(folder / "fleet.toml"), workers, night=now.date().isoformat(), now=now,
        progress=lambda done, total: None,
    )  # fmt: skip
    return time.perf_counter() - begun, done


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--stations", type=int, default=100)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--dask")
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="fleet-"))
    try:
        made(folder, asked.stations)
        arrive(folder, min(asked.stations, KINDS), 0, DAYS - 1)
        workers = Cluster(asked.dask) if asked.dask else Processes(asked.jobs) if asked.jobs > 1 else Here()
        with workers:
            first, _ = night(folder, workers, DAYS - 1)
            copied(folder, asked.stations)
            arrive(folder, asked.stations, DAYS - 1, 1)
            second, done = night(folder, workers, DAYS)
            idle, _ = night(folder, workers, DAYS)
        rows = sum(s["new_rows"] for s in done.document["stations"].values())
        assert rows == asked.stations * 1440, rows
        size = sum(p.stat().st_size for p in (folder / "store").rglob("*") if p.is_file())
    finally:
        shutil.rmtree(folder)
    memory = [resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    found = {
        "stations": asked.stations, "jobs": asked.jobs, "first_days_s": round(first, 2), "day_s": round(second, 2),
        "parts_s": done.seconds, "idle_s": round(idle, 2),
        "parent_mib": round(memory[0]), "worker_mib": round(memory[1]),
        "store_mb": round(size / 1e6, 1),
    }  # fmt: skip
    print(json.dumps(found) if asked.json else "\n".join(f"{key:<12} {value}" for key, value in found.items()))


if __name__ == "__main__":
    main()
